"""Findings of what was noted on the shelf: use of what was disposed of, and counts of one day that disagree.

The book takes both as they were written, since the shelf is right more often than the book: neither is refused.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Final

from service.answer.book import Book
from service.answer.found import Found
from service.domain.shelf_amount import UNITS_PER_BASE, in_dimension, in_units
from service.domain.stock_entry import DISPOSAL, RECOUNT, WRITE_OFF
from service.schemas.kinds import singular
from service.store.entries import Entry, of_lots
from service.store.finding_rows import counted_again, lots_given_up, run_lines
from service.store.shelf import StoredLot, stored_lots

STOCK_ENTRIES: Final = "stock-entries"
_UNIT: Final = {"mass": "g", "volume": "mL", "amount": "mol"}
_ENDS: Final = {DISPOSAL: "was disposed of", WRITE_OFF: "was written off"}


def taken_after_end(book: Book) -> Iterator[Found]:
    """Yield the lots from which something was taken on a day after a disposal or a write-off had left nothing of them.

    One finding a lot, on the first such taking. What is found there later, by a recount, is there again.
    """
    given_up = lots_given_up(book.reading)
    if not given_up:
        return
    shelf = stored_lots(book.reading, given_up)
    late = {lot: found for lot, lines in _by_lot(book, given_up).items() if (found := _late(lines)) is not None}
    runs = {first.source_code for _, first, _ in late.values() if first.source_kind == "runs"}
    by = run_lines(book.reading, runs) if runs else {}
    for lot, (end, first, more) in sorted(late.items()):
        run = by.get(first.source_code) if first.source_kind == "runs" else None
        taken = _text(-(first.quantity or 0), first.dimension)
        detail = (
            f"{singular(first.source_kind)} {first.source_code} takes {taken} of lot {lot} on {first.on}, and the last "
            f"of it {_ENDS[end.kind]} on {end.on}, by {end.source_code}"
            + (f"; {more} more take of it later" if more else "")
        )
        yield Found(
            "taken-after-end", "lots", lot, detail, day=first.on,
            project=run.project if run else shelf[lot].lot.project, operator=run.operator if run else None,
            route=run.route if run else None, step=run.step if run else None,
            more={
                "taken_by": {"kind": first.source_kind, "code": first.source_code},
                "ended_by": {"kind": end.source_kind, "code": end.source_code},
            },
        )  # fmt: skip


def _late(lines: Sequence[Entry]) -> tuple[Entry, Entry, int] | None:
    """The line that ended a lot, the first that takes from it after, and how many more do; None where none does."""
    if any(each.quantity is None for each in lines):
        return None  # nobody knows what was left
    left, end, late = 0, None, list[Entry]()
    for on, several in sorted(_by_day(lines).items()):
        # A recount says what is there; anything else that is taken when nothing is came too late.
        late += [each for each in several if end is not None and (each.quantity or 0) < 0 and each.kind != RECOUNT]
        left += sum(each.quantity or 0 for each in several)
        gone = [each for each in several if each.kind in _ENDS and (each.quantity or 0) < 0]
        if left > 0:
            end = None
        elif gone and on:
            end = end or max(gone, key=lambda each: each.source_code)
        if late and end is None:
            late = []  # it was counted since, and found
    return None if end is None or not late else (end, late[0], len(late) - 1)


def counts_that_disagree(book: Book) -> Iterator[Found]:
    """Yield the lots of which counts of one day are further apart than what was taken on that day.

    A lot only gets less: of several counts of a day the lowest is that of its end, and counts.
    """
    rows = counted_again(book.reading)
    if not rows:
        return
    shelf = stored_lots(book.reading, {row.lot for row in rows})
    entries = book.records(STOCK_ENTRIES, [row.code for row in rows])
    materials = book.materials({stored.lot.material for stored in shelf.values()})
    lines = _by_lot(book, list(shelf))
    days: dict[tuple[str, str], list[tuple[int, str]]] = defaultdict(list)
    for row in rows:
        lot = shelf[row.lot].lot
        material, amount = materials[lot.material], entries[row.code].amount
        found = in_dimension(amount, lot.dimension, lot.strength, material, materials.get(material.analyte_code))
        if isinstance(found, Fraction):
            days[row.lot, row.on].append((in_units(found, lot.dimension), row.code))
    for (lot_code, on), counts in sorted(days.items()):
        yield from _disagreeing(shelf[lot_code], on, sorted(counts), lines[lot_code])


def _disagreeing(
    stored: StoredLot, on: str, counts: Sequence[tuple[int, str]], lines: Sequence[Entry]
) -> Iterator[Found]:
    lot = stored.lot
    taken = -sum(min(each.quantity or 0, 0) for each in lines if each.on == on and each.kind != RECOUNT)
    (least, by), (most, other) = counts[0], counts[-1]
    if most - least > taken:
        detail = (
            f"on {on} lot {lot.code} was counted at {_text(most, lot.dimension)} ({other}) and at "
            f"{_text(least, lot.dimension)} ({by}), and {_text(taken, lot.dimension)} was taken on that day: the "
            "lowest counts; take back the one that is wrong"
        )
        entries = [{"kind": STOCK_ENTRIES, "code": code} for _, code in counts]
        yield Found(
            "counts-disagree", "lots", lot.code, detail, day=on, about=on, project=lot.project,
            more={"counted_by": entries},
        )  # fmt: skip


def _by_lot(book: Book, lots: Sequence[str]) -> Mapping[str, list[Entry]]:
    found: dict[str, list[Entry]] = {lot: [] for lot in lots}
    for line in of_lots(book.reading, lots):
        found[line.lot or ""].append(line)
    return {lot: _standing(lines) for lot, lines in found.items()}


def _standing(lines: Sequence[Entry]) -> list[Entry]:
    """The lines of a lot without what was taken back, and what took it back: on a day the two are nothing."""
    back = Counter(
        (each.on, each.kind, -each.quantity)
        for each in lines
        if each.source_kind == STOCK_ENTRIES and each.kind != RECOUNT and each.quantity is not None
        and each.quantity > 0
    )  # fmt: skip
    stands = []
    for each in lines:
        key = (each.on, each.kind, each.quantity or 0)
        if each.source_kind != STOCK_ENTRIES or each.kind == RECOUNT or ((each.quantity or 0) <= 0 and not back[key]):
            stands.append(each)
        elif (each.quantity or 0) <= 0:
            back[key] -= 1
    return stands


def _by_day(lines: Sequence[Entry]) -> dict[str, list[Entry]]:
    found: dict[str, list[Entry]] = defaultdict(list)
    for line in lines:
        found[line.on or ""].append(line)
    return found


def _text(units: int, dimension: str) -> str:
    """An exact amount as text in g, mL or mol."""
    return f"{(Decimal(units) / UNITS_PER_BASE[dimension]).normalize():f} {_UNIT[dimension]}"
