"""Keeping the database: backup, restore, upgrade, check."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final

import click

from service.answer.book import Book
from service.answer.ledger_audit import audit_of
from service.answer.snapshot import Memory
from service.cli.opening import database_option, opened, opened_at_newest_schema
from service.record.rebuild import rebuild
from service.store.digests import derived_digests
from service.store.session import Database
from service.store.tokens import list_workshops

_MOST_BREACHES: Final = 100
_POSTGRESQL_BACKUP = "a PostgreSQL database is backed up by its own tool, pg_dump, and restored by pg_restore"


def _file_of(database: Database) -> Path:
    if database.file is None:
        raise click.ClickException(_POSTGRESQL_BACKUP)
    return database.file


def _check_whole(file: Path) -> None:
    """Refuse a file that SQLite finds damaged, or that is no database."""
    try:
        with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as connection:
            found = [row[0] for row in connection.execute("PRAGMA integrity_check")]
            orphans = connection.execute("PRAGMA foreign_key_check").fetchall()
    except sqlite3.DatabaseError as error:
        raise click.ClickException(f"{file} cannot be read as a database: {error}") from error
    if found != ["ok"] or orphans:
        raise click.ClickException(f"{file} is damaged: {'; '.join(found[:5])}, {len(orphans)} rows refer to nothing")


@click.command()
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@database_option
def backup(file: Path, database_url: str | None) -> None:
    """Copy the SQLite database to FILE, whole and checked, while it is in use."""
    with opened(database_url) as database:
        source = _file_of(database)
    if not source.exists():
        raise click.ClickException(f"there is no database {source}")
    if file.exists():
        raise click.ClickException(f"{file} exists already: a backup overwrites nothing")
    unfinished = file.with_name(file.name + ".unfinished")
    unfinished.unlink(missing_ok=True)
    # One statement, one snapshot: a copy page by page would begin again with every write.
    with closing(sqlite3.connect(source)) as connection:
        connection.execute("VACUUM INTO ?", (str(unfinished),))
    _check_whole(unfinished)
    unfinished.replace(file)
    click.echo(f"{source} is copied to {file}, and the copy is whole")


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@database_option
@click.option("--replace", is_flag=True, help="Put the backup in the place of a database that exists.")
def restore(file: Path, database_url: str | None, replace: bool) -> None:
    """Make an SQLite database out of the backup FILE. Stop the service first where it replaces one."""
    with opened(database_url) as database:
        target = _file_of(database)
    if target.exists() and not replace:
        raise click.ClickException(f"{target} exists already: --replace puts the backup in its place")
    _check_whole(file)
    unfinished = target.with_name(target.name + ".unfinished")
    unfinished.unlink(missing_ok=True)
    with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(unfinished)) as copy:
        source.backup(copy)
    # The old log belongs to the old file: beside the new one it would be read into it.
    for leftover in ("-wal", "-shm"):
        target.with_name(target.name + leftover).unlink(missing_ok=True)
    unfinished.replace(target)
    _check_whole(target)
    click.echo(f"{file} is restored to {target}, which is whole")


@click.command()
@database_option
def upgrade(database_url: str | None) -> None:
    """Bring the database to the newest schema, and derive again what is derived."""
    with opened(database_url) as database:
        before = database.schema_revision()
        database.upgrade()
        if before not in (None, database.schema_head()):
            for workshop_id, _ in list_workshops(database):
                rebuild(database, workshop_id)
        click.echo(f"the database has the schema {database.schema_head()}")


@click.command()
@database_option
def check(database_url: str | None) -> None:
    """Derive everything again from the revisions, compare it with what stood there, and audit the ledger."""
    with opened_at_newest_schema(database_url) as database:
        if database.file is not None:
            _check_whole(database.file)
        differing = torn = 0
        for workshop_id, name in list_workshops(database):
            before = _digests(database, workshop_id)
            count = rebuild(database, workshop_id)
            after = _digests(database, workshop_id)
            tables = [table for table, digest in after.items() if digest != before[table]]
            differing += len(tables)
            verdict = f"these differed and are mended: {', '.join(tables)}" if tables else "nothing differs"
            click.echo(f"{name}: {count} revisions replayed, {verdict}")
            with database.reading(workshop_id) as reading:
                breaches = audit_of(Book(reading, Memory()))
            for breach in breaches[:_MOST_BREACHES]:
                click.echo(f"{name}: {breach}")
            click.echo(f"{name}: the ledger is audited, {len(breaches) or 'no'} breaches")
            torn += len(breaches)
    if differing:
        raise click.ClickException("what was derived did not follow from what was recorded")
    if torn:
        raise click.ClickException("the ledger does not balance")


def _digests(database: Database, workshop_id: int) -> dict[str, str]:
    with database.reading(workshop_id) as reading:
        return derived_digests(reading)
