"""Statements that every write asks, handed to SQLite's driver as they are.

SQLite answers most of them in two millionths of a second, and what the library does around each takes ten times that.
Its statements are still what they are written as; whoever listens to the engine hears of them all the same, and what
the driver refuses is told as the library tells it. A server's round trip is longer than all that: there they go
through the library.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from functools import lru_cache
from typing import Any, Final, cast

from sqlalchemy import Connection
from sqlalchemy.dialects import sqlite
from sqlalchemy.exc import DBAPIError

Rows = list[tuple[Any, ...]]
_MOST_STATEMENTS: Final = 500


def fetched(connection: Connection, statement: Any, values: Mapping[str, Any]) -> Rows:
    """Return the rows of a statement, as the driver hands them out: nothing in them may need to be converted.

    ``statement`` is one that is built once and kept, without lists that are written out; ``values`` its parameters by
    name. On SQLite the connection's transaction must have begun where the statement is to be part of one. Raises what
    the library raises for a statement that the database refuses.
    """
    if connection.dialect.name != "sqlite":
        cursor: Any = connection.execute(statement, values).cursor
        rows: Rows = cursor.fetchall()
        cursor.close()
        return rows
    text, names, constants = _prepared(statement)
    given = {**constants, **values}
    return _asked(connection, text, tuple([given[name] for name in names]))


def execute_many(connection: Connection, text: str, rows: list[tuple[Any, ...]]) -> None:
    """Execute a statement of SQLite once for each row of parameters, within the transaction that has begun."""
    cursor = _driver(connection).cursor()
    _announce(connection, cursor, text, rows, many=True)
    try:
        cursor.executemany(text, rows)
    except sqlite3.Error as error:
        raise _told(text, rows, error) from error
    finally:
        cursor.close()


def begin(connection: Connection, how: str) -> None:
    """Begin a transaction of SQLite, as the library asks for it."""
    try:
        _driver(connection).execute(how)
    except sqlite3.Error as error:
        raise _told(how, (), error) from error


def _asked(connection: Connection, text: str, parameters: tuple[Any, ...]) -> Rows:
    cursor = _driver(connection).cursor()
    _announce(connection, cursor, text, parameters, many=False)
    try:
        return cursor.execute(text, parameters).fetchall()
    except sqlite3.Error as error:
        raise _told(text, parameters, error) from error
    finally:
        cursor.close()


def _driver(connection: Connection) -> sqlite3.Connection:
    return cast(sqlite3.Connection, connection.connection.driver_connection)


def _announce(connection: Connection, cursor: sqlite3.Cursor, text: str, parameters: Any, *, many: bool) -> None:
    for listener in connection.dispatch.before_cursor_execute:
        listener(connection, cursor, text, parameters, None, many)


def _told(text: str, parameters: Any, error: sqlite3.Error) -> BaseException:
    return DBAPIError.instance(text, parameters, error, sqlite3.Error)


@lru_cache(_MOST_STATEMENTS)
def _prepared(statement: Any) -> tuple[str, tuple[str, ...], Mapping[str, Any]]:
    """The text of a statement, the names of its parameters in their order, and the values that it has itself."""
    compiled = statement.compile(dialect=sqlite.dialect())
    constants = {name: value for name, value in compiled.params.items() if value is not None}
    return str(compiled), tuple(compiled.positiontup), constants
