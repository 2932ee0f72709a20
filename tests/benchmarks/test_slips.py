"""The table of slips found is printed, and holds what the method promises at a size that a suite can bear."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.benchmarks import slips


def test_the_table_is_printed() -> None:
    told = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.slips", "1"],
        check=True,
        capture_output=True,
        text=True,
        cwd=Path(slips.__file__).parents[2],
    )
    printed = told.stdout.splitlines()[2:]
    assert len(printed) == 2 + len(slips.CASES) + 1
    assert len({line.count("|") for line in printed}) == 1


def test_a_thousandfold_is_always_found_from_three_runs_on_and_false_alarms_are_rare() -> None:
    asked = slips.found(0.6, 3, 0.0, 150)
    assert asked["×1000"][0] == asked["÷1000"][0] == 1.0
    assert asked["none"][0] == 0.0
    later = slips.found(0.6, 10, 0.0, 100)
    assert later["×10"][0] > 0.59
    assert later["÷10"][0] > 0.56
