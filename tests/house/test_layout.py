"""The top level is fixed, and a file holds one idea."""

from __future__ import annotations

from pathlib import Path

TOP_LEVEL = {
    *("README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"),
    *("service", "tests", "openapi", "seed_data", "docker"),
}
MOST_LINES = 350
LONGER_FOR_A_REASON: dict[str, str] = {}  # file: why its one idea needs more room


def test_top_level_is_fixed(project_files: list[Path]) -> None:
    found = {file.parts[0] for file in project_files if not file.parts[0].startswith(".")}
    assert found == TOP_LEVEL


def test_a_file_holds_one_idea(project_files: list[Path], root: Path) -> None:
    lines = {
        file.as_posix(): len((root / file).read_text("utf-8").splitlines())
        for file in project_files
        if file.parts[0] == "service" and file.suffix == ".py"
    }
    assert lines
    too_long = {file: count for file, count in lines.items() if count > MOST_LINES}
    assert too_long.keys() == LONGER_FOR_A_REASON.keys(), too_long
