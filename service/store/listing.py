"""Lists of records: filtered, sorted and taken page by page over the typed tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final, Literal

from sqlalchemy import Column, ColumnElement, Select, and_, false, func, or_, select

from service.store.records import StoredRecord, many
from service.store.rows import of_workshop
from service.store.session import Reading
from service.store.tables import KINDS

ColumnType = Literal["text", "date", "flag"]
Filters = Mapping[str, Sequence[str]]
"""Name of a filter to the values that it may take: a column, or of a date column ``<name>_from`` and ``<name>_to``."""

LISTED: Final[Mapping[str, Mapping[str, ColumnType]]] = MappingProxyType(
    {
        "projects": {"code": "text", "name": "text"},
        "materials": {
            "code": "text", "name": "text", "phase": "text", "cas": "text", "analyte": "text", "solvent": "flag",
        },
        "suppliers": {"code": "text", "name": "text"},
        "exchange-rates": {"code": "text", "base": "text", "quote": "text", "valid_from": "date"},
        "rates": {"code": "text", "of": "text", "class": "text", "valid_from": "date"},
        "offers": {
            "code": "text", "material": "text", "supplier": "text", "currency": "text",
            "valid_from": "date", "valid_to": "date",
        },
        "purchases": {"code": "text", "supplier": "text", "bought_on": "date", "received_on": "date"},
        "lots": {
            "code": "text", "material": "text", "supplier": "text", "project": "text", "origin": "text",
            "received_on": "date", "expires_on": "date",
        },
        "routes": {"code": "text", "name": "text", "product": "text"},
        "pools": {"code": "text", "lot": "text", "project": "text", "made_on": "date"},
        "runs": {
            "code": "text", "route": "text", "step": "text", "status": "text", "project": "text", "operator": "text",
            "started_on": "date", "finished_on": "date", "excluded": "flag",
        },
        "stock-entries": {
            "code": "text", "lot": "text", "kind": "text", "on": "date", "reverses": "text", "operator": "text",
            "project": "text",
        },
        "finding-replies": {
            "code": "text", "finding": "text", "kind": "text", "record": "text", "answer": "text", "operator": "text",
        },
    }
)  # fmt: skip
"""The columns by which each kind can be filtered and sorted, and what is in them; a flag is ``true`` or ``false``."""


@dataclass(frozen=True, slots=True)
class Page:
    """Some records of a list, and where the next page starts: None where this is the last."""

    records: tuple[StoredRecord, ...]
    after: tuple[str | int, ...] | None


def filters_of(kind: str) -> dict[str, ColumnType]:
    """The names of the filters of a kind, and what their values are.

    >>> filters_of("pools")
    {'code': 'text', 'lot': 'text', 'project': 'text', 'made_on': 'date', 'made_on_from': 'date', 'made_on_to': 'date'}
    """
    found = dict(LISTED[kind])
    for name, what in LISTED[kind].items():
        if what == "date":
            found |= {f"{name}_from": "date", f"{name}_to": "date"}
    return found


def page(
    reading: Reading,
    kind: str,
    filters: Filters,
    sort: Sequence[tuple[str, bool]],
    after: Sequence[str | int] | None,
    limit: int,
) -> Page:
    """One page of the records of a kind; of lots, whichever record they were written through.

    ``filters`` and the columns of ``sort`` are among those of :func:`filters_of` and :data:`LISTED`, else KeyError;
    ``sort`` pairs a column with whether it descends, the code decides last; unknown values come first, as the empty
    text. ``after`` is what the page before ended with, ``limit`` how many records to give.
    """
    table = KINDS[kind]
    order = [*sort, ("code", False)] if all(name != "code" for name, _ in sort) else list(sort)
    keys = [_sortable(kind, name) for name, _ in order]
    statement = _matching(reading, kind, select(table.c.code, *keys), filters)
    if after is not None:
        statement = statement.where(_beyond(keys, [descends for _, descends in order], after))
    statement = statement.order_by(
        *(key.desc() if descends else key.asc() for key, (_, descends) in zip(keys, order, strict=True))
    )
    rows = reading.connection.execute(statement.limit(limit + 1)).all()
    codes = [row[0] for row in rows[:limit]]
    last = tuple(rows[limit - 1][1:]) if len(rows) > limit else None
    return Page(tuple(_records(reading, kind, codes)), last)


def count(reading: Reading, kind: str, filters: Filters) -> int:
    """How many records of a kind pass the filters."""
    statement = _matching(reading, kind, select(func.count()).select_from(KINDS[kind]), filters)
    return int(reading.connection.scalar(statement) or 0)


def _matching(reading: Reading, kind: str, statement: Select[Any], filters: Filters) -> Select[Any]:
    table = KINDS[kind]
    return statement.where(of_workshop(reading, table), *(_passes(kind, *item) for item in filters.items()))


def _passes(kind: str, name: str, values: Sequence[str]) -> ColumnElement[bool]:
    columns, listed = KINDS[kind].c, LISTED[kind]
    if name in listed:
        if listed[name] == "flag":
            return columns[name].in_([int(value == "true") for value in values])
        return columns[name].in_(list(values))
    stem, _, end = name.rpartition("_")
    if listed.get(stem) != "date" or end not in ("from", "to"):
        raise KeyError(name)
    column = columns[stem]
    return and_(*(column >= value if end == "from" else column <= value for value in values))


def _sortable(kind: str, name: str) -> ColumnElement[Any]:
    """A column with unknown values as empty text: the two databases put NULL at different ends."""
    if name not in LISTED[kind]:
        raise KeyError(name)
    column: Column[Any] = KINDS[kind].c[name]
    return func.coalesce(column, "") if column.nullable else column


def _beyond(
    keys: Sequence[ColumnElement[Any]], descending: Sequence[bool], after: Sequence[Any]
) -> ColumnElement[bool]:
    """The condition of coming after a place in the order of ``keys``."""
    condition: ColumnElement[bool] = false()
    for key, descends, value in reversed(list(zip(keys, descending, after, strict=True))):
        further = key < value if descends else key > value
        condition = or_(further, and_(key == value, condition))
    return condition


def _records(reading: Reading, kind: str, codes: Sequence[str]) -> list[StoredRecord]:
    found = {record.code: record for record in many(reading, kind, codes)}
    if kind == "lots":
        found |= _made_lots(reading, [code for code in codes if code not in found])
    return [found[code] for code in codes]


def _made_lots(reading: Reading, codes: Sequence[str]) -> dict[str, StoredRecord]:
    """Lots that runs, pools and purchases make, dated by the record through which they were written."""
    lots = KINDS["lots"].c
    statement = select(lots.code, lots.source_kind, lots.source_code).where(
        lots.workshop == reading.workshop_id, lots.code.in_(codes)
    )
    sources = {row.code: (row.source_kind, row.source_code) for row in reading.connection.execute(statement)}
    found: dict[str, StoredRecord] = {}
    for kind in ("runs", "pools", "purchases"):
        through = {code for source, code in sources.values() if source == kind}
        records = {record.code: record for record in many(reading, kind, through)}
        for code, source in sources.items():
            if source[0] == kind:
                made = records[source[1]]
                found[code] = StoredRecord("lots", code, made.revision, made.state, "", made.at, made.by, source=source)
    return found
