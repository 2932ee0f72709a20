"""Which lots cost otherwise after a correction: asked just before the record is written, and again just after.

Only the lots that rest on the record are traced, from the rows of their ancestors; a record that is new corrects
nothing, but for a late assay and a price of days that are past.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from service.analytics.money.traced import unpriced_behind
from service.answer.book import Book
from service.answer.ledger_words import exact_money
from service.answer.lot_cost import per_amount
from service.answer.lot_ledger import lot_ledgers
from service.domain.material import Material
from service.domain.offer import Offer
from service.domain.route import Route
from service.domain.run import Run
from service.domain.stock_entry import ASSAY, StockEntry
from service.store import ledger_rows, links, shelf, standing
from service.store.ledger_lines import SOURCE_KINDS, Source

MOST_MOVED: Final = 100
"""Lots of which a write tells what they cost before and cost now."""
MOST_TRACED: Final = 200
"""Lots that are traced for it, the nearest first."""

Told = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Costs:
    """What the lots cost that rest on some records; ``whole`` says whether these are all of them."""

    sources: frozenset[Source]
    lots: Mapping[str, Told]
    whole: bool


def costs_before(book: Book, kind: str, code: str, now: Any, before: Any, *, correction: bool) -> Costs | None:
    """Return what the lots cost now that rest on a record which is about to be written; None where none can move.

    ``before`` is the record as it stands, None where it is new; ``correction`` says of a route that it is corrected.
    """
    sources = _sources(book, kind, code, now, before, correction)
    return _costs(book, sources) if sources else None


def moved_costs(book: Book, before: Costs) -> dict[str, Any]:
    """Return the lots that cost otherwise than ``before``, the first of them, and how many more there are.

    ``more_moved_lots`` is null where more lots rest on the record than were traced.
    """
    after = _costs(book, before.sources)
    pairs = ((lot, before.lots[lot], told) for lot, told in sorted(after.lots.items()) if lot in before.lots)
    moved = [{"lot": lot, "before": was, "after": told} for lot, was, told in pairs if was != told]
    whole = before.whole and after.whole
    if not moved and whole:
        return {}
    shown = moved[:MOST_MOVED]
    return {"moved_lots": shown, "more_moved_lots": len(moved) - len(shown) if whole else None}


def _costs(book: Book, sources: frozenset[Source]) -> Costs:
    codes, whole = ledger_rows.lots_resting_on(book.reading, sources, MOST_TRACED)
    found = lot_ledgers(book, codes)
    told: dict[str, Told] = {}
    for code, each in found.items():
        known = not unpriced_behind(each.ledger, each.number)
        micro = int(each.traced.lot_micro[each.number]) if known else None
        total = None if micro is None else exact_money(micro, each.currency)
        told[code] = {**per_amount(each, "", micro), "total": total}
    return Costs(sources, told, whole)


def _sources(book: Book, kind: str, code: str, now: Any, before: Any, correction: bool) -> frozenset[Source]:
    """The records whose lots may cost otherwise by the write of one."""
    if isinstance(now, StockEntry):
        return _assayed(book, now)
    if isinstance(now, Offer):
        return _priced_by(book, now, before)
    if before is None or _weighs_and_pays(now) == _weighs_and_pays(before):
        return frozenset()
    if kind in SOURCE_KINDS:
        return frozenset([(kind, code)])
    if isinstance(now, Material):
        forms = {code} | {form for _, form in links.links_to(book.reading, "materials", [code], from_kind="materials")}
        lots = shelf.stored_lots(book.reading, shelf.of_material(book.reading, forms)).values()
        runs = links.links_to(book.reading, "materials", forms, from_kind="runs")
        return frozenset([*((each.lot.source_kind, each.lot.source_code) for each in lots), *runs])
    if isinstance(now, Route) and correction:
        altered = [step.code for step in now.steps if step != before.step(step.code)]
        return frozenset(("runs", run) for run in standing.runs_of_route(book.reading, [code], altered))
    return frozenset()


def _assayed(book: Book, entry: StockEntry) -> frozenset[Source]:
    if entry.reverses is not None:
        entry = book.record("stock-entries", entry.reverses)
    if entry.kind != ASSAY or entry.lot is None:
        return frozenset()
    lots = shelf.stored_lots(book.reading, [entry.lot]).values()
    return frozenset((each.lot.source_kind, each.lot.source_code) for each in lots)


def _priced_by(book: Book, now: Offer, before: Offer | None) -> frozenset[Source]:
    """Purchases by an offer, and the runs that charged its material on days on which it holds, or held."""
    if now == before:
        return frozenset()
    bought = links.links_to(book.reading, "offers", [now.code], from_kind="purchases")
    materials = {now.material} if before is None else {now.material, before.material}
    first = min(_first_day(now), dt.date.max if before is None else _first_day(before))
    runs = [run for _, run in links.links_to(book.reading, "materials", materials, from_kind="runs")]
    begun = ledger_rows.runs_begun_from(book.reading, runs, first.isoformat())
    return frozenset([*bought, *(("runs", run) for run in begun)])


def _first_day(offer: Offer) -> dt.date:
    return offer.valid_from or dt.date.min


def _weighs_and_pays(record: Any) -> Any:
    """A record without what nothing is computed from, so that a note that is mended traces nothing."""
    if isinstance(record, Run):
        return replace(record, note=None, tags=(), operator=None, project=None, excluded=None)
    if isinstance(record, Material):
        return (record.formula, record.stated_molar_mass, record.density, dict(record.contents), record.analyte)
    return record
