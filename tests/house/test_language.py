"""The project speaks of itself alone: of no ticket, no machine, no package host, no paper that is not part of it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

# What must not be said, and a sample of it in two halves, so that this file does not say it either.
FORBIDDEN = [
    (r"\b[Ii]ssue\s+#?[0-9]+", ("see issue", " 12")),
    (r"\b[Tt]icket\s+#?[0-9]+", ("Ticket", " #7")),
    (r"(?<![\w.}])/(?:home|work|farm|mnt|srv|Users)/", ("in /wo", "rk/main")),
    (r"\bindex-u[r]l|\bextra-ind[e]x", ("--index", "-url=https")),
    (r"\bregistry\.[a-z0-9-]+\.[a-z]{2,}", ("registry", ".example.org")),
    (r"\bpypi\.[a-z]{2,}|\bpythonhosted\b", ("https://pypi", ".org/simple")),
]
# Folders of one machine; a container and a test may have reason to name them.
MACHINE_FOLDERS = (r"(?<![\w.}])/(?:tmp|root)/", ("/tm", "p/book"))
PAPER = r"\b[\w-]+\.md\b"


def lines_that_say(pattern: str, files: list[Path], root: Path) -> list[str]:
    found = []
    for file in files:
        content = (root / file).read_bytes()
        if b"\0" in content:
            continue
        for number, line in enumerate(content.decode("utf-8").splitlines(), start=1):
            if re.search(pattern, line):
                found.append(f"{file}:{number}: {line.strip()}")
    return found


@pytest.mark.parametrize("pattern", [pattern for pattern, _ in FORBIDDEN])
def test_no_file_says(pattern: str, project_files: list[Path], root: Path) -> None:
    found = lines_that_say(pattern, project_files, root)
    assert not found, "\n".join(found)


def test_only_tests_and_containers_name_folders_of_a_machine(project_files: list[Path], root: Path) -> None:
    elsewhere = [file for file in project_files if file.parts[0] not in {"tests", "docker"}]
    found = lines_that_say(MACHINE_FOLDERS[0], elsewhere, root)
    assert not found, "\n".join(found)


@pytest.mark.parametrize(("pattern", "halves"), [*FORBIDDEN, MACHINE_FOLDERS])
def test_each_pattern_sees_its_sample(pattern: str, halves: tuple[str, str], tmp_path: Path) -> None:
    (tmp_path / "planted.txt").write_text("A line of its own.\n" + "".join(halves) + "\n", encoding="utf-8")
    assert len(lines_that_say(pattern, [Path("planted.txt")], tmp_path)) == 1


def test_papers_that_are_named_are_part_of_the_project(project_files: list[Path], root: Path) -> None:
    own = {file.name for file in project_files}
    found = lines_that_say(PAPER, project_files, root)
    assert found
    strangers = [line for line in found if set(re.findall(PAPER, line.split(": ", 1)[1])) - own]
    assert not strangers, "\n".join(strangers)
