"""The ledger's answers from the tables: traced cost after a write, and one lot's cost, each beside its floor.

``python -m tests.benchmarks ledger_answer``. The rows of a drawn ledger are put into the tables as they are; then runs
are written through the service. The floor of the traced cost is one sparse triangular solve of the same graph, that of
one lot's cost and ancestry the rows of its ancestors, read by the bare driver in one recursive query.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from contextlib import closing
from functools import partial
from typing import Any, Final

import numpy as np
from sqlalchemy import insert, text

from service.analytics.money.ledger import Kind, Ledger
from service.analytics.money.traced import events_behind
from service.answer.book import Book
from service.answer.ledger import traced_ledger
from service.answer.lot_ancestry import ancestry_of
from service.answer.lot_cost import lot_cost_of
from service.answer.snapshot import Memory
from service.record.put import put_record
from service.store.balances import GIGA
from service.store.session import Database, open_database
from service.store.tables import balances, entries, lots, outcomes, runs
from tests.benchmarks.books import AT, Workshop, new_workshop
from tests.benchmarks.databases import kind_of
from tests.benchmarks.ledger import LOTS, drawn_columns, ledger_from_drawn, solve_of
from tests.benchmarks.measure import Row, in_turn, once
from tests.benchmarks.yields_floor import connected

AT_MOST_TRACED: Final = 25.0
AT_MOST_LOT: Final = 3.0
ASKED_ANCESTORS: Final = (30, 300, 3000)
"""About so many lots stand behind those that are asked about."""
_MANY: Final = 5_000
_FLOOR: Final = """
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


def rows(url: str, *, ledger_lots: int = LOTS, calls: int = 9) -> list[Row]:
    """Measure on one database."""
    with closing(open_database(url)) as database:
        columns = drawn_columns(ledger_lots)
        ledger = ledger_from_drawn(columns)
        workshop = filled(database, columns)
        return [*_traced(database, workshop, ledger, calls), *_of_lots(url, database, workshop, ledger, calls)]


def _traced(database: Database, workshop: Workshop, ledger: Ledger, calls: int) -> list[Row]:
    memory, solve = Memory(), solve_of(ledger)

    def asked(_: int) -> None:
        with database.reading(workshop.id) as reading:
            traced_ledger(Book(reading, memory), "EUR")

    size = f"{len(ledger.lots):,} lots, {len(ledger.take_lot):,} charges, {database.dialect}"
    cold = once(lambda: asked(0))
    after, floor = in_turn(calls, [asked, lambda _: solve()], before=lambda number: _write(database, workshop, number))
    return [
        Row(f"traced cost of every lot, after a write: {size}", after, floor, AT_MOST_TRACED),
        Row(f"the same, cold: {size}", cold, floor),
    ]


def _of_lots(url: str, database: Database, workshop: Workshop, ledger: Ledger, calls: int) -> list[Row]:
    found, memory = [], Memory()
    with database.reading(workshop.id) as reading:
        traced_ledger(Book(reading, memory), "EUR")
    with closing(connected(url)) as connection:
        for lot, count in _asked(ledger):
            floor_text = _FLOOR.format(workshop=workshop.id, lot=lot)

            def floor(_: int, query: str = floor_text) -> None:
                connection.execute(query).fetchall()
                connection.rollback()

            actions = [
                partial(_ask, database, workshop, answer, lot, held)
                for answer in (lot_cost_of, ancestry_of)
                for held in (None, memory)
            ]
            *costs, least = in_turn(calls, [*actions, floor])
            of = f"of a lot with {count:,} runs and lots behind it, {kind_of(url)}"
            for what, cost in zip(("cost", "cost, warm", "ancestry", "ancestry, warm"), costs, strict=True):
                found.append(Row(f"{what} {of}", cost, least, AT_MOST_LOT))
    return found


def _ask(
    database: Database, workshop: Workshop, answer: Callable[..., Any], lot: str, held: Memory | None, _: int
) -> None:
    """Ask about one lot, of a process that holds the traced ledger or of one that holds nothing."""
    with database.reading(workshop.id) as reading:
        answer(Book(reading, held or Memory()), lot, as_of=AT.date(), currency="EUR")


