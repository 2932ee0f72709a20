"""The schema: its history, what the database itself refuses, and an upgrade that happens whole or not at all."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from alembic import op
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import inspect, text
from sqlalchemy.exc import DBAPIError, IntegrityError

from service.store.migrations import HEAD
from service.store.session import Database, open_database
from service.store.tables import DERIVED, outcomes, workshops
from service.store.types import finite
from service.store.upgrade import newest_step
from tests.store.book import Book


def test_the_newest_step_is_the_one_that_is_asked_for() -> None:
    assert newest_step() == HEAD


def test_the_steps_make_the_tables(database: Database) -> None:
    assert database.is_current()
    with database.looking() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, workshops.metadata) == []
        made = {name for name in inspect(connection).get_table_names() if name != "alembic_version"}
        for name in made:
            checks = {found["name"] for found in inspect(connection).get_check_constraints(name)}
            table = workshops.metadata.tables[name]
            wanted = {constraint.name for constraint in table.constraints if str(constraint.name).startswith("ck_")}
            assert checks == wanted
    assert made == workshops.metadata.tables.keys()


def test_everything_derived_belongs_to_a_workshop_and_carries_its_state() -> None:
    for table in DERIVED:
        assert next(iter(table.primary_key.columns)).name == "workshop"
        assert "state" in table.columns
    indexes = {table.name: [[c.name for c in index.columns] for index in table.indexes] for table in DERIVED}
    # Of what a record names and of what is left of a lot nobody asks which rows are newer than a state.
    assert {name for name, found in indexes.items() if ["workshop", "state"] not in found} == {"links", "balances"}


@pytest.mark.parametrize("statement", ["UPDATE revisions SET reason = 'x'", "DELETE FROM revisions"])
def test_revisions_are_only_ever_added_to(book: Book, statement: str) -> None:
    before = book.rows()
    with pytest.raises(DBAPIError, match="only ever added to"), book.database.administering() as connection:
        connection.execute(text(statement))
    assert book.rows() == before


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE runs SET status = 'done'",
        "UPDATE lots SET dimension = 'length'",
        "UPDATE lots SET amount = -1",
        "UPDATE lots SET revision = NULL WHERE source_kind = 'lots'",
        "UPDATE entries SET quantity = -quantity WHERE kind = 'charge'",
        "UPDATE entries SET quantity = NULL",
        "UPDATE entries SET lot = 'nowhere'",
        "UPDATE lots SET material = 'nothing'",
        "DELETE FROM materials",
    ],
)
def test_the_database_is_the_last_guard(filled: Book, statement: str) -> None:
    with pytest.raises(IntegrityError), filled.database.administering() as connection:
        connection.execute(text(statement))


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
@pytest.mark.parametrize("value", ["'much'", "1.5"])
def test_no_text_or_fraction_fits_a_whole_number(filled: Book, value: str) -> None:
    with pytest.raises(IntegrityError), filled.database.administering() as connection:
        connection.execute(text(f"UPDATE entries SET quantity = {value} WHERE kind = 'outturn'"))


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_what_is_not_finite_is_refused_before_any_database_sees_it(value: float) -> None:
    assert outcomes.c.batch_g.nullable
    with pytest.raises(ValueError, match="batch_g"):
        finite(outcomes, {"run": "r", "batch_g": value})


def test_a_new_database_is_empty_then_current(tmp_path: Path) -> None:
    database = open_database(f"sqlite:///{tmp_path}/new.db")
    assert (database.schema_revision(), database.is_current()) == (None, False)
    database.upgrade()
    assert (database.schema_revision(), database.is_current()) == (HEAD, True)
    database.upgrade()
    database.close()
    assert sorted(file.name for file in tmp_path.iterdir() if "before" in file.name) == []


@pytest.mark.parametrize("limit", [1, 5, 17])
def test_a_failing_step_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, limit: int) -> None:
    database = open_database(f"sqlite:///{tmp_path}/new.db")
    calls = 0
    create: Any = op.create_table

    def failing(*args: Any, **options: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls == limit:
            raise RuntimeError("injected")
        return create(*args, **options)

    with monkeypatch.context() as patch:
        patch.setattr(op, "create_table", failing)
        with pytest.raises(RuntimeError, match="injected"):
            database.upgrade()
    assert database.schema_revision() is None
    with database.looking() as connection:
        assert inspect(connection).get_table_names() == []
    database.upgrade()
    assert database.is_current()
    database.close()


def test_a_file_with_tables_is_copied_before_it_is_upgraded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from service.store import upgrade

    database = open_database(f"sqlite:///{tmp_path}/old.db")
    database.upgrade()
    with database.administering() as connection:
        connection.execute(text("INSERT INTO workshops (name, state, currency) VALUES ('attic', 1, 'EUR')"))
    monkeypatch.setattr(upgrade, "HEAD", "later")
    database.upgrade()
    database.close()
    with closing(sqlite3.connect(tmp_path / f"old.db.before-upgrade-from-{HEAD}")) as copy:
        assert copy.execute("SELECT name FROM workshops").fetchall() == [("attic",)]
