"""Which lots cost otherwise after a correction: asked just before records are written, and again just after.

Only the lots that rest on the records are traced, from the rows of their ancestors. A rate may move every line there
is: the whole ledger is traced for it, as long as it is not too long.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from service.analytics.money.traced import unpriced_behind
from service.answer.book import Book
from service.answer.corrections import Correction, Reach, reach_of
from service.answer.ledger import TracedLedger, traced_ledger
from service.answer.ledger_words import exact_money
from service.answer.lot_cost import per_amount
from service.answer.lot_ledger import LotLedger, lot_in_whole, lot_ledgers
from service.store import ledger_rows, shelf
from service.store.shelf import StoredLot

MOST_MOVED: Final = 100
"""Lots of which a write tells what they cost before and cost now."""
MOST_TRACED: Final = 200
"""Lots that are traced for it, the nearest first, where not the whole ledger is."""
MOST_LINES: Final = 20_000
"""Lines of a ledger that is traced whole for a write: of more, nobody is told which lots moved."""

Told = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Costs:
    """What lots cost that some corrections reach: those of ``lots``, or all of a ledger that was traced ``whole``.

    ``complete`` says whether no lot that may move is left out.
    """

    reach: Reach
    lots: Mapping[str, Told]
    complete: bool
    whole: _WholeLedger | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _WholeLedger:
    traced: TracedLedger
    stored: Mapping[str, StoredLot]

    def worth(self) -> dict[str, int | None]:
        """What each lot cost, None where something behind it has no known cost."""
        costs = zip(self.traced.traced.lot_micro.tolist(), self.traced.traced.unknown_lots.tolist(), strict=True)
        return dict(zip(self.traced.ledger.lots, (None if off else micro for micro, off in costs), strict=True))


def costs_before(book: Book, corrections: Sequence[Correction]) -> Costs | None:
    """Return what the lots cost now that may cost otherwise by what is about to be written; None where none can."""
    reach = reach_of(book, corrections)
    return _costs(book, reach) if reach else None


def moved_costs(book: Book, before: Costs) -> dict[str, Any]:
    """Return the lots that cost otherwise than ``before``, the first of them, and how many more there are.

    ``more_moved_lots`` is null where more lots may have moved than were traced. ``with_labour`` stands beside where a
    rate of labour was written: hours are counted then, which no cost does that is not asked for them.
    """
    after = _costs(book, before.reach)
    if before.whole is not None and after.whole is not None:
        lots = _moved_in(before.whole, after.whole)
        moved, many = [*_told_of(book, lots[:MOST_MOVED], before.whole, after.whole)], len(lots)
    else:
        pairs = ((lot, before.lots[lot], told) for lot, told in sorted(after.lots.items()) if lot in before.lots)
        found = [{"lot": lot, "before": was, "after": told} for lot, was, told in pairs if was != told]
        moved, many = found[:MOST_MOVED], len(found)
    complete = before.complete and after.complete
    if not many and complete:
        return {}
    beside = {"with_labour": True} if before.reach.labour else {}
    return {"moved_lots": moved, "more_moved_lots": many - len(moved) if complete else None, **beside}


def _costs(book: Book, reach: Reach) -> Costs:
    if not reach.everything:
        return _of_lots(book, reach)
    if ledger_rows.count_lines(book.reading, MOST_LINES + 1) > MOST_LINES:
        return Costs(reach, {}, complete=False)
    traced = traced_ledger(book, labour=reach.labour)
    return Costs(reach, {}, complete=True, whole=_WholeLedger(traced, shelf.stored_lots(book.reading)))


def _of_lots(book: Book, reach: Reach) -> Costs:
    codes, complete = ledger_rows.lots_resting_on(book.reading, reach.sources, MOST_TRACED)
    found = lot_ledgers(book, codes)
    told = {}
    for code, each in found.items():
        known = not unpriced_behind(each.ledger, each.number)
        told[code] = _told(each, int(each.traced.lot_micro[each.number]) if known else None)
    return Costs(reach, told, complete)


def _moved_in(before: _WholeLedger, after: _WholeLedger) -> list[str]:
    was, now = before.worth(), after.worth()
    return [
        lot
        for lot, micro in now.items()
        if lot in was
        and lot in after.stored
        # Of a lot that holds something else now, the cost of a gram may be another while the lot's is not.
        and (was[lot] != micro or _holds(before.stored[lot]) != _holds(after.stored[lot]))
    ]


def _holds(stored: StoredLot) -> object:
    return stored.amount, stored.lot.strength


def _told_of(book: Book, lots: Sequence[str], before: _WholeLedger, after: _WholeLedger) -> Iterator[dict[str, Any]]:
    was, now = before.worth(), after.worth()
    for lot in lots:
        told = [
            _told(lot_in_whole(book, lot, each.traced), worth[lot])
            for each, worth in ((before, was), (after, now))
        ]
        yield {"lot": lot, "before": told[0], "after": told[1]}


def _told(each: LotLedger, micro: int | None) -> Told:
    total = None if micro is None else exact_money(micro, each.currency)
    return {**per_amount(each, "", micro), "total": total}
