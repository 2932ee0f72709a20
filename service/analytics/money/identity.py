"""The ledger's identity: opening + purchases + direct = all uses and the stock, on every day, to the last millionth.

Both sides are reached by different roads. What was used comes from the flows that were traced forwards; the stock is
worked out anew for every lot from what was taken of it. A difference is located at an event or a lot.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from service.analytics.money.exact_parts import parts_of
from service.analytics.money.ledger import PASSES_ON, BoolArray, Kind, Ledger
from service.analytics.money.ledger_order import LAST_DAY
from service.analytics.money.traced import Traced

SOURCES: Final = ("opening", "purchases", "direct")
USES: Final[Mapping[str, tuple[Kind, ...]]] = {
    "delivered": (Kind.DELIVERY,),
    "failures": (Kind.FAILED, Kind.FINISHED),
    "abandoned": (Kind.ABANDONED,),
    "work_in_progress": (),
    "samples": (Kind.SAMPLE,),
    "adjustments": (Kind.RECOUNT,),
    "write_offs": (Kind.WRITE_OFF,),
    "disposals": (Kind.DISPOSAL,),
    "stock": (),
}
"""Where what no lot carries of an event goes, by its kind; of a finished run only where it made no lot at all."""


@dataclass(frozen=True, slots=True, eq=False)
class Stock:
    """What was left of each lot on a day: ``quantity`` in its own unit, below 0 where more was taken than made, and
    what that is worth in 10⁻⁶. ``made``: it was there by that day; of others both are 0."""

    quantity: NDArray[Any]
    micro: NDArray[Any]
    made: BoolArray


@dataclass(frozen=True, slots=True)
class Balance:
    """Both sides in 10⁻⁶, and the first less the second: 0. ``unpriced`` names what has no known cost and counts 0."""

    sources: Mapping[str, int]
    uses: Mapping[str, int]
    difference: int
    unpriced: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Breach:
    """An event whose cost does not go where it should, or a lot whose takes are not worth what was taken; in 10⁻⁶."""

    of: Literal["event", "lot"]
    code: str
    difference: int


def stock_on(ledger: Ledger, traced: Traced, as_of: int = LAST_DAY) -> Stock:
    """Return what is left of each lot at the end of a day (a proleptic ordinal), from its takes alone.

    >>> from service.analytics.money.ledger import Event, Make, Take, ledger_of
    >>> from service.analytics.money.traced import traced_cost
    >>> ledger = ledger_of([Event("soda", Kind.OPENING, None, cost_micro=90, makes=(Make("soda", 9),)),
    ...                     Event("use", Kind.SAMPLE, None, takes=(Take("soda", 10),))])
    >>> stock = stock_on(ledger, traced_cost(ledger))
    >>> stock.quantity, stock.micro
    (array([-1]), array([-10]))
    """
    order = ledger.order
    made = ledger.ended[ledger.made_by] <= as_of
    counted = ledger.begun[ledger.take_event] <= as_of
    taken = np.zeros(len(ledger.lots), dtype=order.reach.dtype)
    np.add.at(taken, ledger.take_lot[counted], ledger.take_quantity[counted])
    micro = traced.lot_micro - parts_of(traced.lot_micro, taken, ledger.quantity)
    return Stock(np.where(made, ledger.quantity - taken, 0), np.where(made, micro, 0), made)


def balance(ledger: Ledger, traced: Traced, as_of: int = LAST_DAY) -> Balance:
    """Return where everything came from and where it is at the end of a day (a proleptic ordinal).

    A run counts as work in progress from the day it began until the day before it ended.

    >>> from service.analytics.money.ledger import Event, Make, Take, ledger_of
    >>> from service.analytics.money.traced import traced_cost
    >>> ledger = ledger_of([Event("soda", Kind.OPENING, None, cost_micro=90, makes=(Make("soda", 9),)),
    ...                     Event("wash", Kind.FAILED, None, cost_micro=5, takes=(Take("soda", 3),))])
    >>> found = balance(ledger, traced_cost(ledger))
    >>> found.sources, found.uses["failures"], found.uses["stock"], found.difference
    ({'opening': 90, 'purchases': 0, 'direct': 5}, 35, 60, 0)
    """
    begun, ended = ledger.begun <= as_of, ledger.ended <= as_of
    came_in = {"opening": ledger.kind == Kind.OPENING, "purchases": ledger.kind == Kind.PURCHASE}
    came_in["direct"] = ~(came_in["opening"] | came_in["purchases"])
    sources = {name: _sum(ledger.cost[mask & begun]) for name, mask in came_in.items()}
    uses = {name: _sum(traced.rest_micro[ended & np.isin(ledger.kind, kinds)]) for name, kinds in USES.items()}
    uses["work_in_progress"] = _sum(traced.total_micro[begun & ~ended])
    uses["stock"] = _sum(stock_on(ledger, traced, as_of).micro)
    unpriced = {name for event, names in ledger.unpriced.items() if begun[event] for name in names}
    return Balance(sources, uses, sum(sources.values()) - sum(uses.values()), tuple(sorted(unpriced)))


def breaches(ledger: Ledger, traced: Traced, as_of: int = LAST_DAY) -> list[Breach]:
    """Return every event and lot at which the identity does not hold on a day; none where the columns are as traced.

    An event gives what it took: own cost and takes are its lots and what no lot carries, which is nothing where the
    whole must be passed on. A lot gives what it was worth: its takes by that day are the part of its value that they
    reach.

    >>> from service.analytics.money.ledger import Event, Make, Take, ledger_of
    >>> from service.analytics.money.traced import traced_cost
    >>> ledger = ledger_of([Event("soda", Kind.OPENING, None, cost_micro=90, makes=(Make("soda", 9),)),
    ...                     Event("use", Kind.SAMPLE, None, takes=(Take("soda", 3),))])
    >>> traced = traced_cost(ledger)
    >>> breaches(ledger, traced)
    []
    >>> traced.take_micro[0] += 1
    >>> breaches(ledger, traced)
    [Breach(of='event', code='use', difference=1), Breach(of='lot', code='soda', difference=1)]
    """
    within = traced.total_micro.astype(object) - traced.rest_micro
    np.subtract.at(within, ledger.made_by, traced.lot_micro.astype(object))
    flow = ledger.cost.astype(object) - traced.total_micro
    np.add.at(flow, ledger.take_event, traced.take_micro.astype(object))
    homeless = np.isin(ledger.kind, PASSES_ON) & (ledger.order.lot_count > 0)
    by_event = np.where(flow != 0, flow, np.where(within != 0, within, np.where(homeless, traced.rest_micro, 0)))
    counted = ledger.begun[ledger.take_event] <= as_of
    by_lot = stock_on(ledger, traced, as_of).micro.astype(object)
    made = ledger.ended[ledger.made_by] <= as_of
    by_lot -= np.where(made, traced.lot_micro, 0)
    np.add.at(by_lot, ledger.take_lot[counted], traced.take_micro[counted].astype(object))
    found = [Breach("event", ledger.events[at], int(by_event[at])) for at in np.flatnonzero(by_event).tolist()]
    return found + [Breach("lot", ledger.lots[at], int(by_lot[at])) for at in np.flatnonzero(by_lot).tolist()]


def _sum(values: NDArray[Any]) -> int:
    """Sum in Python's whole numbers: a sum of many may be beyond 64 bits."""
    return sum(values.tolist())
