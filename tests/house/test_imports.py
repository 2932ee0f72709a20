"""Imports go down, one library lives in one room, and the pure rooms ask nothing of the world.

The rules are the contracts of ``[tool.importlinter]`` in pyproject.toml; the tests run them over the service as it is
and over a copy with wrong imports planted in it, so that a contract that has gone blind fails here.
"""

from __future__ import annotations

import ast
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

PURE_ROOMS = ("domain", "analytics")

# (module to which the import is added, the import, the pair that the report must name)
WRONG_IMPORTS = [
    ("errors", "import service.domain", "service.errors -> service.domain"),
    ("domain.__init__", "import service.store", "service.domain -> service.store"),
    ("schemas.__init__", "import service.rendering", "service.schemas -> service.rendering"),
    ("store.__init__", "import service.analytics", "service.store -> service.analytics"),
    ("record.__init__", "import service.answer", "service.record -> service.answer"),
    ("answer.__init__", "import service.api", "service.answer -> service.api"),
    ("api.__init__", "import service.settings", "service.api -> service.settings"),
    ("record.__init__", "import service.settings", "service.record -> service.settings"),
    ("app", "import service.cli", "service.app -> service.cli"),
    ("unlisted", "", "service.unlisted"),
    ("analytics.statistics.__init__", "import service.analytics.money", "statistics -> service.analytics.money"),
    ("analytics.money.__init__", "import service.analytics.forecast", "money -> service.analytics.forecast"),
    ("analytics.forecast.__init__", "import service.analytics.planning", "forecast -> service.analytics.planning"),
    ("record.__init__", "import flask", "service.record -> flask"),
    ("schemas.__init__", "import werkzeug", "service.schemas -> werkzeug"),
    ("answer.__init__", "import flask_smorest", "service.answer -> flask_smorest"),
    ("record.__init__", "import sqlalchemy.orm", "service.record -> sqlalchemy"),
    ("cli.__init__", "import alembic", "service.cli -> alembic"),
    ("record.__init__", "import marshmallow", "service.record -> marshmallow"),
    ("schemas.__init__", "import numpy", "service.schemas -> numpy"),
    ("store.__init__", "import pandas", "service.store -> pandas"),
    ("rendering.__init__", "import scipy.special", "service.rendering -> scipy"),
    ("app", "import click", "service.app -> click"),
    ("domain.__init__", "import socket", "service.domain -> socket"),
    ("analytics.__init__", "from pathlib import Path", "service.analytics -> pathlib"),
]


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    command = [str(Path(sys.executable).with_name("lint-imports")), "--no-cache", "--no-logo"]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


def test_the_service_keeps_its_contracts(root: Path) -> None:
    report = lint_imports(root)
    assert report.returncode == 0, report.stdout + report.stderr
    assert " 0 broken" in report.stdout


def test_wrong_imports_are_caught(root: Path, tmp_path: Path) -> None:
    shutil.copytree(root / "service", tmp_path / "service", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(root / "pyproject.toml", tmp_path)
    (tmp_path / "service" / "unlisted.py").touch()
    for module, statement, _ in WRONG_IMPORTS:
        with module_file(tmp_path / "service", module).open("a", encoding="utf-8") as source:
            source.write(f"\n{statement}\n")
    report = lint_imports(tmp_path)
    assert report.returncode != 0
    said = " ".join(report.stdout.split())
    assert not [pair for _, _, pair in WRONG_IMPORTS if pair not in said], report.stdout + report.stderr


def module_file(service: Path, module: str) -> Path:
    """The file of a module; a package that is still, or again, one file is found too."""
    path = service.joinpath(*module.split("."))
    if path.name == "__init__" and not path.parent.is_dir():
        path = path.parent
    return path.with_suffix(".py")


def impure_calls(source: str) -> list[str]:
    """The calls in ``source`` that read a file or the clock, or draw from the shared random state, with their lines."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        name = ast.unparse(node.func)
        *owner, last = name.split(".")
        clock = last in {"now", "utcnow", "today"} and bool(owner)
        shared_random = owner[-1:] == ["random"] and not last[0].isupper() and last != "default_rng"
        unseeded = last == "default_rng" and not node.args
        if name in {"open", "input", "print"} or clock or shared_random or unseeded:
            found.append(f"line {node.lineno}: {name}")
    return found


def test_pure_rooms_read_no_file_clock_or_shared_random_state(root: Path) -> None:
    files = [file for room in PURE_ROOMS for file in sorted((root / "service" / room).rglob("*.py"))]
    assert files
    faults = [f"{file.relative_to(root)}, {call}" for file in files for call in impure_calls(file.read_text("utf-8"))]
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize(
    "planted",
    [
        "open('weights.csv')",
        "datetime.date.today()",
        "dt.datetime.now(dt.UTC)",
        "np.random.normal(0, 1)",
        "random.random()",
        "np.random.default_rng()",
    ],
)
def test_an_impure_call_is_caught(planted: str) -> None:
    assert impure_calls(f"def yield_of(run):\n    return {planted}\n")


@pytest.mark.parametrize("allowed", ["np.random.default_rng(seed)", "np.random.Generator(bits)", "rng.normal(0, 1)"])
def test_a_seeded_generator_is_allowed(allowed: str) -> None:
    assert not impure_calls(f"draws = {allowed}\n")


def test_slow_statistics_library_stays_out_of_the_service(root: Path) -> None:
    # Importing it costs near a second in every new worker; special functions are all that the service needs.
    slow = "scipy" + ".stats"
    users = [file for file in sorted((root / "service").rglob("*.py")) if slow in file.read_text("utf-8")]
    assert not users
