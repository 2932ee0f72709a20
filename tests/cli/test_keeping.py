"""Records in and out of a database, and the database kept: every way back leads to the same records."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.cli.conftest import Weighbook

LINES = [
    {"kind": "lot", "code": "tap", "record": {"material": "water", "amount": "5 L"}},
    {"kind": "material", "code": "water", "record": {"name": "water", "formula": "H2O"}},
]


@pytest.fixture
def filled(weighbook: Weighbook) -> Weighbook:
    """The command in a folder with a database that holds a few records."""
    assert weighbook("token", "create", "--workshop", "attic", "--scope", "read").exit_code == 0
    Path("lines.json").write_text(json.dumps(LINES), "utf-8")
    done = weighbook("import", "lines.json", "--workshop", "attic")
    assert done.exit_code == 0, done.output
    return weighbook


def exported(weighbook: Weighbook, *options: str) -> list[str]:
    result = weighbook("export", "out.ndjson", "--workshop", "attic", *options)
    assert result.exit_code == 0, result.output
    return Path("out.ndjson").read_text("utf-8").splitlines()


def test_what_is_exported_can_be_imported(filled: Weighbook) -> None:
    lines = exported(filled)
    assert [json.loads(line)["code"] for line in lines] == ["workshop", "water", "tap"]
    assert (
        filled("token", "create", "--workshop", "attic", "--scope", "read", "--database", "sqlite:///b.db").exit_code
        == 0
    )
    done = filled("import", "out.ndjson", "--workshop", "attic", "--database", "sqlite:///b.db")
    assert done.exit_code == 0, done.output
    assert exported(filled, "--database", "sqlite:///b.db") == lines


def test_an_import_says_every_fault_and_writes_nothing(filled: Weighbook) -> None:
    before = exported(filled)
    Path("bad.json").write_text(
        json.dumps([*LINES, {"kind": "material", "code": "x", "record": {"nmae": "x"}}]), "utf-8"
    )
    refused = filled("import", "bad.json", "--workshop", "attic")
    assert refused.exit_code == 1
    assert "name" in refused.output
    assert "Traceback" not in refused.output
    assert exported(filled) == before
    assert filled("import", "lines.txt", "--workshop", "attic").exit_code == 2
    Path("lines.txt").touch()
    assert ".ndjson" in filled("import", "lines.txt", "--workshop", "attic").output
    assert filled("import", "lines.json").exit_code == 2
    assert filled("import", "lines.json", "--server", "http://127.0.0.1:1").exit_code == 2
    assert "does not answer" in filled("import", "lines.json", "--server", "http://127.0.0.1:1", "--token", "t").output


def test_a_backup_is_whole_and_overwrites_nothing(filled: Weighbook) -> None:
    before = exported(filled)
    assert filled("backup", "kept.db").exit_code == 0
    assert filled("backup", "kept.db").exit_code == 1
    assert exported(filled, "--database", "sqlite:///kept.db") == before
    more = [{"kind": "material", "code": "sand", "record": {"name": "sand"}}]
    Path("more.json").write_text(json.dumps(more), "utf-8")
    assert filled("import", "more.json", "--workshop", "attic").exit_code == 0
    assert len(exported(filled)) == len(before) + 1
    assert filled("restore", "kept.db").exit_code == 1
    assert filled("restore", "kept.db", "--replace").exit_code == 0
    assert exported(filled) == before
    assert not list(Path().glob("*.unfinished"))


def test_what_is_no_database_is_not_restored(filled: Weighbook) -> None:
    Path("broken.db").write_bytes(b"no database" * 1000)
    before = exported(filled)
    refused = filled("restore", "broken.db", "--replace")
    assert refused.exit_code == 1
    assert "cannot be read as a database" in refused.output
    assert exported(filled) == before


@pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)
def test_postgresql_is_kept_by_its_own_tools(weighbook: Weighbook, database_url: str) -> None:
    refused = weighbook("backup", "kept.db", "--database", database_url)
    assert refused.exit_code == 1
    assert "pg_dump" in refused.output


def test_a_check_finds_nothing_and_mends_what_it_finds(filled: Weighbook) -> None:
    assert "nothing differs" in filled("check").output
    assert "the ledger is audited, no breaches" in filled("check").output
    with closing(sqlite3.connect("weighbook.db")) as connection:
        connection.execute("UPDATE materials SET name = 'wine'")
        connection.commit()
    found = filled("check")
    assert found.exit_code == 1
    assert "these differed and are mended: materials" in found.output
    assert "nothing differs" in filled("check").output


def test_an_upgrade_of_what_is_newest_changes_nothing(filled: Weighbook) -> None:
    before = exported(filled)
    assert filled("upgrade").exit_code == 0
    assert exported(filled) == before


def test_a_database_that_cannot_be(weighbook: Weighbook) -> None:
    for url in ("mysql://nowhere/x", "sqlite://", "weighbook.db"):
        refused = weighbook("upgrade", "--database", url)
        assert refused.exit_code == 1
        assert "Traceback" not in refused.output
    assert "cannot be opened" in weighbook("upgrade", "--database", "sqlite:////nowhere/at/all.db").output
