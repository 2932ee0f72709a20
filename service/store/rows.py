"""Rows in and out: insert or overwrite by key, remove by key, and the chunks that keep a statement short."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from functools import cache
from itertools import islice
from typing import Any, Final

from sqlalchemy import ColumnElement, Delete, Table, Text, and_, any_, bindparam, column, delete, func, select
from sqlalchemy.dialects.postgresql import ARRAY

from service.store.session import Reading, Writing
from service.store.types import finite

MOST_CODES: Final = 500
"""Codes that one statement names."""


def upsert(writing: Writing, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert rows, or overwrite those that have the same key; each gets the workshop and the state of the write."""
    stamp = {"workshop": writing.workshop_id, "state": writing.state}
    for row in rows:
        writing.put(table, {**finite(table, row), **stamp})


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


def among(code: ColumnElement[Any], name: str, dialect: str) -> ColumnElement[bool]:
    """The condition that ``code`` is among those of the parameter ``name``, which :func:`code_list` makes.

    The statement has the same text for any number of codes, so it is put together and prepared once.
    """
    if dialect == "postgresql":
        return code == any_(bindparam(name, type_=ARRAY(Text())))
    each = func.json_each(bindparam(name, type_=Text())).table_valued(column("value", Text()))
    return code.in_(select(each.c.value))


def code_list(reading: Reading, codes: Iterable[str]) -> Any:
    """Codes as the parameter that :func:`among` compares with."""
    several = sorted(set(codes))
    return several if reading.dialect == "postgresql" else json.dumps(several)


def chunks(codes: Collection[str] | None) -> Iterator[list[str] | None]:
    """The distinct codes in sorted groups that one statement can name; None, which means all, is one group."""
    if codes is None:
        yield None
        return
    rest: Iterable[str] = iter(sorted(set(codes)))
    while chunk := list(islice(rest, MOST_CODES)):
        yield chunk


@cache
def _delete(table: Table, names: tuple[str, ...]) -> Delete:
    return delete(table).where(and_(*(table.c[name] == bindparam(f"_{name}") for name in ("workshop", *names))))
