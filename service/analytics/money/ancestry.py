"""What stands behind a lot: how much of every bought lot, which part of every run, and the graph up and down.

λ = (I − A)ᵀ⁻¹e: one walk back from the lot, over its ancestors only. A forward sum over the same graph gives the same
amounts.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from service.analytics.money.ledger import IntArray, Kind, Ledger
from service.analytics.money.ledger_order import ranges
from service.analytics.money.traced import events_behind, lot_values, take_value, takes_of
from service.errors import NotComputable

_BOUGHT = (Kind.OPENING, Kind.PURCHASE)


@dataclass(frozen=True, slots=True)
class Behind:
    """So much of a bought or opened lot, in its own unit, and of its value, in 10⁻⁶, is behind a unit of another."""

    lot: int
    amount: float
    micro: float


@dataclass(frozen=True, slots=True)
class Ancestry:
    """What is behind one unit (ng, nL, nmol) of a lot, or behind amounts of several, of which ``lot`` is None.
    ``bought``: the bought and opened lots, by number.

    ``amounts``: every lot behind it, by number, itself at 1. ``events``: the part of each event behind it; what an
    event paid, wasted or worked is behind it to that part. ``direct_micro``: what the runs and pools among them paid
    beside their lots; with the bought lots it is the unit cost.
    """

    lot: int | None
    bought: tuple[Behind, ...]
    amounts: Mapping[int, float]
    events: Mapping[int, float]
    direct_micro: float

    def embodied(self, per_event: Mapping[int, float] | Sequence[float] | NDArray[Any]) -> float:
        """Return how much of what events have, such as grams of waste, is behind a unit.

        ``per_event``: by number of event.
        """
        if isinstance(per_event, Mapping):
            return sum(part * per_event.get(event, 0.0) for event, part in self.events.items())
        return sum(part * float(per_event[event]) for event, part in self.events.items())


def behind(ledger: Ledger, lot: int) -> Ancestry:
    """Return what is behind one unit of the lot of a number; only its ancestors are touched.

    Co-products share what is behind them as they share the cost. What failed is behind no lot. Of a lot without a
    quantity nothing can be said per unit: it is an ancestor whose own ancestors are not counted.

    Raises ``NotComputable`` where the lot itself has none.

    >>> from service.analytics.money.ledger import Event, Make, Take, ledger_of
    >>> ledger = ledger_of([
    ...     Event("soda", Kind.PURCHASE, None, cost_micro=3000, makes=(Make("soda", 100),)),
    ...     Event("wash", Kind.FINISHED, None, cost_micro=500, takes=(Take("soda", 50),), makes=(Make("powder", 40),))])
    >>> found = behind(ledger, 1)
    >>> found.bought, found.direct_micro
    ((Behind(lot=0, amount=1.25, micro=37.5),), 12.5)
    """
    if not ledger.quantity[lot]:
        raise NotComputable(f"how much there was of the lot {ledger.lots[lot]!r} is not known")
    return replace(behind_several(ledger, {lot: 1.0}), lot=lot)


def behind_several(ledger: Ledger, wanted: Mapping[int, float]) -> Ancestry:
    """Return what is behind so many units of each of some lots, by number, all together; in one walk.

    Of a lot among them without a quantity nothing is counted.

    >>> from service.analytics.money.ledger import Event, Make, ledger_of
    >>> ledger = ledger_of([Event(code, Kind.PURCHASE, None, cost_micro=900, makes=(Make(code, 9),)) for code in "ab"])
    >>> [(each.amount, each.micro) for each in behind_several(ledger, {0: 1.0, 1: 2.0}).bought]
    [(1.0, 100.0), (2.0, 200.0)]
    """
    order = ledger.order
    several = np.array(events_behind(ledger, wanted)[::-1], dtype=np.int64)
    first, takes = order.first_lot[several], takes_of(ledger, several)
    lots = order.lots[ranges(first, first + order.lot_count[several])]
    values = lot_values(ledger, wanted) if ledger.credit[lots].any() else None
    all_made, quantity = lots.tolist(), ledger.quantity[lots].tolist()
    all_taken, of_each = ledger.take_lot[takes].tolist(), ledger.take_quantity[takes].tolist()
    made_until = np.cumsum(order.lot_count[several]).tolist()
    taken_until = np.cumsum(np.diff(order.event_bounds)[several]).tolist()
    amounts: dict[int, float] = dict(wanted)
    events: dict[int, float] = {}
    bought: list[Behind] = []
    direct_micro = 0.0
    low, start = 0, 0
    for event, high, end, cost, kind in zip(
        several.tolist(), made_until, taken_until, ledger.cost[several].tolist(), ledger.kind[several].tolist(),
        strict=True,
    ):  # fmt: skip
        made = all_made[low:high]
        shares = _shares(ledger, event, made, values)
        parts = {
            own: amounts.get(own, 0.0) * share / held
            for own, share, held in zip(made, shares, quantity[low:high], strict=True)
            if held
        }
        part = sum(parts.values())
        if kind in _BOUGHT:
            bought += [Behind(own, amounts[own], parts.get(own, 0.0) * cost) for own in made if own in amounts]
        else:
            direct_micro += part * cost
        if part:
            events[event] = part
            for taken, amount in zip(all_taken[start:end], of_each[start:end], strict=True):
                amounts[taken] = amounts.get(taken, 0.0) + part * amount
        low, start = high, end
    return Ancestry(None, tuple(sorted(bought, key=lambda one: one.lot)), amounts, events, direct_micro)


def _shares(ledger: Ledger, event: int, made: Sequence[int], values: Mapping[int, int] | None) -> list[float]:
    """Return the part of an event's cost that each lot carries: by value where credits enter, else by weight."""
    if values is not None and ledger.credit[list(made)].any():
        takes = range(*ledger.order.event_bounds[event : event + 2].tolist())
        worth = [take_value(ledger, take, values[int(ledger.take_lot[take])]) for take in takes]
        if total := int(ledger.cost[event]) + sum(worth):
            return [values[own] / total for own in made]
    whole = int(ledger.whole[event])
    return [weight / whole for weight in ledger.weight[made].tolist()] if whole else [0.0] * len(made)


