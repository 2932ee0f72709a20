"""Traced cost: what every lot really cost, in whole 10⁻⁶ of the book currency, nothing lost and nothing made.

Of a run, k_i = (σ_i/m_i)·(d + Σ q·k) for each lot that it makes. The value of a take is a difference of two rounded
parts of its lot, so that the takes of a whole lot come to its whole value whatever their number; a run's cost is dealt
to its lots by the largest remainder.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.analytics.money.exact_parts import (
    MOST_MICRO,
    MOST_QUANTITY,
    dealt_with_credits,
    nearest_parts,
    part_of,
)
from service.analytics.money.ledger import BoolArray, IntArray, Ledger
from service.analytics.money.ledger_order import ranges, running_sums

_WIDE: Final = 64
"""Takes a level from which on arrays beat a loop (measured)."""
_MOST_TAKES: Final = 2**12
"""So many takes of less than ``MOST_MICRO`` each sum to what 64 bits hold."""


@dataclass(frozen=True, slots=True, eq=False)
class Values:
    """What a ledger's lots, takes and events cost, in 10⁻⁶; whole Python numbers where 64 bits do not hold them.

    ``lot_micro``: what a lot was worth when it was made, all of it. ``take_micro``: what a take was worth.
    ``total_micro``: of an event, its own cost and its takes.
    """

    lot_micro: NDArray[Any]
    take_micro: NDArray[Any]
    total_micro: NDArray[Any]


@dataclass(frozen=True, slots=True, eq=False)
class Traced(Values):
    """The same, and ``rest_micro``: what no lot carries of an event's total. ``unknown_lots`` and ``unknown_events``
    are true where something behind has no known cost; the figure is then the known part, at least.
    """

    rest_micro: NDArray[Any]
    unknown_lots: BoolArray
    unknown_events: BoolArray


def traced_cost(ledger: Ledger) -> Traced:
    """Return what everything in a ledger cost.

    A lot that is taken beyond its quantity goes on at its unit value, which makes its stock negative; takes of a lot
    without a quantity are worth 0 and not known. A price of 0 is a price.

    >>> import datetime as dt
    >>> from service.analytics.money.ledger import Event, Kind, Make, Take, ledger_of
    >>> monday, tuesday = dt.date(2026, 3, 2), dt.date(2026, 3, 3)
    >>> found = traced_cost(ledger_of([
    ...     Event("soda", Kind.OPENING, monday, cost_micro=2_400_000, makes=(Make("soda", 1000),)),
    ...     Event("wash", Kind.FINISHED, tuesday, cost_micro=100_000, takes=(Take("soda", 250),),
    ...           makes=(Make("powder", 200, weight=9), Make("liquor", 700, weight=1)))]))
    >>> found.lot_micro
    array([2400000,  630000,   70000])
    """
    values = traced_values(ledger)
    rest = values.total_micro.copy()
    np.subtract.at(rest, ledger.made_by, values.lot_micro)
    return Traced(values.lot_micro, values.take_micro, values.total_micro, rest, *_unknown(ledger))


def traced_values(ledger: Ledger) -> Values:
    """Return what everything in a ledger cost, without saying what of it is not known: see :func:`traced_cost`.

    >>> from service.analytics.money.ledger import Event, Kind, Make, ledger_of
    >>> traced_values(ledger_of([Event("soda", Kind.OPENING, None, cost_micro=90, makes=(Make("soda", 9),))])).lot_micro
    array([90])
    """
    wide = len(ledger.take_lot) >= _WIDE * len(ledger.order.level_bounds)
    return Values(*((_by_levels(ledger) if wide else None) or _one_by_one(ledger)))


def lot_values(ledger: Ledger, lots: Iterable[int]) -> dict[int, int]:
    """Return what the lots of these numbers, and all their ancestors, were worth when they were made.

    Only ancestors are touched; the values are those of :func:`traced_cost`.

    >>> from service.analytics.money.ledger import Event, Kind, Make, ledger_of
    >>> lot_values(ledger_of([Event("soda", Kind.OPENING, None, cost_micro=90, makes=(Make("soda", 9),))]), [0])
    {0: 90}
    """
    order = ledger.order
    value: dict[int, int] = {}
    for event in events_behind(ledger, lots):
        total = int(ledger.cost[event])
        for take in range(*order.event_bounds[event : event + 2].tolist()):
            total += take_value(ledger, take, value[int(ledger.take_lot[take])])
        made = order.lots[order.first_lot[event] : order.first_lot[event] + order.lot_count[event]]
        weights, credits = ledger.weight[made].tolist(), ledger.credit[made].tolist()
        parts = dealt_with_credits(total, weights, int(ledger.whole[event]), credits)
        value.update(zip(made.tolist(), parts, strict=True))
    return value


def events_behind(ledger: Ledger, lots: Iterable[int]) -> list[int]:
    """Return the numbers of the events that some lots come from, through any number of others, each after its feeders.

    >>> from service.analytics.money.ledger import Event, Kind, Make, ledger_of
    >>> events_behind(ledger_of([Event("soda", Kind.OPENING, None, makes=(Make("soda", 9),))]), [0])
    [0]
    """
    found = np.zeros(len(ledger.events), dtype=bool)
    front = ledger.made_by[np.fromiter(lots, dtype=np.int64)]
    while front.size:  # a generation
        found[front] = True
        makers = ledger.made_by[ledger.take_lot[takes_of(ledger, np.unique(front))]]
        front = makers[~found[makers]]
    several = np.flatnonzero(found)
    in_order: list[int] = several[np.argsort(ledger.order.level[several], kind="stable")].tolist()
    return in_order


def unpriced_behind(ledger: Ledger, lot: int) -> tuple[str, ...]:
    """Return the names of what has no known cost behind the lot of a number, itself among them, in order.

    >>> from service.analytics.money.ledger import Event, Kind, Make, ledger_of
    >>> gift = Event("gift", Kind.OPENING, None, unpriced=("gift",), makes=(Make("gift", 5),))
    >>> unpriced_behind(ledger_of([gift]), 0)
    ('gift',)
    """
    return unpriced_in(ledger, events_behind(ledger, [lot]))


def unpriced_in(ledger: Ledger, events: Iterable[int]) -> tuple[str, ...]:
    """Return the names of what has no known cost in events of these numbers, in order.

    >>> from service.analytics.money.ledger import Event, Kind, Make, Take, ledger_of
    >>> gift = Event("gift", Kind.OPENING, None, makes=(Make("gift", None),))
    >>> unpriced_in(ledger_of([gift, Event("run", Kind.FAILED, None, takes=(Take("gift", 2),))]), [1])
    ('gift',)
    """
    several = np.fromiter(events, dtype=np.int64)
    takes = takes_of(ledger, several)
    behind = ledger.take_lot[takes][ledger.take_quantity[takes] != 0]
    names = {ledger.lots[empty] for empty in behind[ledger.quantity[behind] == 0].tolist()}
    if ledger.unpriced:
        names.update(*(ledger.unpriced.get(event, ()) for event in several.tolist()))
    return tuple(sorted(names))


def takes_of(ledger: Ledger, events: IntArray) -> IntArray:
    """Return the numbers of the takes of some events, event by event.

    >>> from service.analytics.money.ledger import Event, Kind, Make, Take, ledger_of
    >>> ledger = ledger_of([Event("soda", Kind.OPENING, None, makes=(Make("soda", 9),)),
    ...                     Event("use", Kind.SAMPLE, None, takes=(Take("soda", 3),))])
    >>> takes_of(ledger, np.array([0, 1]))
    array([0])
    """
    return ranges(ledger.order.event_bounds[events], ledger.order.event_bounds[events + 1])


def take_value(ledger: Ledger, take: int, value: int) -> int:
    """Return what one take, by its number, is worth where its lot was worth ``value``, in 10⁻⁶.

    >>> from service.analytics.money.ledger import Event, Kind, Make, Take, ledger_of
    >>> ledger = ledger_of([Event("soda", Kind.OPENING, None, makes=(Make("soda", 9),)),
    ...                     Event("use", Kind.SAMPLE, None, takes=(Take("soda", 3),))])
    >>> take_value(ledger, 0, 90)
    30
    """
    reach, quantity = int(ledger.order.reach[ledger.order.rank[take]]), int(ledger.quantity[ledger.take_lot[take]])
    before = reach - int(ledger.take_quantity[take])
    return part_of(value, reach, quantity) - part_of(value, before, quantity)


def _one_by_one(ledger: Ledger) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Trace in Python's whole numbers, which hold everything: lot by lot, handing each lot's value to its takers."""
    order = ledger.order
    total, whole = ledger.cost.tolist(), ledger.whole.tolist()
    by_lot = (ledger.weight, ledger.credit, ledger.quantity)
    weight, credit, quantity = (column[order.lots].tolist() for column in by_lot)
    makers, counts = ledger.made_by[order.lots].tolist(), order.lot_count.tolist()
    takers, reach = ledger.take_event[order.takes].tolist(), order.reach.tolist()
    value: list[int] = []
    taken: list[int] = []
    rank = 0
    for place, end in enumerate(order.take_bounds[1:].tolist()):
        if place == len(value):  # the first lot of its event
            event, last = makers[place], place + counts[makers[place]]
            value += dealt_with_credits(total[event], weight[place:last], whole[event], credit[place:last])
        twice, held, before = 2 * value[place], quantity[place], 0
        while rank < end:
            # The part of the lot that is reached, as part_of has it, whose call would cost more than the sum itself.
            after = (twice * reach[rank] + held) // (2 * held) if held else 0
            taken.append(after - before)
            total[takers[rank]] += after - before
            before = after
            rank += 1
    small = all(min(column) > -MOST_MICRO and max(column) < MOST_MICRO for column in (value, taken, total) if column)
    dtype = np.int64 if small else object
    lot_micro, take_micro = np.empty(len(value), dtype), np.empty(len(taken), dtype)
    lot_micro[order.lots], take_micro[order.takes] = value, taken
    return lot_micro, take_micro, np.array(total, dtype)


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """Parts of wholes that stand side by side: those of one whole end where they reach it, a zero whole has none."""

    reach: NDArray[np.int64]
    whole: NDArray[np.int64]
    ratio: NDArray[np.float64]
    first: BoolArray

    @classmethod
    def of(cls, reach: NDArray[np.int64], whole: NDArray[np.int64], starts: NDArray[np.int64]) -> _Parts:
        reach, whole = np.where(whole == 0, 0, reach), np.where(whole == 0, 1, whole)
        first = np.zeros(len(reach), dtype=bool)
        first[starts] = True
        return cls(reach, whole, reach / whole, first)

    def of_values(self, low: int, high: int, values: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return what the parts from ``low`` to ``high`` are of the values of their wholes."""
        ends = nearest_parts(values, self.reach[low:high], self.whole[low:high], self.ratio[low:high])
        parts = ends.copy()
        parts[1:] -= np.where(self.first[low + 1 : high], 0, ends[:-1])
        return parts


def _by_levels(ledger: Ledger) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]] | None:
    """Trace level by level with arrays, or return None where a number may be too large for that."""
    order = ledger.order
    if (
        order.reach.dtype == object
        or np.diff(order.event_bounds).max(initial=0) >= _MOST_TAKES
        or max(ledger.quantity.max(initial=0), ledger.whole.max(initial=0)) >= MOST_QUANTITY
        or max(np.abs(ledger.cost).max(initial=0), ledger.credit.max(initial=0)) >= MOST_MICRO
    ):
        return None
    counts = np.diff(order.take_bounds)
    of_lots = _Parts.of(order.reach, np.repeat(ledger.quantity[order.lots], counts), order.take_bounds[:-1][counts > 0])
    makers, takers = ledger.made_by[order.lots], ledger.take_event[order.takes]
    starts = order.first_lot[order.events[order.lot_count[order.events] > 0]]
    weights = running_sums(ledger.weight[order.lots], np.append(starts, len(makers)))
    of_events = _Parts.of(weights, ledger.whole[makers], starts)
    credited = set(ledger.made_by[ledger.credit > 0].tolist())
    credited_levels = set(order.level[sorted(credited)].tolist())
    lot_bounds = order.level_bounds.tolist()
    take_bounds = order.take_bounds[order.level_bounds].tolist()

    total = ledger.cost.copy()
    value = np.zeros(len(makers), dtype=np.int64)
    taken = np.zeros(len(takers), dtype=np.int64)
    with np.errstate(invalid="ignore", over="ignore"):  # too large a number is found at the end
        for level, (low, high) in enumerate(pairwise(lot_bounds)):
            value[low:high] = of_events.of_values(low, high, total[makers[low:high]])
            if level in credited_levels:
                for event in credited.intersection(makers[low:high].tolist()):
                    own = slice(order.first_lot[event], order.first_lot[event] + order.lot_count[event])
                    made = order.lots[own]
                    value[own] = dealt_with_credits(
                        int(total[event]), ledger.weight[made].tolist(), int(ledger.whole[event]),
                        ledger.credit[made].tolist(),
                    )  # fmt: skip
            start, end = take_bounds[level], take_bounds[level + 1]
            if start < end:
                worth = np.repeat(value[low:high], counts[low:high])
                taken[start:end] = of_lots.of_values(start, end, worth)
                np.add.at(total, takers[start:end], taken[start:end])
    reached = np.repeat(value, counts) * of_lots.ratio
    if max(np.abs(total).max(initial=0), np.abs(reached).max(initial=0.0)) >= MOST_MICRO:
        return None
    lot_micro, take_micro = np.empty_like(value), np.empty_like(taken)
    lot_micro[order.lots] = value
    take_micro[order.takes] = taken
    return lot_micro, take_micro, total


def _unknown(ledger: Ledger) -> tuple[BoolArray, BoolArray]:
    """Say of every lot and event whether anything behind it has no known cost: all that is reached from such."""
    events, lots = len(ledger.events), len(ledger.lots)
    taken = ledger.take_quantity != 0
    flagged = np.zeros(events, dtype=bool)
    flagged[list(ledger.unpriced)] = True
    flagged[ledger.take_event[taken & (ledger.quantity[ledger.take_lot] == 0)]] = True
    if not flagged.any():
        return np.zeros(lots, dtype=bool), flagged

    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import breadth_first_order

    sources = np.flatnonzero(flagged)
    carrying = np.flatnonzero((ledger.weight > 0) | (ledger.credit > 0))
    start = events + lots
    tails = [np.full(len(sources), start), ledger.made_by[carrying], events + ledger.take_lot[taken]]
    heads = [sources, events + carrying, ledger.take_event[taken]]
    tail, head = np.concatenate(tails), np.concatenate(heads)
    graph = coo_array((np.ones(len(tail)), (tail, head)), shape=(start + 1, start + 1)).tocsr()
    reached = np.zeros(start + 1, dtype=bool)
    reached[breadth_first_order(graph, start, return_predecessors=False)] = True
    return reached[events:start], reached[:events]