def _asked(ledger: Ledger) -> Iterator[tuple[str, int]]:
    """Give a lot for each size that is asked, with how many lots stand behind it."""
    sizes = [(lot, len(events_behind(ledger, [lot]))) for lot in ledger.order.lots[:: max(len(ledger.lots) // 200, 1)]]
    for wanted in ASKED_ANCESTORS:
        lot, count = min(sizes, key=lambda each: abs(each[1] - wanted))
        yield f"l{lot}", count


def _write(database: Database, workshop: Workshop, number: int) -> None:
    """A run like any other, the newest of the book."""
    body = {
        "route": "mill",
        "step": "mill",
        "status": "finished",
        "started_on": "2026-06-01",
        "finished_on": "2026-06-02",
        "charges": [{"lot": f"l{lot}", "amount": "1.25 g"} for lot in range(number % 50, number % 50 + 4)],
        "outturns": [{"material": "powder", "lot": f"new-{number}", "net": "3.10 g"}],
    }
    put_record(database, workshop.id, "runs", f"new-{number}", body, if_match=None, by="bench", at=AT)


def filled(database: Database, columns: dict[str, Any]) -> Workshop:
    """Put the rows of a drawn ledger into the tables of a new workshop, beside the records that they name."""
    workshop = new_workshop(database)
    for code in ("grain", "powder"):
        put_record(database, workshop.id, "materials", code, {"name": code}, if_match=None, by="bench", at=AT)
    step = {"code": "mill", "name": "mill", "basis": "mass-ratio", "key_input": "grain", "product": "powder"}
    route = {"name": "mill", "product": "powder", "steps": [step]}
    put_record(database, workshop.id, "routes", "mill", route, if_match=None, by="bench", at=AT)
    with database.writing(workshop.id, "bench", AT) as writing:
        stamp = {"workshop": workshop.id, "state": writing.state}
        for table, drawn in zip((runs, lots, outcomes, entries, balances), _tables(columns), strict=True):
            stamped = [{**row, **stamp} for row in drawn]
            for start in range(0, len(stamped), _MANY):
                writing.connection.execute(insert(table), stamped[start : start + _MANY])
    if database.dialect == "postgresql":
        with database.administering() as connection:
            connection.execute(text("ANALYZE"))
    return workshop


def _tables(columns: dict[str, Any]) -> tuple[list[dict[str, Any]], ...]:
    """Rows of runs, lots, outcomes, lines and balances; the drawn days end before those of the written runs."""
    bought = columns["kind"] == Kind.PURCHASE
    shift = dt.date(2026, 1, 1).toordinal() - int(columns["ended"].max())
    days = [dt.date.fromordinal(int(day) + shift).isoformat() for day in columns["begun"]]
    made, sources = columns["made_by"].tolist(), ["lots" if one else "runs" for one in bought]
    status = ["failed" if kind == Kind.FAILED else "finished" for kind in columns["kind"]]
    of_runs, of_outcomes = [], []
    for event in np.flatnonzero(~bought).tolist():
        common = {"route": "mill", "step": "mill", "status": status[event], "project": None, "operator": "m1"}
        common |= {"started_on": days[event], "finished_on": days[event], "excluded": 0}
        of_runs.append({"code": f"e{event}", "revision": 1, "route_revision": 1, **common})
        nothing = dict.fromkeys(column.name for column in outcomes.columns if column.nullable)
        keys = {"run": f"e{event}", "pooled_as": "mill", "basis": "mass-ratio", "detail": "{}"}
        of_outcomes.append({**nothing, **keys, **common, "batch_g": 1.0, "dry_g": 1.0, "contained_g": 1.0})
    of_lots, lines = [], []
    blank = dict.fromkeys(column.name for column in entries.columns if column.nullable)
    blank_lot = dict.fromkeys(column.name for column in lots.columns if column.nullable) | {"recounts": 0}
    place: dict[int, int] = {}
    for lot, (event, quantity) in enumerate(zip(made, columns["quantity"].tolist(), strict=True)):
        code = f"l{lot}" if bought[event] else f"e{event}"
        of = {"material": "grain" if bought[event] else "powder", "dimension": "mass"}
        source = {"source_kind": sources[event], "source_code": code}
        of_lots.append({**blank_lot, **of, **source, "code": f"l{lot}", "amount": quantity, "strength": "{}",
                        "revision": 1 if bought[event] else None, "origin": "bought" if bought[event] else "made",
                        "received_on": days[event]})  # fmt: skip
        line = {**blank, **of, **source, "lot": f"l{lot}", "on": days[event], "quantity": quantity}
        if bought[event]:
            worth = int(columns["cost"][event])
            lines.append({**line, "kind": "opening", "line": 0, "price_micro": worth, "currency": "EUR"})
        else:
            place[event] = place.get(event, -1) + 1
            lines.append({**line, "kind": "outturn", "line": place[event], "role": "product"})
    takes = zip(*(columns[name].tolist() for name in ("take_event", "take_lot", "take_quantity")), strict=True)
    for number, (event, lot, quantity) in enumerate(takes):
        of = {"material": "grain" if bought[made[lot]] else "powder", "dimension": "mass", "lot": f"l{lot}"}
        source = {"source_kind": "runs", "source_code": f"e{event}", "kind": "charge", "line": number}
        lines.append({**blank, **of, **source, "on": days[event], "quantity": -quantity})
    left: dict[str, int] = {}
    for line in lines:
        left[line["lot"]] = left.get(line["lot"], 0) + line["quantity"]
    of_balances = [
        {"lot": lot, "giga": quantity // GIGA, "rest": quantity % GIGA, "unknown": 0} for lot, quantity in left.items()
    ]
    return of_runs, of_lots, of_outcomes, lines, of_balances
