"""One lot's cost and ancestry from the tables, of a process that holds nothing and of one that holds the whole ledger.

``python -m tests.benchmarks lot_answer``. The floor reads the rows that the cost is made of by the bare driver: the
lines of all ancestors, which are found on the way, the lots that their records made, their runs, and what others took
of the same lots until then, without which no take is known to the millionth. The first row of each size tells what
these rows take beside the ancestors' own lots and lines alone. An ancestry says besides what was made of the lot, which
neither floor reads.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import closing
from functools import partial
from typing import Any, Final

from service.analytics.money.ledger import Ledger
from service.analytics.money.traced import events_behind
from service.answer.book import Book
from service.answer.ledger import traced_ledger
from service.answer.lot_ancestry import ancestry_of
from service.answer.lot_cost import lot_cost_of
from service.answer.snapshot import Memory
from service.store.session import Database, open_database
from tests.benchmarks.books import AT, Workshop
from tests.benchmarks.databases import kind_of
from tests.benchmarks.ledger import drawn_columns, ledger_from_drawn
from tests.benchmarks.ledger_answer import filled
from tests.benchmarks.measure import Row, in_turn
from tests.benchmarks.yields_floor import connected

AT_MOST: Final = 3.0
LOTS: Final = 20_000
ASKED_ANCESTORS: Final = (30, 300, 2000)
"""About so many lots stand behind those that are asked about."""

_UP: Final = """
WITH RECURSIVE up(code) AS (
  SELECT code FROM lots WHERE workshop = {workshop} AND code = '{lot}'
  UNION
  SELECT e.lot FROM up
    JOIN lots m ON m.workshop = {workshop} AND m.code = up.code
    JOIN entries e ON e.workshop = m.workshop AND e.source_kind = m.source_kind AND e.source_code = m.source_code
  WHERE e.kind IN ('charge', 'pool-in'))
SELECT l.code, l.material, l.dimension, l.strength, l.received_on, e.*
FROM up CROSS JOIN lots l
  JOIN entries e ON e.workshop = l.workshop AND e.source_kind = l.source_kind AND e.source_code = l.source_code
WHERE l.workshop = {workshop} AND l.code = up.code
"""
_BEHIND: Final = """
WITH RECURSIVE src(kind, code) AS (
  SELECT source_kind, source_code FROM lots WHERE workshop = {workshop} AND code = '{lot}'
  UNION
  SELECT m.source_kind, m.source_code FROM src CROSS JOIN entries e CROSS JOIN lots m
  WHERE e.workshop = {workshop} AND e.source_kind = src.kind AND e.source_code = src.code
    AND e.kind IN ('charge', 'pool-in') AND m.workshop = {workshop} AND m.code = e.lot)
SELECT e.source_kind, e.source_code, e.kind, e.lot, e.material, e."on", e.dimension, e.currency, e.role, e.quantity,
  e.price_micro, e.cost_share_micro, e.credit_micro
FROM src CROSS JOIN entries e
WHERE e.workshop = {workshop} AND e.source_kind = src.kind AND e.source_code = src.code
UNION ALL
SELECT l.source_kind, l.source_code, 'lot', l.code, l.material, l.received_on, l.dimension, l.strength, NULL, l.amount,
  NULL, NULL, NULL
FROM src CROSS JOIN lots l{by_source}
WHERE l.workshop = {workshop} AND l.source_kind = src.kind AND l.source_code = src.code
UNION ALL
SELECT r.route, r.step, 'run', r.code, NULL, r.started_on, r.status, r.finished_on, NULL, r.route_revision,
  NULL, NULL, NULL
FROM src CROSS JOIN runs r
WHERE src.kind = 'runs' AND r.workshop = {workshop} AND r.code = src.code
"""
_TAKEN: Final = {
    "SQLite": """
SELECT e.lot, e.source_kind, e.source_code, e."on", e.quantity
FROM json_each(?) asked CROSS JOIN entries e INDEXED BY ix_entries_workshop_lot
WHERE e.workshop = ? AND e.lot = asked.value AND e.kind NOT IN ('opening', 'purchase', 'outturn', 'pool-out')
  AND (e."on" IS NULL OR e."on" <= ?)""",
    "PostgreSQL": """
SELECT e.lot, e.source_kind, e.source_code, e."on", e.quantity FROM entries e
WHERE e.lot = ANY(%s) AND e.workshop = %s AND e.kind NOT IN ('opening', 'purchase', 'outturn', 'pool-out')
  AND (e."on" IS NULL OR e."on" <= %s)""",
}


def rows(url: str, *, ledger_lots: int = LOTS, calls: int = 15) -> list[Row]:
    """Measure on one database."""
    columns, memory, found = drawn_columns(ledger_lots), Memory(), []
    ledger = ledger_from_drawn(columns)
    with closing(open_database(url)) as database, closing(connected(url)) as connection:
        workshop = filled(database, columns)
        with database.reading(workshop.id) as reading:
            traced_ledger(Book(reading, memory), "EUR")
        for lot, count in _asked(ledger):
            actions = [
                partial(_ask, database, workshop, answer, lot, held)
                for answer in (lot_cost_of, ancestry_of)
                for held in (None, memory)
            ]
            by_source = " INDEXED BY ix_lots_workshop_source" if database.dialect == "sqlite" else ""
            parts = {"workshop": workshop.id, "lot": lot, "by_source": by_source}
            floors = [partial(_floor, connection, url, parts), partial(_ancestors, connection, parts)]
            *costs, floor, ancestors = in_turn(calls, [*actions, *floors])
            of = f"a lot with {count:,} runs and lots behind it, {kind_of(url)}"
            found.append(Row(f"{of}: all rows, beside its ancestors' alone", floor, ancestors))
            said = ("cost", "cost, warm", "ancestry", "ancestry, warm")
            found += [Row(f"{of}: {what}", cost, floor, AT_MOST) for what, cost in zip(said, costs, strict=True)]
    return found


def _ask(
    database: Database, workshop: Workshop, answer: Callable[..., Any], lot: str, held: Memory | None, _: int
) -> None:
    """Ask about one lot, of a process that holds the traced ledger or of one that holds nothing."""
    with database.reading(workshop.id) as reading:
        answer(Book(reading, held or Memory()), lot, as_of=AT.date(), currency="EUR")


def _floor(connection: Any, url: str, parts: dict[str, Any], _: int) -> None:
    lines = connection.execute(_BEHIND.format(**parts)).fetchall()
    taken, last = {line[3] for line in lines if line[2] == "charge"}, max(line[5] for line in lines)
    codes = json.dumps(list(taken)) if kind_of(url) == "SQLite" else list(taken)
    connection.execute(_TAKEN[kind_of(url)], (codes, parts["workshop"], last)).fetchall()
    connection.rollback()


def _ancestors(connection: Any, parts: dict[str, Any], _: int) -> None:
    connection.execute(_UP.format(**parts)).fetchall()
    connection.rollback()


def _asked(ledger: Ledger) -> Iterator[tuple[str, int]]:
    """Give a lot for each size that is asked, with how many runs and lots stand behind it."""
    sizes = [(lot, len(events_behind(ledger, [lot]))) for lot in ledger.order.lots[:: max(len(ledger.lots) // 200, 1)]]
    for wanted in ASKED_ANCESTORS:
        lot, count = min(sizes, key=lambda each: abs(each[1] - wanted))
        yield f"l{lot}", count
