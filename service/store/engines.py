"""Engines: how a connection to SQLite or to PostgreSQL is opened, set up and begun."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any, Final

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import StaticPool

from service.store.prepared import begin

MOST_CONNECTIONS: Final = 32
WRITES: Final = "weighbook_writes"
"""Execution option of a connection whose transaction writes: SQLite then begins it IMMEDIATE."""


def engine_for(url: str, lock_timeout_s: float) -> Engine:
    """Return the engine of a database URL: ``sqlite:///path`` or ``postgresql://…``. Opens nothing yet.

    ``lock_timeout_s`` is how long a statement waits for another's lock, and a thread for a free connection.
    Raises ValueError for any other URL, and for an SQLite database in memory, which no second connection can see.
    """
    try:
        parsed = make_url(url)
    except ArgumentError as error:
        raise ValueError("a database URL is written sqlite:///FILE or postgresql://HOST/NAME") from error
    backend = parsed.get_backend_name()
    if backend == "postgresql":
        return _postgresql(parsed, lock_timeout_s)
    if backend == "sqlite":
        return _sqlite(parsed, lock_timeout_s)
    raise ValueError(f"a database URL begins with sqlite:/// or postgresql://, not with {parsed.drivername}://")


def engine_in_memory() -> Engine:
    """Return the engine of a new SQLite database in memory: one connection, which every thread may use in its turn."""
    engine = create_engine(
        "sqlite://",
        poolclass=StaticPool,
        connect_args={"isolation_level": None, "check_same_thread": False, "cached_statements": 256},
    )
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def file_of(engine: Engine) -> Path | None:
    """The file of an SQLite database; None for PostgreSQL."""
    return Path(str(engine.url.database)) if engine.dialect.name == "sqlite" else None


def _postgresql(url: URL, lock_timeout_s: float) -> Engine:
    timeout_ms = max(1, int(lock_timeout_s * 1000))
    return create_engine(
        url.set(drivername="postgresql+psycopg"),
        pool_size=8,
        max_overflow=MOST_CONNECTIONS - 8,
        pool_timeout=lock_timeout_s,
        connect_args={
            "connect_timeout": max(2, int(lock_timeout_s)),
            "application_name": "weighbook",
            "options": f"-c lock_timeout={timeout_ms} -c timezone=UTC -c synchronous_commit=on",
        },
    )


def _sqlite(url: URL, lock_timeout_s: float) -> Engine:
    if url.database in (None, "", ":memory:") or str(url.database).startswith("file:"):
        raise ValueError("SQLite needs the path of a file, as in sqlite:///weighbook.db")
    engine = create_engine(
        url,
        pool_size=8,
        max_overflow=MOST_CONNECTIONS - 8,
        pool_timeout=lock_timeout_s,
        # No statement begins a transaction by itself: the driver would begin none before a SELECT.
        connect_args={"isolation_level": None, "timeout": lock_timeout_s, "cached_statements": 256},
    )
    event.listen(engine, "connect", _set_up_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _set_up_sqlite(connection: sqlite3.Connection, _record: Any) -> None:
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
        connection.execute(f"PRAGMA {pragma}").fetchall()


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get(WRITES)
    begin(connection, "BEGIN IMMEDIATE" if writes else "BEGIN")
