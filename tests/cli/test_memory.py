"""What a serving process keeps of the memory that it let go of, counted in page faults."""

from __future__ import annotations

import os
import platform
import subprocess
import sys

import pytest

COUNTED = """
import resource
import numpy as np
from service.cli.memory import keep_freed_memory

def faults():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    for _ in range(20):
        held = [np.ones(4096) for _ in range(64)]
        del held
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before

given_back = faults()
keep_freed_memory()
faults()
print(given_back, faults())
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only the C library of GNU gives memory back so soon")
def test_what_was_freed_is_not_asked_for_anew() -> None:
    environment = {key: value for key, value in os.environ.items() if not key.startswith(("MALLOC_", "GLIBC_"))}
    told = subprocess.run(
        [sys.executable, "-c", COUNTED], env=environment, capture_output=True, text=True, check=True, timeout=120
    )
    given_back, kept = map(int, told.stdout.split())
    assert given_back > 20 * 64 * 8 / 2  # eight pages an array
    assert kept < given_back / 20
