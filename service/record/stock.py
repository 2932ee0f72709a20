"""Stock entries: what they put in the ledger, what of them is refused, and the recounts worked out again."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

from service.domain.lot import ShelfLot
from service.domain.material import Material
from service.domain.quantity import Quantity
from service.domain.shelf_amount import in_dimension, in_units
from service.domain.stock_entry import RECOUNT, StockEntry, found_strength
from service.errors import Conflict, Fault
from service.record.bench import Bench
from service.store import entries, links, records
from service.store.entries import Entry, Sum
from service.store.shelf import StoredLot
from service.store.stock import entries_on
from service.store.types import iso

STOCK_ENTRIES = "stock-entries"


def refuse_change(code: str) -> None:
    """Refuse to edit a stock entry that stands."""
    raise Conflict(
        f"stock-entry {code} is written and stays as it is: write another entry; where it was wrong, one that "
        f'reverses it, {{"reverses": "{code}", "on": …, "reason": …}}, and the right one beside it',
        code="never-edited",
    )


def refuse_removal(code: str) -> None:
    """Refuse to remove a stock entry."""
    raise Conflict(
        f'stock-entry {code} is never removed: write an entry that takes it back, {{"reverses": "{code}", "on": …, '
        '"reason": …}',
        code="never-removed",
    )


def subject_of(bench: Bench, entry: StockEntry) -> tuple[str, str]:
    """The lot and the kind of an entry; of one that takes another back, those of the other."""
    of = entry if entry.reverses is None else reversed_by(bench, entry)
    assert of.lot is not None, f"stock-entry {of.code} names no lot"
    assert of.kind is not None, f"stock-entry {of.code} is of no kind"
    return of.lot, of.kind


def reversed_by(bench: Bench, entry: StockEntry) -> StockEntry:
    """The entry that another takes back."""
    assert entry.reverses is not None, f"stock-entry {entry.code} takes nothing back"
    (found,) = _loaded(bench, [entry.reverses])
    return found


def entries_of(bench: Bench, lots: Sequence[str]) -> dict[str, list[StockEntry]]:
    """Every stock entry of some lots, those that take others back among them."""
    codes = entries_on(bench.writing, lots)
    loaded = {entry.code: entry for entry in _loaded(bench, [code for several in codes.values() for code in several])}
    return {lot: [loaded[code] for code in several] for lot, several in codes.items()}


def entry_faults(bench: Bench, entry: StockEntry) -> Iterator[Fault]:
    """What the entry that this one takes back, and the lot that it counts, have to say about it."""
    if entry.reverses == entry.code:
        detail = f"{entry.code} cannot take itself back: name the entry that was wrong"
        yield Fault("unknown-reference", detail, entry.reverses, "another entry", "/reverses")
    elif entry.reverses is not None:
        wrong = reversed_by(bench, entry)
        named = links.links_to(bench.writing, STOCK_ENTRIES, [wrong.code], from_kind=STOCK_ENTRIES)
        others = [code for _, code in named if code != entry.code]
        if wrong.reverses is not None:
            detail = f"{wrong.code} itself takes {wrong.reverses} back: write what it took back once more"
            yield Fault("reverses-a-reversal", detail, wrong.code, "an entry that takes nothing back", "/reverses")
        elif others:
            detail = f"{wrong.code} was taken back already, by {others[0]}"
            yield Fault("taken-back-already", detail, wrong.code, "an entry that still counts", "/reverses")
        elif entry.on < wrong.on:
            detail = f"{wrong.code} is of {wrong.on}: it cannot be taken back on {entry.on}"
            yield Fault("wrong-order", detail, iso(entry.on), f"{wrong.on} or a later day", "/on")
    elif entry.kind == RECOUNT and entry.lot is not None and entry.amount is not None:
        lot = bench.lots([entry.lot])[entry.lot].lot
        counted = _converted(entry.amount, lot, bench.materials([lot.material]))
        if isinstance(counted, str):
            detail = f"lot {lot.code} is booked by {lot.dimension}, and this cannot be turned into that: {counted}"
            yield Fault("cannot-be-converted", detail, entry.amount.text(), f"an amount by {lot.dimension}", "/amount")


def counted_units(bench: Bench, entry: Any) -> int | None:
    """What a recount counted, in ng, nL or nmol of the lot's dimension; None where it cannot be turned into that."""
    lot = bench.lots([entry.lot])[entry.lot].lot
    counted = _converted(entry.amount, lot, bench.materials([lot.material]))
    return None if isinstance(counted, str) else in_units(counted, lot.dimension)


def note_on_lot(bench: Bench, lot: str, since: dt.date) -> bool:
    """Keep with a lot what its assays found and how often it was counted; say whether what was found is another.

    ``since`` is the day of the entry that is new.
    """
    stored = bench.lots([lot])[lot]
    several = entries_of(bench, [lot])[lot]
    found = found_strength(several)
    recounts = sum(entry.kind == RECOUNT for entry in several)
    bench.note_stock([lot], since.isoformat())
    if (found, recounts) == (stored.assayed, stored.recounts):
        return False
    bench.put_lots([replace(stored, assayed=found, recounts=recounts, state=bench.writing.state)])
    return found != stored.assayed


