"""The ledger of a workshop in memory: its events as columns, into which newer ones are let in place of the old."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from service.analytics.money.ledger import Ledger, ledger_from
from service.answer.ledger_events import BY_EVENT, BY_LOT, Events, source_key
from service.errors import NotComputable
from service.store.ledger_lines import Source

Integers = npt.NDArray[np.int64]
Objects = npt.NDArray[np.object_]

_BYTES_OF_FACTS: Final = 400
"""About what the texts that stand beside an event or a lot take."""


@dataclass(frozen=True, slots=True, eq=False)
class LedgerColumns:
    """Events sorted by key, lots by code, takes by event; ``numbers`` holds their integers as the engine names them.

    ``unpriced`` says by the key of an event which names in it have no known cost, ``reasons`` why, by name. Nothing of
    this ever changes: what is newer is another of its kind.
    """

    events: Objects
    facts: Objects
    lots: Objects
    rows: Objects
    numbers: Mapping[str, Integers]
    steps: tuple[str, ...] = ()
    unpriced: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    reasons: Mapping[str, str] = field(default_factory=dict)

    @property
    def nbytes(self) -> int:
        """About what it takes."""
        texts = _BYTES_OF_FACTS * (len(self.events) + len(self.lots))
        return texts + sum(array.nbytes for array in self.numbers.values())

    def lot(self, code: str) -> int | None:
        """Return the number of a lot, None where there is none of that code."""
        place = int(np.searchsorted(self.lots, code))
        return place if place < len(self.lots) and self.lots[place] == code else None

    def event(self, key: str) -> int | None:
        """Return the number of an event, None where there is none of that key."""
        place = int(np.searchsorted(self.events, key))
        return place if place < len(self.events) and self.events[place] == key else None

    def ledger(self) -> Ledger:
        """Return the ledger in order. What nobody dated counts on the latest day of the lots that it takes from."""
        numbers = self.numbers
        begun, ended = on_days(numbers["begun"], numbers["ended"], numbers["take_event"],
                               numbers["made_by"][numbers["take_lot"]])  # fmt: skip
        places = {key: np.searchsorted(self.events, key) for key in self.unpriced}
        return ledger_from(
            {**numbers, "begun": begun, "ended": ended},
            events=tuple(self.events.tolist()),
            lots=tuple(self.lots.tolist()),
            steps=self.steps,
            unpriced={int(places[key]): names for key, names in self.unpriced.items()},
        )


def on_days(begun: Integers, ended: Integers, take_event: Integers, makers: Integers) -> tuple[Integers, Integers]:
    """Return the days of events, moved on to those of the lots that they take from where these are later.

    ``makers`` are the events that made what each take is of. Only what nobody dated is moved, unless the books hold a
    use of something before it existed.

    >>> day = np.array([0, 5]), np.array([0, 5])
    >>> on_days(*day, take_event=np.array([0]), makers=np.array([1]))
    (array([5, 5]), array([5, 5]))
    """
    while True:
        early = ended[makers] > begun[take_event]
        if not early.any():
            return begun, ended
        begun, before = begun.copy(), begun
        np.maximum.at(begun, take_event[early], ended[makers[early]])
        ended = np.maximum(ended, begun)
        if (begun == before).all():
            return begun, ended


def columns_of(told: Events) -> LedgerColumns:
    """Return the columns of some events, which take from lots that are among what they make.

    Raises NotComputable where they do not, or where a number is beyond 64 bits.
    """
    fresh = _Fresh(told)
    number = dict(zip(fresh.lots.tolist(), range(len(fresh.lots)), strict=True))
    take_lot = np.array([number.get(code, -1) for code in fresh.taken.tolist()], dtype=np.int64)
    return _columns(fresh.events, fresh.facts, fresh.lots, fresh.rows, {**fresh.numbers, "take_lot": take_lot}, told)


def with_events(held: LedgerColumns, gone: Iterable[Source], told: Events) -> LedgerColumns:
    """Return ``held`` without the events of the sources ``gone``, and with those that were ``told`` of since.

    Raises as :func:`columns_of`.
    """
    fresh = _Fresh(told)
    keep = _kept(held.events, gone)
    events, facts, of_kept, of_fresh = _let_in((held.events[keep], held.facts[keep]), (fresh.events, fresh.facts))
    event_now = np.full(len(held.events), -1, dtype=np.int64)
    event_now[keep] = of_kept
    stays = keep[held.numbers["made_by"]]
    lots, rows, lot_of_kept, lot_of_fresh = _let_in((held.lots[stays], held.rows[stays]), (fresh.lots, fresh.rows))
    lot_now = np.full(len(held.lots), -1, dtype=np.int64)
    lot_now[stays] = lot_of_kept
    lot_now[~stays] = _places(lots, held.lots[~stays])

    def merged(name: str, kept: Integers, by_kept: Integers, by_fresh: Integers) -> Integers:
        values = np.empty(len(by_kept) + len(by_fresh), dtype=np.int64)
        values[by_kept], values[by_fresh] = kept, fresh.numbers[name]
        return values

    numbers = {name: merged(name, held.numbers[name][keep], of_kept, of_fresh) for name in BY_EVENT}
    for name in BY_LOT:
        kept = held.numbers[name][stays]
        numbers[name] = merged(name, event_now[kept] if name == "made_by" else kept, lot_of_kept, lot_of_fresh)
    numbers["made_by"][lot_of_fresh] = of_fresh[fresh.numbers["made_by"]]
    taking = keep[held.numbers["take_event"]]
    take_event = np.concatenate([event_now[held.numbers["take_event"][taking]], of_fresh[fresh.numbers["take_event"]]])
    take_lot = np.concatenate([lot_now[held.numbers["take_lot"][taking]], _places(lots, fresh.taken)])
    quantity = np.concatenate([held.numbers["take_quantity"][taking], fresh.numbers["take_quantity"]])
    order = np.argsort(take_event, kind="stable")
    numbers |= {"take_event": take_event[order], "take_lot": take_lot[order], "take_quantity": quantity[order]}
    left = {held.events[place] for place in np.flatnonzero(~keep).tolist()} if held.unpriced else set()
    unpriced = {key: names for key, names in held.unpriced.items() if key not in left} | told.unpriced
    return _columns(events, facts, lots, rows, numbers, told, unpriced, {**held.reasons, **told.reasons})


def _columns(
    events: Objects,
    facts: Objects,
    lots: Objects,
    rows: Objects,
    numbers: Mapping[str, Integers],
    told: Events,
    unpriced: Mapping[str, tuple[str, ...]] | None = None,
    reasons: Mapping[str, str] | None = None,
) -> LedgerColumns:
    if (numbers["take_lot"] < 0).any():
        raise NotComputable("the ledger takes from a lot that nothing has put on the shelf", code="no-such-lot")
    for array in (*numbers.values(), events, facts, lots, rows):
        array.setflags(write=False)
    unpriced = told.unpriced if unpriced is None else unpriced
    named = {name for names in unpriced.values() for name in names}
    why = {name: said for name, said in (told.reasons if reasons is None else reasons).items() if name in named}
    return LedgerColumns(events, facts, lots, rows, numbers, tuple(told.steps), unpriced, why)


class _Fresh:
    """Events that were just told of, in order: events by key, lots by code, takes by event with their lots' codes."""

    def __init__(self, told: Events) -> None:
        try:
            numbers = {name: np.array(values, dtype=np.int64) for name, values in told.numbers.items()}
        except OverflowError as beyond:
            raise NotComputable("an amount or a sum of money is beyond what the ledger can count") from beyond
        by_key = np.array(sorted(range(len(told.keys)), key=told.keys.__getitem__), dtype=np.int64)
        by_code = np.array(sorted(range(len(told.lots)), key=told.lots.__getitem__), dtype=np.int64)
        number = np.empty_like(by_key)
        number[by_key] = np.arange(len(by_key))
        take_event = number[numbers["take_event"]]
        by_taker = np.argsort(take_event, kind="stable")
        self.events, self.facts = _objects(told.keys)[by_key], _objects(told.facts)[by_key]
        self.lots, self.rows = _objects(told.lots)[by_code], _objects(told.rows)[by_code]
        self.taken = _objects(told.taken)[by_taker]
        self.numbers = {name: numbers[name][by_key] for name in BY_EVENT}
        self.numbers |= {name: numbers[name][by_code] for name in BY_LOT}
        self.numbers["made_by"] = number[self.numbers["made_by"]]
        self.numbers |= {"take_event": take_event[by_taker], "take_quantity": numbers["take_quantity"][by_taker]}


