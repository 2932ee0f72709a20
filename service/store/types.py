"""The four types of column, the same on both databases, and the small words that every table shares.

SQLite's STRICT tables know INTEGER, REAL and TEXT; PostgreSQL gets BIGINT, DOUBLE PRECISION and TEXT in the collation
"C", so that both sort text by its bytes. Dates are ISO 8601 text, times the same in UTC: they sort as they follow.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from functools import cache
from typing import Any

from sqlalchemy import BigInteger, Column, Double, ForeignKeyConstraint, Index, MetaData, Table, Text
from sqlalchemy.dialects import sqlite
from sqlalchemy.schema import SchemaItem

TEXT = Text(collation="C").with_variant(Text(), "sqlite")
INTEGER = BigInteger().with_variant(sqlite.INTEGER(), "sqlite")
REAL: Double[float] = Double().with_variant(sqlite.REAL(), "sqlite")

metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
    }
)


def text(name: str, *, primary_key: bool = False, nullable: bool = False) -> Column[Any]:
    """A column of text."""
    return Column(name, TEXT, primary_key=primary_key, nullable=nullable)


def integer(name: str, *, primary_key: bool = False, nullable: bool = False) -> Column[Any]:
    """A column of 64-bit integers."""
    return Column(name, INTEGER, primary_key=primary_key, nullable=nullable, autoincrement=False)


def real(name: str) -> Column[Any]:
    """A column of doubles; unknown is NULL."""
    return Column(name, REAL, nullable=True)


def workshop_table(name: str, *items: SchemaItem, by_state: bool = True) -> Table:
    """A table whose rows belong to a workshop and carry the state that last wrote them, indexed by it.

    ``by_state`` is False where nobody asks which rows are newer than a state.
    """
    return Table(
        name,
        metadata,
        integer("workshop", primary_key=True),
        *items,
        integer("state"),
        ForeignKeyConstraint(["workshop"], ["workshops.id"]),
        *([Index(f"ix_{name}_workshop_state", "workshop", "state")] if by_state else []),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )


def refers(column: str, table: str) -> ForeignKeyConstraint:
    """``column`` is the code of a row of ``table`` in the same workshop."""
    return ForeignKeyConstraint(["workshop", column], [f"{table}.workshop", f"{table}.code"])


def iso(day: dt.date | None) -> str | None:
    """A day as the tables keep it."""
    return None if day is None else day.isoformat()


def iso_time(at: dt.datetime) -> str:
    """A time as the tables keep it: UTC, to the microsecond, of one length."""
    if at.tzinfo is None:
        raise ValueError("a time without a zone says nothing: give it in UTC")
    return at.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


@cache
def _doubles(table: Table) -> tuple[str, ...]:
    return tuple(column.name for column in table.columns if column.type is REAL)


def finite(table: Table, row: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the row unless a number in it is not finite: no CHECK of PostgreSQL
    sees a NaN, and SQLite makes it NULL."""
    for name in _doubles(table):
        if (value := row.get(name)) is not None and not math.isfinite(value):
            raise ValueError(f"{name} is {value}: unknown is None")
    return row