@dataclass(frozen=True, slots=True)
class Node:
    """A lot or an event, by its number; ``kind`` is ``lot`` or the kind of the event."""

    kind: str
    number: int


@dataclass(frozen=True, slots=True)
class Edge:
    """So much, in the lot's unit, goes from one node into the other: what was taken of a lot, or made by an event."""

    tail: Node
    head: Node
    quantity: int


@dataclass(frozen=True, slots=True)
class Lineage:
    """The graph around a lot, nearest first. ``complete`` is false where there is more of it than was asked for."""

    nodes: tuple[Node, ...]
    edges: tuple[Edge, ...]
    complete: bool


def lineage(
    ledger: Ledger,
    lot: int,
    direction: Literal["up", "down"],
    most: int = 1000,
    *,
    called: Callable[[Node], Hashable] = lambda node: node,
) -> Lineage:
    """Return what a lot was made of (``up``) or what became of it (``down``), at most ``most`` nodes of it.

    Nodes that are ``called`` the same count as one. What is beyond the bound is not walked on from.

    >>> from service.analytics.money.ledger import Event, Make, Take, ledger_of
    >>> ledger = ledger_of([Event("soda", Kind.OPENING, None, makes=(Make("soda", 100),)),
    ...                     Event("try", Kind.SAMPLE, None, takes=(Take("soda", 5),))])
    >>> [(edge.tail.kind, edge.head.kind, edge.quantity) for edge in lineage(ledger, 0, "down").edges]
    [('lot', 'sample', 5)]
    """
    start = Node("lot", lot)
    nodes, names = {start: None}, {called(start)}
    edges: list[Edge] = []
    complete = True
    waiting = [start]
    for node in waiting:  # grows while it is walked
        for other, quantity in _neighbours(ledger, node, direction):
            if other not in nodes:
                name = called(other)
                if len(names) >= most and name not in names:
                    complete = False
                    continue
                nodes[other] = None
                names.add(name)
                waiting.append(other)
            edges.append(Edge(other, node, quantity) if direction == "up" else Edge(node, other, quantity))
    return Lineage(tuple(nodes), tuple(edges), complete)


def generations_of(ledger: Ledger, lots: Iterable[int]) -> Iterator[IntArray]:
    """Give the lots that were made of some, by number, then those made of these, and so on; none of them twice.

    >>> from service.analytics.money.ledger import Event, Make, Take, ledger_of
    >>> ledger = ledger_of([Event("soda", Kind.OPENING, None, makes=(Make("soda", 100),)),
    ...                     Event("wash", Kind.FINISHED, None, takes=(Take("soda", 5),), makes=(Make("powder", 4),))])
    >>> [made.tolist() for made in generations_of(ledger, [0])]
    [[1]]
    """
    order = ledger.order
    made = np.fromiter(lots, dtype=np.int64)
    found = np.zeros(len(ledger.lots), dtype=bool)
    while made.size:
        found[made] = True
        places = order.place[made]
        takes = order.takes[ranges(order.take_bounds[places], order.take_bounds[places + 1])]
        events = np.unique(ledger.take_event[takes])
        made = order.lots[ranges(order.first_lot[events], order.first_lot[events] + order.lot_count[events])]
        made = made[~found[made]]
        if made.size:
            yield made


def _neighbours(ledger: Ledger, node: Node, direction: Literal["up", "down"]) -> list[tuple[Node, int]]:
    order = ledger.order
    if node.kind == "lot" and direction == "up":
        return [(_event(ledger, int(ledger.made_by[node.number])), int(ledger.quantity[node.number]))]
    if node.kind == "lot":
        place = order.place[node.number]
        taken = order.takes[order.take_bounds[place] : order.take_bounds[place + 1]].tolist()
        return [(_event(ledger, int(ledger.take_event[take])), int(ledger.take_quantity[take])) for take in taken]
    if direction == "up":
        takes = range(*order.event_bounds[node.number : node.number + 2].tolist())
        return [(Node("lot", int(ledger.take_lot[take])), int(ledger.take_quantity[take])) for take in takes]
    first = order.first_lot[node.number]
    made = order.lots[first : first + order.lot_count[node.number]].tolist()
    return [(Node("lot", own), int(ledger.quantity[own])) for own in made]


def _event(ledger: Ledger, number: int) -> Node:
    return Node(Kind(int(ledger.kind[number])).name.lower().replace("_", "-"), number)
