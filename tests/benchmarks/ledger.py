"""Traced cost of every lot of a large ledger, as a ratio to one sparse triangular solve of the same graph.

``python -m tests.benchmarks.ledger [lots]``. The ledger is drawn: a fifth of the lots are bought, the others are made
by runs that take about four lots each of those before them and give one lot, or two for every fifth run; three runs in
a hundred fail. The floor solves k = A·k + c in floats for the same lots, its matrix ready made.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import numpy as np
from scipy.sparse import coo_array, eye_array
from scipy.sparse.linalg import spsolve_triangular

from service.analytics.money.identity import balance
from service.analytics.money.ledger import Kind, Ledger, ledger_from
from service.analytics.money.loaded import loaded_cost
from service.analytics.money.traced import events_behind, lot_values, traced_cost
from tests.benchmarks.measure import Row, in_turn, machine, table

AT_MOST = 25.0
LOTS = 100_000


def drawn_columns(lots: int = LOTS, takes: int | None = None, seed: int = 7) -> dict[str, Any]:
    """Draw the columns of a ledger of about so many lots and three takes a lot."""
    rng = np.random.default_rng(seed)
    bought = lots // 5
    runs = round((lots - bought) / 1.17)
    events = bought + runs
    kind = np.full(events, Kind.FINISHED)
    kind[:bought] = Kind.PURCHASE
    kind[bought:][rng.random(runs) < 0.03] = Kind.FAILED
    made = np.where(kind == Kind.FAILED, 0, 1 + (rng.random(events) < 0.2) * (kind == Kind.FINISHED))
    made_by = np.repeat(np.arange(events), made)
    first = np.concatenate([[0], np.cumsum(made)])
    count = 3 * lots if takes is None else takes
    take_event = np.sort(rng.integers(bought, events, count))
    # Half of what is taken is bought, the rest was made not long ago.
    lately = (first[take_event] - 1 - rng.exponential(lots / 50, count)).astype(np.int64)
    take_lot = np.where(rng.random(count) < 0.5, rng.integers(0, bought, count), np.clip(lately, 0, None))
    day = 700_000 + np.arange(events) // 60
    day[bought:] += 1
    return {
        "kind": kind, "begun": day, "ended": day, "step": np.where(kind == Kind.PURCHASE, -1, np.arange(events) % 40),
        "cost": rng.integers(10**5, 10**8, events), "made_by": made_by, "take_event": take_event, "take_lot": take_lot,
        "take_quantity": rng.integers(10**8, 10**10, count), "quantity": rng.integers(10**10, 10**12, len(made_by)),
        "weight": rng.integers(1, 100, len(made_by)), "product": np.full(len(made_by), 10**9),
    }  # fmt: skip


def ledger_from_drawn(columns: dict[str, Any]) -> Ledger:
    """Put drawn columns in order, their codes being their numbers."""
    events, lots = len(columns["kind"]), len(columns["quantity"])
    return ledger_from(columns, events=range_of_codes("e", events), lots=range_of_codes("l", lots), steps=("s",) * 40)


def range_of_codes(letter: str, count: int) -> tuple[str, ...]:
    return tuple(f"{letter}{number}" for number in range(count))


def solve_of(ledger: Ledger) -> Callable[[], Any]:
    """Return one float solve of the unit costs of every lot, in an order in which its matrix is triangular."""
    order, lots = ledger.order, len(ledger.lots)
    share = ledger.weight / ledger.whole[ledger.made_by] / ledger.quantity
    made = [order.lots[order.first_lot[e] : order.first_lot[e] + order.lot_count[e]] for e in ledger.take_event]
    rows = np.concatenate(made)
    columns = np.repeat(ledger.take_lot, order.lot_count[ledger.take_event])
    amounts = np.repeat(ledger.take_quantity, order.lot_count[ledger.take_event])
    places = (order.place[rows], order.place[columns])
    inner = coo_array((share[rows] * amounts, places), shape=(lots, lots)).tocsr()
    matrix = (eye_array(lots, format="csr") - inner).tocsr()
    own = (share * ledger.cost[ledger.made_by])[order.lots]
    return lambda: spsolve_triangular(matrix, own, lower=True, unit_diagonal=True)


def rows(*, lots: int = LOTS, calls: int = 7) -> list[Row]:
    """Measure each piece of work in turn with the solve."""
    columns = drawn_columns(lots)
    ledger = ledger_from_drawn(columns)
    traced = traced_cost(ledger)
    texts = {"events": ledger.events, "lots": ledger.lots, "steps": ledger.steps}
    last = int(ledger.order.lots[len(ledger.lots) // 2])
    actions: dict[str, tuple[Callable[[], Any], float | None]] = {
        "traced cost of every lot": (lambda: traced_cost(ledger), AT_MOST),
        "put in order and traced": (lambda: traced_cost(ledger_from(columns, **texts)), AT_MOST),
        "both sides of the balance": (lambda: balance(ledger, traced), None),
        "loaded with failures": (lambda: loaded_cost(ledger, traced), None),
        f"one lot and its {len(events_behind(ledger, [last]))} ancestors": (lambda: lot_values(ledger, [last]), None),
    }
    solve = solve_of(ledger)
    asked = [lambda number, action=action: action() for action in [solve, *(one for one, _ in actions.values())]]
    floor, *costs = in_turn(calls, asked)
    return [
        Row(f"{what}, {len(ledger.lots):,} lots, {len(ledger.take_lot):,} charges", cost, floor, at_most)
        for (what, (_, at_most)), cost in zip(actions.items(), costs, strict=True)
    ]


if __name__ == "__main__":
    print(machine())
    print(table(rows(lots=int(sys.argv[1]) if len(sys.argv) > 1 else LOTS)))