def settle_stock(bench: Bench) -> None:
    """Work out the lines of the stock entries again of every lot whose strength or lines are others than before."""
    lots, bench.stock_lots = bench.stock_lots, {}
    shelf = bench.lots(lots) if lots else {}
    if not shelf:
        return
    noted = entries_of(bench, sorted(shelf))
    told: dict[str, list[Entry]] = {lot: [] for lot in shelf}
    for line in entries.of_sources(bench.writing, STOCK_ENTRIES, [each.code for lot in noted.values() for each in lot]):
        told[line.lot or ""].append(line)
    materials = bench.materials(stored.lot.material for stored in shelf.values())
    after: list[Entry] = []
    for lot, stored in sorted(shelf.items()):
        booked = _booked(bench, stored, told[lot])
        after += lines_of_stock(stored, noted[lot], told[lot], booked, materials, since=lots[lot])
    bench.move_lines([line for lot in sorted(told) for line in told[lot]], after)


def _booked(bench: Bench, stored: StoredLot, own: Sequence[Entry]) -> Callable[[dt.date], Sum]:
    """What other records than stock entries booked on a lot by the end of a day: all that is left, less the rest.

    ``own`` are the lines of its stock entries as they stand. Only what was booked later is read.
    """

    def until(day: dt.date) -> Sum:
        left = stored.left
        assert left is not None, f"lot {stored.lot.code} has no line"
        later = entries.booked_after(bench.writing, stored.lot.code, day.isoformat(), but=STOCK_ENTRIES)
        mine = entries.sum_of(own)
        return Sum(left.quantity - mine.quantity - later.quantity, left.unknown - mine.unknown - later.unknown)

    return until


def lines_of_stock(
    stored: StoredLot,
    several: Sequence[StockEntry],
    known: Sequence[Entry],
    booked: Callable[[dt.date], Sum],
    materials: Mapping[str, Material],
    *,
    since: str = "",
) -> list[Entry]:
    """The lines that the stock entries of one lot write.

    ``known`` are those that they wrote before: a recount of a day before ``since`` stays as it is. ``booked`` tells
    what the lines of other records come to by the end of a day.

    What takes another entry back has its kind and its day, and the opposite sign: on every day the two are nothing. A
    recount is what was counted less what all lines come to by the end of its day. A lot only gets less: of several on
    one day the lowest is that of its end, whatever their codes and whichever was written first.
    """
    lot = stored.lot
    kept = {line.source_code: line for line in known if line.kind == RECOUNT and (line.on or "") < since}
    taken_back = {entry.reverses: entry for entry in several if entry.reverses is not None}
    lines: list[Entry] = []

    def add(entry: StockEntry, amount: int | str | None) -> None:
        quantity, reason = (amount, None) if isinstance(amount, int) else (None, amount)
        kind, by = entry.kind or "", taken_back.get(entry.code)
        own = (lot.code, lot.material, iso(entry.on), lot.dimension)
        lines.append(Entry(STOCK_ENTRIES, entry.code, kind, 0, *own, quantity, reason))
        if by is not None:
            opposite = None if quantity is None else -quantity
            lines.append(Entry(STOCK_ENTRIES, by.code, kind, 0, *own, opposite, reason))

    standing = sorted((entry for entry in several if entry.reverses is None), key=lambda entry: (entry.on, entry.code))
    for entry in standing:
        if entry.amount is not None and entry.kind != RECOUNT:
            taken = _converted(entry.amount, lot, materials)
            add(entry, taken if isinstance(taken, str) else -in_units(taken, lot.dimension))
    for entry, counted in _counts(standing, lot, materials):
        line = kept.get(entry.code)
        if line is None:
            add(entry, _recounted(counted, lot, entry, booked, lines))
        else:
            add(entry, line.quantity if line.reason is None else line.reason)
    return lines


def _counts(
    standing: Sequence[StockEntry], lot: ShelfLot, materials: Mapping[str, Material]
) -> list[tuple[StockEntry, Fraction | str]]:
    """The recounts with what was counted, by day, the lowest of a day last; those that cannot be told come first."""
    found = [
        (entry, _converted(entry.amount, lot, materials))
        for entry in standing
        if entry.amount is not None and entry.kind == RECOUNT
    ]
    lowest_last = sorted(found, key=lambda each: -each[1] if isinstance(each[1], Fraction) else Fraction(-(10**30)))
    return sorted(lowest_last, key=lambda each: each[0].on)


def _recounted(
    counted: Fraction | str,
    lot: ShelfLot,
    entry: StockEntry,
    booked: Callable[[dt.date], Sum],
    own: Sequence[Entry],
) -> int | str:
    if isinstance(counted, str):
        return counted
    others = booked(entry.on)
    mine = entries.sum_of(line for line in own if line.on is None or line.on <= entry.on.isoformat())
    if others.unknown or mine.unknown:
        return "what was booked before it cannot be told"
    return in_units(counted, lot.dimension) - others.quantity - mine.quantity


def _converted(amount: Quantity, lot: ShelfLot, materials: Mapping[str, Material]) -> Fraction | str:
    material = materials[lot.material]
    return in_dimension(amount, lot.dimension, lot.strength, material, materials.get(material.analyte_code))


def _loaded(bench: Bench, codes: Sequence[str]) -> list[StockEntry]:
    found = []
    for stored in records.many(bench.writing, STOCK_ENTRIES, codes) if codes else ():
        entry = bench.loaded(stored)
        assert isinstance(entry, StockEntry)
        found.append(entry)
    return found
