"""Why a database refused, told from the drivers' codes: busy, away, full, or in collision with another transaction."""

from __future__ import annotations

import sqlite3
from typing import Final

from sqlalchemy.exc import DBAPIError

from service.errors import Unavailable
from service.store.lockfile import busy


class TryAgain(Unavailable):
    """Two transactions collided, and this one was rolled back: the same story will do from its start."""


# SQLSTATE codes and classes: PostgreSQL 15 documentation, appendix A.
_COLLIDED: Final = ("40001", "40P01")
_BUSY: Final = ("55P03", "57014", "53300")
_FULL: Final = ("53100", "53200")
_SQLITE_BUSY: Final = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
_SQLITE_AWAY: Final = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH)
_SQLITE_DISK: Final = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_NOMEM)


def is_away(error: DBAPIError) -> bool:
    """Say whether the connection was lost, so that a new one may do better."""
    return bool(error.connection_invalidated)


def refusal_of(error: DBAPIError) -> Unavailable | None:
    """The error of a reason for what a driver raised; None where the statement itself is at fault."""
    cause = error.orig
    if isinstance(cause, sqlite3.Error):
        return _of_sqlite(getattr(cause, "sqlite_errorcode", 0) & 0xFF)
    return _of_postgresql(getattr(cause, "sqlstate", None), error)


def _of_sqlite(code: int) -> Unavailable | None:
    if code in _SQLITE_BUSY:
        return busy()
    if code in _SQLITE_DISK:
        return Unavailable("the disk under the database is full or does not answer", code="disk-full")
    if code in _SQLITE_AWAY:
        return Unavailable("the database file cannot be opened or written", code="database-away")
    return None


def _of_postgresql(sqlstate: str | None, error: DBAPIError) -> Unavailable | None:
    if sqlstate in _COLLIDED:
        return TryAgain("the write collided with another: try again", code="collided")
    if sqlstate in _BUSY:
        return busy()
    if sqlstate in _FULL:
        return Unavailable("the database server is out of disk or memory", code="disk-full")
    no_answer = sqlstate is None and type(error.orig).__name__ == "OperationalError"
    if error.connection_invalidated or no_answer or (sqlstate or "").startswith(("08", "57P")):
        return Unavailable("the database server does not answer", code="database-away")
    return None
