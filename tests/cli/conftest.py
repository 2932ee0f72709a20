"""The command as a person types it: in this process, or as one of its own where it serves."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from service.cli import main

Weighbook = Callable[..., Result]
LONGEST_S = 60


@pytest.fixture
def weighbook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Weighbook:
    """Run the command in an empty folder; return how it ended and what it said."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("WEIGHBOOK_DATABASE_URL", raising=False)

    def run(*words: str | Path) -> Result:
        result = CliRunner().invoke(main, [str(word) for word in words])
        assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
        return result

    return run


@contextmanager
def serving(*words: str, folder: Path) -> Iterator[tuple[subprocess.Popen[str], list[str]]]:
    """Run a command that serves, in a folder; give what it has said once it answers. It is stopped at the end."""
    command = [str(Path(sys.executable).with_name("weighbook")), *words]
    with subprocess.Popen(
        command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, encoding="utf-8"
    ) as process:
        try:
            assert process.stdout is not None
            said: list[str] = []
            for line in process.stdout:
                said.append(line.rstrip("\n"))
                if "/docs" in line:
                    break
            else:
                raise AssertionError(f"it ended before it answered, with {process.wait(LONGEST_S)}")
            yield process, said
        finally:
            process.terminate()
            rest = process.communicate(timeout=LONGEST_S)[0]
            said += rest.splitlines()
    assert process.returncode == 0
