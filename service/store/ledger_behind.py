"""What stands behind a lot, what was taken of it and made of it: statements of the ledger that are written out.

SQLite without statistics must be told the order of joins and the index, else it would go through the whole workshop;
and each asks for rows of several kinds at once, since a server is asked over a network.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cache
from operator import itemgetter
from typing import Any, Final, Literal

from sqlalchemy import TextClause, text

from service.store.ledger_lines import MAKING, Line, LotRow, RunRow, Source, Taken

_LOT: Final = "lot"
_RUN: Final = "run"
_PLACES: Final = (*Line._fields, "text", "real")
"""Rows of three kinds come out of one statement, in the places of a line and two more."""
_IN_PLACES: Final = {
    # What stands in each place where the row is a lot or a run: numbers where a line has numbers, texts where texts.
    _LOT: {
        "lot": "code", "material": "material", "dimension": "dimension", "currency": "strength", "role": "project",
        "on": "received_on", "waste_class": "expires_on", "text": "origin", "source_kind": "source_kind",
        "source_code": "source_code", "quantity": "amount",
    },
    _RUN: {
        "source_code": "run", "lot": "route", "material": "step", "quantity": "route_revision", "dimension": "status",
        "on": "started_on", "currency": "finished_on", "role": "operator", "waste_class": "project",
        "real": "contained_g",
    },
}  # fmt: skip


def _taken_from(which: str, fields: tuple[str, ...]) -> Callable[[tuple[Any, ...]], tuple[Any, ...]]:
    places = {field: _PLACES.index(place) for place, field in _IN_PLACES[which].items()}
    return itemgetter(*(places[field] for field in fields))


_lot_in, _run_in = _taken_from(_LOT, LotRow._fields), _taken_from(_RUN, RunRow._fields)


def sorted_out(rows: Iterable[tuple[Any, ...]]) -> tuple[dict[Source, list[Line]], list[LotRow], list[RunRow]]:
    """Return the rows of :func:`behind_statement` as lines by their source, in order within it, lots and runs."""
    lines: dict[Source, list[Line]] = {}
    made: list[LotRow] = []
    of_runs: list[RunRow] = []
    for row in rows:
        if row[2] == _LOT:
            made.append(LotRow._make(_lot_in(row)))
        elif row[2] == _RUN:
            of_runs.append(RunRow._make(_run_in(row)))
        elif (source := row[:2]) in lines:
            lines[source].append(Line._make(row[:_WIDTH]))
        else:
            lines[source] = [Line._make(row[:_WIDTH])]
    for several in lines.values():
        several.sort()
    return lines, made, of_runs


_WIDTH: Final = len(Line._fields)


def _arm(which: str, tables: dict[str, tuple[str, ...]], beside: dict[str, str]) -> str:
    """The columns of a kind of row in their places; NULL is typed by the first arm, which has all but one of them."""
    of = {field: table for table, fields in tables.items() for field in fields}
    held = _IN_PLACES.get(which, {name: name for name in Line._fields})
    return ", ".join(
        beside.get(place) or (f'{of[held[place]]}."{held[place]}"' if place in held else "NULL") for place in _PLACES
    )


_TYPED: Final = {"text": "CAST(NULL AS TEXT)", "real": "CAST(NULL AS DOUBLE PRECISION)"}
_LINES, _OF_TAKES = (_arm("line", {table: Line._fields}, _TYPED) for table in ("e", "takes"))
_LOTS: Final = _arm(_LOT, {"l": LotRow._fields}, {"kind": f"'{_LOT}'"})
_RUNS: Final = _arm(
    _RUN,
    {"o": tuple(name for name in RunRow._fields if name != "route_revision"), "r": ("route_revision",)},
    {"kind": f"'{_RUN}'", "source_kind": "src.kind"},
)
_FIRST: Final = {
    "lots": "SELECT source_kind, source_code FROM lots WHERE workshop = :workshop AND code {among}",
    "runs": "SELECT source_kind, source_code FROM entries WHERE workshop = :workshop AND source_kind = 'runs'"
    " AND source_code {among}",
}
_GIVEN: Final = {
    "sqlite": "SELECT json_extract(value, '$[0]'), json_extract(value, '$[1]') FROM json_each(:sources)",
    "postgresql": 'SELECT (value ->> 0) COLLATE "C", (value ->> 1) COLLATE "C"'
    " FROM jsonb_array_elements(CAST(:sources AS jsonb)) AS given(value)",
}
_FURTHER: Final = """
  UNION
  SELECT made.source_kind, made.source_code FROM src CROSS JOIN entries e CROSS JOIN lots made
  WHERE e.workshop = :workshop AND e.source_kind = src.kind AND e.source_code = src.code
    AND e.kind IN ('charge', 'pool-in') AND made.workshop = :workshop AND made.code = e.lot
