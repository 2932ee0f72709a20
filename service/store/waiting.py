"""Rows that wait to be written: gathered by table, sent together before anything is read or committed.

PostgreSQL gets all of them in one statement, whose text is the same for any number of rows: each table's rows are one
parameter of JSON. To SQLite a statement costs next to nothing, and it gets one a table.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from functools import cache
from operator import itemgetter
from typing import Any, Final

from sqlalchemy import Connection, Table, Text, bindparam, cast, column, func, select
from sqlalchemy.dialects import postgresql, sqlite

from service.store.prepared import execute_many
from service.store.tables import DERIVED, revisions

MOST_WAITING: Final = 5000
"""Rows that are kept in memory before they are sent, whatever else happens."""
_ORDER: Final = {table: place for place, table in enumerate((revisions, *DERIVED))}
"""Tables in the order in which their rows are written: after those that their foreign keys name."""

_Row = Mapping[str, Any]


class Waiting:
    """The rows of one transaction that are not sent yet; of several with one key the last counts."""

    def __init__(self) -> None:
        self._tables: dict[Table, dict[Any, _Row]] = {}
        self._count = 0

    def put(self, table: Table, row: _Row) -> bool:
        """Let a row wait, which holds every column; say whether it is time to send."""
        rows = self._tables.setdefault(table, {})
        # The truth is only ever added to: two revisions of one number are the database's to refuse.
        rows[len(rows) if table is revisions else _key_of(table)(row)] = row
        self._count += 1
        return self._count >= MOST_WAITING

    def __bool__(self) -> bool:
        return self._count > 0

    def drop(self) -> None:
        """Forget what waits."""
        self._tables, self._count = {}, 0

    def send(self, connection: Connection) -> None:
        """Write what waits, overwriting rows that have the same key."""
        tables = sorted(self._tables, key=_ORDER.__getitem__)
        rows = [[*self._tables[table].values()] for table in tables]
        self.drop()
        if connection.dialect.name == "postgresql":
            texts = {f"rows_{table.name}": _json(several) for table, several in zip(tables, rows, strict=True)}
            connection.execute(_together(tuple(tables)), texts)
            return
        for table, several in zip(tables, rows, strict=True):
            statement, parameters = _one_by_one(table)
            execute_many(connection, statement, [*map(parameters, several)])


@cache
def _keys(table: Table) -> tuple[str, ...]:
    return tuple(each.name for each in table.primary_key.columns)


@cache
def _key_of(table: Table) -> Callable[[_Row], tuple[Any, ...]]:
    return itemgetter(*_keys(table))  # every key is of two columns at least: a tuple


def _json(rows: list[_Row]) -> str:
    return json.dumps(rows, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _overwriting(statement: Any, table: Table) -> Any:
    if table is revisions:
        return statement
    others = [each.name for each in table.columns if not each.primary_key]
    overwritten = {name: statement.excluded[name] for name in others}
    return statement.on_conflict_do_update(index_elements=[*_keys(table)], set_=overwritten)


@cache
def _one_by_one(table: Table) -> tuple[str, Callable[[_Row], tuple[Any, ...]]]:
    """The statement for one row as SQLite's driver takes it, and what makes its parameters, in order, of a row."""
    compiled = _overwriting(sqlite.insert(table), table).compile(dialect=sqlite.dialect())
    return str(compiled), itemgetter(*compiled.positiontup)


@cache
def _together(tables: tuple[Table, ...]) -> Any:
    """One statement that writes rows of several tables; foreign keys are checked at its end."""
    *others, last = [_from_json(table) for table in tables]
    for table, other in zip(tables, others, strict=False):
        last = last.add_cte(other.cte(f"put_{table.name}"))
    return last


def _from_json(table: Table) -> Any:
    plain = [column(each.name, each.type if not isinstance(each.type, Text) else Text()) for each in table.columns]
    text = cast(bindparam(f"rows_{table.name}", type_=Text()), postgresql.JSON())
    given = (
        func.json_to_recordset(text).table_valued(*plain, name=f"given_{table.name}").render_derived(with_types=True)
    )
    names = [each.name for each in table.columns]
    statement = postgresql.insert(table).from_select(names, select(*(given.c[name] for name in names)))
    return _overwriting(statement, table)