def _kept(events: Objects, gone: Iterable[Source]) -> npt.NDArray[np.bool_]:
    """Say of every event whether its source is none of those gone; those of one source stand side by side."""
    keep = np.ones(len(events), dtype=np.bool_)
    if len(events):
        for kind, code in gone:
            key = source_key(kind, code)
            first, low, high = np.searchsorted(events, _objects([key, f"{key}/", f"{key}0"])).tolist()
            keep[low:high] = False
            if first < len(events) and events[first] == key:
                keep[first] = False
    return keep


def _let_in(
    kept: tuple[Objects, Objects], fresh: tuple[Objects, Objects]
) -> tuple[Objects, Objects, Integers, Integers]:
    """Return two sorted lists as one, what stands beside them alike, and the places of both within it."""
    before = np.searchsorted(kept[0], fresh[0]) if len(kept[0]) else np.zeros(len(fresh[0]), dtype=np.int64)
    of_fresh = before + np.arange(len(fresh[0]))
    others = np.ones(len(kept[0]) + len(fresh[0]), dtype=np.bool_)
    others[of_fresh] = False
    of_kept = np.flatnonzero(others)
    names, besides = np.empty(len(others), dtype=object), np.empty(len(others), dtype=object)
    for all_of, one, other in zip((names, besides), kept, fresh, strict=True):
        all_of[of_kept], all_of[of_fresh] = one, other
    return names, besides, of_kept, of_fresh


def _places(lots: Objects, codes: Objects) -> Integers:
    """Return the number of each of ``codes`` among sorted ``lots``, -1 where it is not there."""
    if not len(lots) or not len(codes):
        return np.full(len(codes), -1, dtype=np.int64)
    places = np.searchsorted(lots, codes)
    places[places == len(lots)] = 0
    return np.where(lots[places] == codes, places, -1).astype(np.int64)


def _objects(values: Sequence[Any]) -> Objects:
    return np.fromiter(values, dtype=object, count=len(values))  # array() would make columns of what is a tuple
