"""The ledger as columns: what was taken from which lot, what was made of it, and what was paid, day by day.

An event takes from lots and makes lots: stock that was opened or bought, a run, a pool, a delivery, a recount. Amounts
are whole ng, nL or nmol of a lot's own dimension, money whole 10⁻⁶ of the book currency; the texts stand beside the
columns. Nothing here knows what anything cost: only who takes from whom, and in which order.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.analytics.money.ledger_order import BEFORE_ALL, NEVER, LedgerOrder, order_of
from service.errors import Conflict, NotComputable

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


class Kind(IntEnum):
    """What an event is. Stock comes in by the first two; a run is one of the next four, by its status."""

    OPENING = 0
    PURCHASE = 1
    FINISHED = 2
    FAILED = 3
    ABANDONED = 4
    OPEN = 5
    POOL = 6
    DELIVERY = 7
    SAMPLE = 8
    RECOUNT = 9
    WRITE_OFF = 10
    DISPOSAL = 11


PASSES_ON: Final = (Kind.OPENING, Kind.PURCHASE, Kind.FINISHED, Kind.POOL)
"""Events whose whole cost goes into the lots that they make."""
_PASSES_ON: Final = np.isin(np.arange(len(Kind)), PASSES_ON)


@dataclass(frozen=True, slots=True)
class Take:
    """So much of a lot goes into an event, or off the shelf; below 0 where a recount found more than the books say.

    ``quantity`` None: it cannot be told in the lot's own dimension, and what it cost is not known.
    """

    lot: str
    quantity: int | None


@dataclass(frozen=True, slots=True)
class Make:
    """A lot that an event puts on the shelf, and its part of the event's cost.

    Of the cost less all credits, ``weight`` parts of the event's ``whole`` go into this lot; ``credit_micro`` is a sum
    that it carries first, together at most the cost. ``quantity`` None: not known, and neither is what a take of it
    costs. ``product``: how much of the step's product it is, in one unit throughout a step (contained ng, say); 0 for
    what is no product. The step's failures are spread by it.
    """

    lot: str
    quantity: int | None
    weight: int = 1
    credit_micro: int = 0
    product: int = 0


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened. Its takes and its own cost count from the day ``begun``, its makes from ``ended`` on.

    ``begun`` None: before every day. ``ended`` None: the day it began; an open run never ends. ``cost_micro``: what a
    bought or opened lot is worth; for all others what is paid beside the lots taken. ``unpriced`` names what of that is
    not known. ``whole`` None: the sum of the weights; a failed run's may be larger, and the rest is the failure's.
    """

    code: str
    kind: Kind
    begun: dt.date | None
    ended: dt.date | None = None
    cost_micro: int = 0
    unpriced: tuple[str, ...] = ()
    takes: tuple[Take, ...] = ()
    makes: tuple[Make, ...] = ()
    whole: int | None = None
    step: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Ledger:
    """Every event, take and lot of a workshop, as columns.

    By event: ``kind``; ``begun`` and ``ended``, days as proleptic ordinals, ``BEFORE_ALL`` and ``NEVER`` at the ends;
    ``cost`` in 10⁻⁶; ``whole``, the weights' denominator; ``step``, a number that the runs of a step share, -1 for
    none. By take, sorted by event: ``take_event``, ``take_lot``, ``take_quantity``. By lot, each made once:
    ``made_by``, ``quantity``, ``weight``, ``credit``, ``product``. A lot whose quantity is not known has 0.
    ``unpriced``: by event, the names of what in it has no known cost. ``events``, ``lots``, ``steps``: their codes.
    Events of one day that do not feed each other stand in the order of their numbers, which should be that of their
    codes, so that the order of entry changes nothing.
    """

    events: Sequence[str]
    lots: Sequence[str]
    steps: Sequence[str]
    kind: IntArray
    begun: IntArray
    ended: IntArray
    cost: IntArray
    whole: IntArray
    step: IntArray
    take_event: IntArray
    take_lot: IntArray
    take_quantity: IntArray
    made_by: IntArray
    quantity: IntArray
    weight: IntArray
    credit: IntArray
    product: IntArray
    unpriced: Mapping[int, tuple[str, ...]]
    order: LedgerOrder


def ledger_from(
    columns: Mapping[str, Any],
    *,
    events: Sequence[str],
    lots: Sequence[str],
    steps: Sequence[str] = (),
    unpriced: Mapping[int, tuple[str, ...]] | None = None,
) -> Ledger:
    """Return a ledger of ready ``columns``, by the names of :class:`Ledger`, and put it in order.

    ``whole`` may be left out: the sum of the weights then. So may ``weight`` (1), ``credit`` and ``product`` (0), and
    ``step`` (-1).

    Raises ``Conflict`` where a lot is its own ancestor (code ``own-ancestor``) or is used before it existed
    (``before-it-existed``), with the events named; ``NotComputable`` where a number is beyond 64 bits; ``ValueError``
    where the takes are not sorted by event, an event ends before it begins, or the weights of an event that passes
    everything on are not the whole: stock that comes in, a pool, a finished run that makes a lot.

    >>> columns = {"kind": [0, 7], "begun": [1, 2], "ended": [1, 2], "cost": [900, 0], "take_event": [1],
    ...            "take_lot": [0], "take_quantity": [10], "made_by": [0], "quantity": [30]}
    >>> ledger_from(columns, events=["soda", "to-the-bench"], lots=["soda"]).order.level
    array([0, 1])
    """
    given = {"weight": [1] * len(lots), "credit": [0] * len(lots), "product": [0] * len(lots)}
    given |= {"step": [-1] * len(events)} | dict(columns)
    try:
        arrays = {name: np.asarray(column, dtype=np.int64) for name, column in given.items()}
    except OverflowError as beyond:
        raise NotComputable("an amount or a sum of money is beyond what the ledger can count") from beyond
    weights = np.zeros(len(events), dtype=np.int64)
    np.add.at(weights, arrays["made_by"], arrays["weight"])
    arrays.setdefault("whole", weights)
    _check(arrays, weights, events)
    names = ("begun", "ended", "take_event", "take_lot", "take_quantity", "made_by")
    order = order_of(**{name: arrays[name] for name in names}, events=events, lots=lots)
    return Ledger(events=events, lots=lots, steps=steps, unpriced=dict(unpriced or {}), order=order, **arrays)


