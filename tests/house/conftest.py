"""What the house tests look at: the files of the project, as a reader of the repository meets them."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="session")
def root() -> Path:
    """The top folder of the project."""
    return ROOT


@pytest.fixture(scope="session")
def project_files() -> list[Path]:
    """Every file that is tracked, or would be if added (not ignored), relative to the top folder."""
    listing = subprocess.run(
        # The checkout may belong to another user than the one who tests.
        ["git", "-c", "safe.directory=*", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=True,
    )
    names = [name for name in listing.stdout.decode().split("\0") if name]
    files = sorted({Path(name) for name in names if (ROOT / name).is_file()})
    assert files, "git lists no file: the house tests need a git checkout"
    return files
