"""Databases that live as long as a measurement."""

from __future__ import annotations

import os
import secrets
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
from psycopg import sql

from service.store.session import open_database

DRIVER = "postgresql+psycopg://"
USUAL_URLS = (f"{DRIVER}127.0.0.1:5432/postgres", f"{DRIVER}postgres@127.0.0.1:5432/postgres")


@contextmanager
def sqlite_url() -> Iterator[str]:
    """The URL of a new SQLite file at the newest schema."""
    with tempfile.TemporaryDirectory() as folder:
        yield _at_newest_schema(f"sqlite:///{Path(folder) / 'weighbook.db'}")


@contextmanager
def postgresql_url() -> Iterator[str | None]:
    """The URL of a new PostgreSQL database at the newest schema; None where no server lets us in."""
    asked = os.environ.get("WEIGHBOOK_TEST_POSTGRESQL_URL")
    for url in [asked] if asked else USUAL_URLS:
        try:
            server = psycopg.connect(plain(url), autocommit=True, connect_timeout=5)
        except psycopg.OperationalError:
            continue
        with server:
            name = f"weighbook_benchmark_{secrets.token_hex(4)}"
            server.execute(sql.SQL("CREATE DATABASE {} TEMPLATE template0").format(sql.Identifier(name)))
            try:
                yield _at_newest_schema(f"{url.rpartition('/')[0]}/{name}")
            finally:
                server.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))
        return
    yield None


def plain(url: str) -> str:
    """A database URL as the bare driver takes it: the path of a file, or ``postgresql://…``."""
    return url.removeprefix("sqlite:///").replace(DRIVER, "postgresql://", 1)


def kind_of(url: str) -> str:
    """What a database of that URL is called in a table."""
    return "SQLite" if url.startswith("sqlite") else "PostgreSQL"


def _at_newest_schema(url: str) -> str:
    database = open_database(url)
    try:
        database.upgrade()
    finally:
        database.close()
    return url