def _check(arrays: Mapping[str, IntArray], weights: IntArray, events: Sequence[str]) -> None:
    if np.any(np.diff(arrays["take_event"]) < 0):
        raise ValueError("takes are sorted by their event")
    if any(np.any(arrays[name] < 0) for name in ("quantity", "weight", "credit", "product")):
        raise ValueError("quantities, weights, credits and products are at least 0")
    makes = np.bincount(arrays["made_by"], minlength=len(events)) > 0
    passes_on = _PASSES_ON[arrays["kind"]] & (makes | (arrays["kind"] != Kind.FINISHED))
    for wrong, why in (
        (arrays["begun"] > arrays["ended"], "ends before it begins"),
        (passes_on & ~makes, "makes no lot"),
        (passes_on & (weights == 0) | passes_on & (weights != arrays["whole"]), "has shares that do not sum to 1"),
        (weights > arrays["whole"], "has shares that sum to more than 1"),
    ):
        if np.any(wrong):
            raise ValueError(f"{events[int(np.flatnonzero(wrong)[0])]!r} {why}")


def ledger_of(events: Sequence[Event]) -> Ledger:
    """Return the ledger of ``events``, given in any order: they are numbered by their codes.

    Raises as :func:`ledger_from`; and ``Conflict`` where two events make one lot (``made-twice``) or a lot is taken
    that no event makes (``no-such-lot``).

    >>> day = dt.date(2026, 3, 4)
    >>> soda = Event("soda", Kind.OPENING, day, cost_micro=2_400_000, makes=(Make("soda", 10**12),))
    >>> wash = Event("wash-1", Kind.FAILED, day, takes=(Take("soda", 10**9),))
    >>> ledger_of([wash, soda]).lots
    ('soda',)
    """
    ordered = sorted(events, key=lambda event: event.code)
    building = _Building()
    for number, event in enumerate(ordered):
        for make in event.makes:
            building.make(number, event, make)
    for number, event in enumerate(ordered):
        building.event(number, event)
        for take in event.takes:
            building.take(number, event, take)
    return ledger_from(
        building.columns,
        events=tuple(event.code for event in ordered),
        lots=tuple(building.lots),
        steps=tuple(building.steps),
        unpriced=building.unpriced,
    )


@dataclass(slots=True)
class _Building:
    columns: dict[str, list[int]] = field(
        default_factory=lambda: {
            name: []
            for name in (
                *("kind", "begun", "ended", "cost", "whole", "step", "take_event", "take_lot", "take_quantity"),
                *("made_by", "quantity", "weight", "credit", "product"),
            )
        }
    )
    lots: dict[str, int] = field(default_factory=dict)
    steps: dict[str, int] = field(default_factory=dict)
    unpriced: dict[int, tuple[str, ...]] = field(default_factory=dict)

    def event(self, number: int, event: Event) -> None:
        begun = BEFORE_ALL if event.begun is None else event.begun.toordinal()
        ended = NEVER if event.kind is Kind.OPEN else begun if event.ended is None else event.ended.toordinal()
        whole = sum(make.weight for make in event.makes) if event.whole is None else event.whole
        step = -1 if event.step is None else self.steps.setdefault(event.step, len(self.steps))
        self._add(kind=event.kind, begun=begun, ended=ended, cost=event.cost_micro, whole=whole, step=step)
        unpriced = event.unpriced + tuple(take.lot for take in event.takes if take.quantity is None)
        if unpriced:
            self.unpriced[number] = tuple(dict.fromkeys(unpriced))

    def make(self, number: int, event: Event, make: Make) -> None:
        if make.lot in self.lots:
            raise Conflict(
                f"{event.code!r} makes the lot {make.lot!r}, which is made already", code="made-twice",
                extra={"lot": make.lot, "events": [event.code]},
            )  # fmt: skip
        self.lots[make.lot] = len(self.lots)
        self._add(
            made_by=number, quantity=make.quantity or 0, weight=make.weight, credit=make.credit_micro,
            product=make.product,
        )  # fmt: skip

    def take(self, number: int, event: Event, take: Take) -> None:
        if (lot := self.lots.get(take.lot)) is None:
            raise Conflict(
                f"{event.code!r} takes from the lot {take.lot!r}, which nothing has put on the shelf",
                code="no-such-lot", extra={"lot": take.lot, "events": [event.code]},
            )  # fmt: skip
        self._add(take_event=number, take_lot=lot, take_quantity=take.quantity or 0)

    def _add(self, **values: int) -> None:
        for name, value in values.items():
            self.columns[name].append(value)
