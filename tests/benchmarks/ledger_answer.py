"""The whole ledger from the tables: traced cost after a write, after a changed rate and in a new process.

``python -m tests.benchmarks ledger_answer``. The rows of a drawn ledger are put into the tables as they are; then runs
are written through the service. The floor of the traced cost is one sparse triangular solve of the same graph, that of
the first answer of a process the rows that it is made of, read by the bare driver. One lot's cost: ``lot_answer``.
"""

from __future__ import annotations

import datetime as dt
from contextlib import closing
from typing import Any, Final

import numpy as np
from sqlalchemy import insert, text

from service.analytics.money.ledger import Kind, Ledger
from service.answer.book import Book
from service.answer.ledger import traced_ledger
from service.answer.snapshot import Memory
from service.record.put import put_record
from service.store.balances import GIGA
from service.store.session import Database, open_database
from service.store.tables import balances, entries, lots, outcomes, runs
from tests.benchmarks.books import AT, Workshop, new_workshop
from tests.benchmarks.ledger import LOTS, drawn_columns, ledger_from_drawn, solve_of
from tests.benchmarks.measure import Row, in_turn, once
from tests.benchmarks.yields_floor import connected

AT_MOST_TRACED: Final = 25.0
AT_MOST_COLD: Final = 3.0
_MANY: Final = 5_000
_ROWS: Final = (
    'SELECT source_kind, source_code, kind, line, lot, material, "on", dimension, quantity, price_micro, currency, '
    "role, waste_class, cost_share_micro, credit_micro FROM entries WHERE workshop = {} "
    "ORDER BY source_kind, source_code, kind, line",
    "SELECT code, material, dimension, strength, project, received_on, expires_on, origin, source_kind, source_code, "
    "amount FROM lots WHERE workshop = {}",
    "SELECT code, route, step, route_revision, status, started_on, finished_on, operator, project FROM runs "
    "WHERE workshop = {}",
)


def rows(url: str, *, ledger_lots: int = LOTS, calls: int = 9) -> list[Row]:
    """Measure on one database."""
    with closing(open_database(url)) as database:
        columns = drawn_columns(ledger_lots)
        ledger = ledger_from_drawn(columns)
        workshop = filled(database, columns)
        return _traced(url, database, workshop, ledger, calls)


def _traced(url: str, database: Database, workshop: Workshop, ledger: Ledger, calls: int) -> list[Row]:
    memory, solve = Memory(), solve_of(ledger)

    def asked(_: int) -> None:
        with database.reading(workshop.id) as reading:
            traced_ledger(Book(reading, memory), "EUR")

    size = f"{len(ledger.lots):,} lots, {len(ledger.take_lot):,} charges, {database.dialect}"
    cold = once(lambda: asked(0))
    with closing(connected(url)) as connection:
        read = once(lambda: [connection.execute(query.format(workshop.id)).fetchall() for query in _ROWS])
    after, floor = in_turn(calls, [asked, lambda _: solve()], before=lambda number: _write(database, workshop, number))
    rated, same = in_turn(calls, [asked, lambda _: solve()], before=lambda number: _rate(database, workshop, number))
    return [
        Row(f"traced cost of every lot, after a write: {size}", after, floor, AT_MOST_TRACED),
        Row(f"the same after a changed rate, by which nothing goes: {size}", rated, same, AT_MOST_TRACED),
        Row(f"the same, cold, beside reading its rows: {size}", cold, read, AT_MOST_COLD),
    ]


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


def _rate(database: Database, workshop: Workshop, number: int) -> None:
    """What a kilowatt-hour costs, anew."""
    price = {"amount": f"0.{number + 10}", "currency": "EUR"}
    body = {"of": "energy", "price": price, "per": "1 kWh", "valid_from": "2026-01-01"}
    if_match = "*" if number else None
    put_record(database, workshop.id, "rates", "power", body, if_match=if_match, by="bench", at=AT)


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
