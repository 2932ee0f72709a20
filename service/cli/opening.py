"""Settings and databases as the commands open them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

import click

from service.settings import Settings
from service.store.session import Database, open_database

Decorated = TypeVar("Decorated", bound=Callable[..., Any])


def database_option(command: Decorated) -> Decorated:
    """Give a command the option ``--database``."""
    help_text = "sqlite:///FILE or postgresql://…; WEIGHBOOK_DATABASE_URL where it is left out, else weighbook.db here."
    return click.option("--database", "database_url", metavar="URL", help=help_text)(command)


def settings_with(**overrides: Any) -> Settings:
    """Return the settings of the environment; an option beats a variable."""
    return Settings.from_environment(os.environ, **overrides)


@contextmanager
def opened(database_url: str | None) -> Iterator[Database]:
    """Open the database that is asked for, whatever schema it has."""
    url = settings_with(database_url=database_url).database_url
    try:
        database = open_database(url)
    except ValueError as error:
        raise click.ClickException(str(error)) from error
    try:
        yield database
    finally:
        database.close()


@contextmanager
def opened_at_newest_schema(database_url: str | None) -> Iterator[Database]:
    """Open the database; an empty one gets the newest schema, any other schema is refused."""
    with opened(database_url) as database:
        bring_empty_to_newest(database)
        yield database


def bring_empty_to_newest(database: Database) -> None:
    """Give an empty database the newest schema; refuse one of another schema, and name the command that helps."""
    revision = database.schema_revision()
    if revision is None:
        database.upgrade()
    elif revision != database.schema_head():
        head = database.schema_head()
        raise click.ClickException(
            f"the database has the schema {revision}, and this program needs {head}: run weighbook upgrade"
        )