"""
_BEHIND: Final = """
WITH RECURSIVE src(kind, code) AS ({first}{further})
SELECT {lines} FROM src CROSS JOIN entries e
WHERE e.workshop = :workshop AND e.source_kind = src.kind AND e.source_code = src.code
UNION ALL
SELECT {lots} FROM src CROSS JOIN lots l{by_source}
WHERE l.workshop = :workshop AND l.source_kind = src.kind AND l.source_code = src.code
UNION ALL
SELECT {runs} FROM src CROSS JOIN outcomes o CROSS JOIN runs r
WHERE src.kind = 'runs' AND o.workshop = :workshop AND o.run = src.code AND r.workshop = :workshop AND r.code = src.code
"""
_TAKES: Final = """
WITH takes AS (
  SELECT {all} FROM {asked}entries e{by_lot}
  WHERE e.workshop = :workshop AND e.lot {equal} AND e.kind NOT IN ({making}) ORDER BY e.lot LIMIT :most),
src(kind, code) AS (SELECT DISTINCT source_kind, source_code FROM takes)
SELECT {of_takes} FROM takes
UNION ALL
SELECT {lots} FROM src CROSS JOIN lots l{by_source}
WHERE l.workshop = :workshop AND l.source_kind = src.kind AND l.source_code = src.code
"""
_MADE_BY: Final = """
WITH src(kind, code) AS ({given})
SELECT l.code FROM src CROSS JOIN lots l{by_source}
WHERE l.workshop = :workshop AND l.source_kind = src.kind AND l.source_code = src.code
"""
_MADE_OF: Final = """
SELECT DISTINCT l.code FROM {asked}entries e{by_lot} CROSS JOIN lots l{by_source}
WHERE e.workshop = :workshop AND e.lot {equal} AND e.kind IN ('charge', 'pool-in')
  AND l.workshop = :workshop AND l.source_kind = e.source_kind AND l.source_code = e.source_code
"""
_AMOUNTS: Final = """
SELECT {taken} FROM {asked}entries e{by_lot}
WHERE e.workshop = :workshop AND e.lot {equal} AND e.kind NOT IN ({making})
  AND (e."on" IS NULL OR e."on" <= :last AND e."on" {on_days})
UNION ALL
SELECT e.lot, '', e."on", e."on", sum(e.quantity / 1000000000) * 1000000000 + sum(e.quantity % 1000000000)
FROM {asked}entries e{by_lot}
WHERE e.workshop = :workshop AND e.lot {equal} AND e.kind NOT IN ({making}) AND e."on" <= :last AND NOT e."on" {on_days}
GROUP BY e.lot, e."on"
"""


@cache
def behind_statement(of: Literal["lots", "runs", "sources"], dialect: str) -> TextClause:
    """The lines, lots and runs of some ``sources``, or of all that stand behind some ``lots`` or ``runs``.

    ``codes`` are as :func:`service.store.rows.code_list` makes them, ``sources`` pairs of kind and code in JSON.
    """
    further = "" if of == "sources" else _FURTHER
    first = "{given}" if of == "sources" else _FIRST[of]
    return _written(_BEHIND, dialect, first=first.format(**_words(dialect)), further=further)


@cache
def takes_statement(dialect: str) -> TextClause:
    """The lines by which something was taken of some lots, or counted, and the lots that their records made."""
    return _written(_TAKES, dialect)


@cache
def made_by_statement(dialect: str) -> TextClause:
    """The lots that some ``sources`` made, given as to :func:`behind_statement`."""
    return _written(_MADE_BY, dialect)


@cache
def made_of_statement(dialect: str) -> TextClause:
    """The lots that were made of some lots, without what lies between."""
    return _written(_MADE_OF, dialect)


@cache
def amounts_statement(dialect: str) -> TextClause:
    """How much every line took of some lots, but for those of days after the ``last``; of days that are not among
    ``days`` all of a lot and day together, which then has no source."""
    return _written(_AMOUNTS, dialect)


def _written(statement: str, dialect: str, **parts: str) -> TextClause:
    return text(statement.format(**_words(dialect), **parts).strip())


def _words(dialect: str) -> dict[str, str]:
    """What a statement says otherwise on either database, and the columns that all of them name."""
    lite = dialect == "sqlite"
    return {
        "given": _GIVEN[dialect],
        "among": "IN (SELECT value FROM json_each(:codes))" if lite else "= ANY(:codes)",
        "on_days": "IN (SELECT value FROM json_each(:days))" if lite else "= ANY(:days)",
        "asked": "json_each(:codes) asked CROSS JOIN " if lite else "",
        "equal": "= asked.value" if lite else "= ANY(:codes)",
        "by_lot": " INDEXED BY ix_entries_workshop_lot" if lite else "",
        "by_source": " INDEXED BY ix_lots_workshop_source" if lite else "",
        "making": ", ".join(f"'{kind}'" for kind in MAKING),
        "all": ", ".join(f'e."{name}"' for name in Line._fields),
        "taken": ", ".join(f'e."{name}"' for name in Taken._fields),
        "lines": _LINES,
        "of_takes": _OF_TAKES,
        "lots": _LOTS,
        "runs": _RUNS,
    }
