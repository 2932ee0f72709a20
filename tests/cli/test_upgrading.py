"""A database of the schema before, brought to the newest: every derived row is the one that the newest writes."""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import psycopg
import pytest
from alembic import command
from psycopg import sql
from sqlalchemy import Connection, MetaData, Table, select, text

from service.store.balances import balances
from service.store.migrations import HEAD
from service.store.session import Database, open_database
from service.store.tables import DERIVED, revisions, tokens, workshops
from service.store.types import metadata
from service.store.upgrade import migration_settings
from tests.cli.conftest import Weighbook
from tests.store.book import CARBONATE_RUN, Book, altered

BEFORE = "0006"
TRUTH = (workshops, tokens, revisions)


@pytest.fixture
def old_url(request: pytest.FixtureRequest, database_url: str, tmp_path: Path) -> Iterator[str]:
    """The URL of another, empty database of the same kind."""
    if database_url.startswith("sqlite"):
        yield f"sqlite:///{tmp_path / 'old.db'}"
        return
    server, _, ours = database_url.rpartition("/")
    name = sql.Identifier(other := f"{ours}_{secrets.token_hex(3)}")
    with closing(psycopg.connect(database_url.replace("+psycopg", "", 1), autocommit=True)) as connection:
        connection.execute(sql.SQL("CREATE DATABASE {} TEMPLATE template0").format(name))
        try:
            yield f"{server}/{other}"
        finally:
            connection.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(name))


def rows_of(connection: Connection, table: Table) -> list[dict[str, Any]]:
    return [dict(row) for row in connection.execute(select(table)).mappings()]


def made_at(old: Database, schema: str, source: Database, workshop_id: int) -> None:
    """Make a database of an older schema that holds what one of the newest does, as far as it has the columns."""
    with old.administering() as connection:
        settings = migration_settings()
        settings.attributes["connection"] = connection
        command.upgrade(settings, schema)
        there = MetaData()
        there.reflect(connection)
        with source.looking() as newest:
            for table in (*TRUTH, *DERIVED):
                if table.name not in there.tables:
                    continue
                own = table.c.id if table is workshops else table.c.workshop
                older = there.tables[table.name]
                names = [column.name for column in older.columns]
                found = newest.execute(select(table).where(own == workshop_id)).mappings()
                rows = [{name: row[name] for name in names if name in row} for row in found]
                if rows:
                    connection.execute(older.insert(), rows)


def filled(book: Book) -> None:
    book.fill_with_runs()
    book.put("lots", "ash-1", {"material": "soda-ash", "amount": "9 kg"})
    charges = [{"lot": "vitriol-1", "amount": "470.123456789 g"}, {"lot": "ash-1", "amount": "20 g"}]
    outturns = [{"material": "malachite", "lot": "malachite-2", "net": "20 g"}]
    book.put("runs", "C-2", altered(CARBONATE_RUN, charges=charges, outturns=outturns))
    book.put("pools", "P-1", {"made_on": "2026-04-21", "from": [{"lot": "malachite-2", "amount": "3 g"}], "lot": "p-1"})
    book.put("stock-entries", "E-1", {"lot": "ash-1", "kind": "recount", "on": "2026-04-10", "amount": "8 kg"})
    book.put("stock-entries", "E-2", {"lot": "malachite-1", "kind": "sample", "on": "2026-04-22", "amount": "0.1 g"})
    book.put("stock-entries", "E-3", {"lot": "ash-1", "kind": "sample", "on": "2026-04-22", "amount": "20 mL"})


def test_an_upgrade_derives_what_the_newest_schema_writes(
    weighbook: Weighbook, database: Database, workshop: str, old_url: str
) -> None:
    assert BEFORE < HEAD
    book = Book(database, workshop)
    filled(book)
    old = open_database(old_url)
    made_at(old, BEFORE, database, book.workshop_id)
    with old.looking() as connection:
        lines = connection.scalar(text("SELECT count(*) FROM entries"))
    assert lines == len(book.rows()["entries"])
    done = weighbook("upgrade", "--database", old_url)
    assert done.exit_code == 0, done.output
    assert old.is_current()
    with old.looking() as there, database.looking() as here:
        for table in metadata.sorted_tables:
            own = table.c.id if table is workshops else table.c.workshop
            wanted = [dict(row) for row in here.execute(select(table).where(own == book.workshop_id)).mappings()]
            assert sorted(rows_of(there, table), key=repr) == sorted(wanted, key=repr), table.name
    assert "nothing differs" in weighbook("check", "--database", old_url).output
    old.close()


def test_balances_stand_before_anything_is_derived_again(database: Database, workshop: str, old_url: str) -> None:
    """The step itself sums the lines, exactly: a server that starts on it answers of the shelf as it is."""
    book = Book(database, workshop)
    filled(book)
    old = open_database(old_url)
    made_at(old, BEFORE, database, book.workshop_id)
    large = 2**62 + 987_654_321
    with old.administering() as connection:
        line = "INSERT INTO entries (workshop, source_kind, source_code, kind, line, lot, material, dimension, "
        line += f"quantity, role, state) VALUES ({book.workshop_id}, 'runs', 'C-1', "
        for i in range(4):
            connection.execute(text(f"{line}'charge', {90 + i}, 'ash-1', 'soda-ash', 'mass', {-large}, NULL, 1)"))
            connection.execute(
                text(f"{line}'outturn', {90 + i}, 'p-1', 'malachite', 'mass', {large + i}, 'product', 1)")
            )
    old.upgrade()
    with old.reading(book.workshop_id) as there, book.reading() as here:
        wanted = balances(here)
        wanted["ash-1"] = wanted["ash-1"].moved(-4 * large, 0)
        wanted["p-1"] = wanted["p-1"].moved(4 * large + 6, 0)
        assert balances(there) == wanted
    assert wanted["ash-1"].unknown == 1
    assert wanted["vitriol-1"].quantity < 0
    old.close()
