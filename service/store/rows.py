"""Rows in and out: insert or overwrite by key, remove by key, and the chunks that keep a statement short."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from functools import cache
from itertools import islice
from typing import Any, Final

from sqlalchemy import ColumnElement, Delete, Table, and_, bindparam, delete
from sqlalchemy.dialects import postgresql, sqlite

from service.store.session import Reading, Writing
from service.store.types import finite

MOST_CODES: Final = 500
"""Codes that one statement names."""


def upsert(writing: Writing, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert rows, or overwrite those that have the same key; each gets the workshop and the state of the write."""
    if rows:
        stamp = {"workshop": writing.workshop_id, "state": writing.state}
        writing.connection.execute(
            _upsert(table, writing.connection.dialect.name), [{**finite(row), **stamp} for row in rows]
        )


def remove(writing: Writing, table: Table, keys: Sequence[Mapping[str, Any]]) -> None:
    """Remove the rows that agree with each of ``keys``, which all name the same columns."""
    if keys:
        statement = _delete(table, tuple(keys[0]))
        writing.connection.execute(
            statement,
            [{f"_{name}": value for name, value in key.items()} | {"_workshop": writing.workshop_id} for key in keys],
        )


def of_workshop(reading: Reading, table: Table) -> ColumnElement[bool]:
    """The condition that every statement on ``table`` carries."""
    return table.c.workshop == reading.workshop_id


def chunks(codes: Collection[str] | None) -> Iterator[list[str] | None]:
    """The distinct codes in sorted groups that one statement can name; None, which means all, is one group."""
    if codes is None:
        yield None
        return
    rest: Iterable[str] = iter(sorted(set(codes)))
    while chunk := list(islice(rest, MOST_CODES)):
        yield chunk


@cache
def _upsert(table: Table, dialect: str) -> Any:
    module: Any = sqlite if dialect == "sqlite" else postgresql
    statement = module.insert(table)
    keys = [column.name for column in table.primary_key.columns]
    others = {column.name: statement.excluded[column.name] for column in table.columns if column.name not in keys}
    return statement.on_conflict_do_update(index_elements=keys, set_=others)


@cache
def _delete(table: Table, names: tuple[str, ...]) -> Delete:
    return delete(table).where(and_(*(table.c[name] == bindparam(f"_{name}") for name in ("workshop", *names))))
