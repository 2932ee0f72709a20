"""Everything public says what it is; every function of the pure rooms shows it by an example, and the example runs."""

from __future__ import annotations

import ast
import doctest
import importlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

SERVICE = Path(__file__).resolve().parents[2] / "service"
PURE_ROOMS = ("domain", "analytics")
MIGRATIONS = SERVICE / "store" / "migrations"  # its functions are named and called by alembic


@dataclass(frozen=True)
class Documented:
    """One public module, class or function, by its file and its name inside it."""

    file: Path
    name: str
    kind: str  # module, class, function or method
    docstring: str | None
    line: int

    def __str__(self) -> str:
        return f"{self.file.relative_to(SERVICE.parent)}:{self.line} {self.name or 'the module'}"


def documented(file: Path, source: str) -> Iterator[Documented]:
    """Every public module, class, function and method of one source text, none of those inside functions."""
    tree = ast.parse(source)
    yield Documented(file, "", "module", ast.get_docstring(tree), 1)
    yield from _members(file, tree, "")


def _members(file: Path, owner: ast.Module | ast.ClassDef, prefix: str) -> Iterator[Documented]:
    for node in owner.body:
        if not isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) or node.name.startswith("_"):
            continue
        kind = "class" if isinstance(node, ast.ClassDef) else "method" if prefix else "function"
        yield Documented(file, prefix + node.name, kind, ast.get_docstring(node), node.lineno)
        if isinstance(node, ast.ClassDef):
            yield from _members(file, node, f"{prefix}{node.name}.")


def everything_public() -> list[Documented]:
    files = [file for file in sorted(SERVICE.rglob("*.py")) if MIGRATIONS not in file.parents]
    found = [thing for file in files for thing in documented(file, file.read_text("utf-8"))]
    assert found
    return found


def test_everything_public_has_a_docstring() -> None:
    silent = [str(thing) for thing in everything_public() if not (thing.docstring or "").strip()]
    assert not silent, "\n".join(silent)


def test_every_function_of_the_pure_rooms_shows_an_example() -> None:
    functions = [
        thing
        for thing in everything_public()
        if thing.kind == "function" and thing.file.relative_to(SERVICE).parts[0] in PURE_ROOMS
    ]
    assert functions
    untold = [str(thing) for thing in functions if ">>> " not in (thing.docstring or "")]
    assert not untold, "\n".join(untold)


FILES_WITH_EXAMPLES = [file for file in sorted(SERVICE.rglob("*.py")) if ">>> " in file.read_text("utf-8")]


@pytest.mark.parametrize("file", FILES_WITH_EXAMPLES, ids=lambda file: file.relative_to(SERVICE).as_posix())
def test_examples_run(file: Path) -> None:
    # Each docstring is taken from the source, so that no decorator can hide an example from the finder.
    parts = file.relative_to(SERVICE.parent).with_suffix("").parts
    module = importlib.import_module(".".join(part for part in parts if part != "__init__"))
    runner = doctest.DocTestRunner(verbose=False)
    report: list[str] = []
    for thing in documented(file, file.read_text("utf-8")):
        name = f"{module.__name__}.{thing.name}"
        example = doctest.DocTestParser().get_doctest(
            thing.docstring or "", dict(vars(module)), name, str(file), thing.line
        )
        runner.run(example, out=report.append)
    assert not runner.failures, "\n".join(report)
    assert runner.tries, f"{file} has an example that no public docstring holds"


def test_a_silent_function_and_a_wrong_example_are_seen() -> None:
    source = '"""Module."""\n\nclass Run:\n    """A run."""\n\n    def mass_g(self): ...\n\ndef _own(): ...\n'
    assert [thing.name for thing in documented(SERVICE / "planted.py", source) if not thing.docstring] == ["Run.mass_g"]
    wrong = doctest.DocTestParser().get_doctest(">>> 2 + 2\n5\n", {}, "planted", None, 0)
    assert doctest.DocTestRunner(verbose=False).run(wrong, out=lambda text: None).failed == 1
