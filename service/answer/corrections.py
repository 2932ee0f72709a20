"""Which records' lots may cost otherwise once some records are written or removed: asked before that is done."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, NamedTuple

from service.answer.book import Book
from service.domain.material import Material
from service.domain.offer import Offer
from service.domain.route import Route
from service.domain.run import Run
from service.domain.stock_entry import ASSAY, StockEntry
from service.domain.workshop import ExchangeRate, Rate
from service.store import ledger_rows, links, money, shelf, standing
from service.store.ledger_lines import SOURCE_KINDS, Source

LABOUR: Final = "labour"


class Correction(NamedTuple):
    """A record as it is about to be written and as it stands, each None where there is none.

    ``computes_again`` says of a route that its altered steps are a correction: runs so far go by them.
    """

    kind: str
    code: str
    now: Any
    before: Any
    computes_again: bool = False


@dataclass(frozen=True, slots=True)
class Reach:
    """What corrections reach: the lots that rest on ``sources``, or every line there is where ``everything``.

    ``labour`` where they reach only what counts hours at their rate.
    """

    sources: frozenset[Source] = frozenset()
    everything: bool = False
    labour: bool = False

    def __bool__(self) -> bool:
        return self.everything or bool(self.sources)


def reach_of(book: Book, corrections: Sequence[Correction]) -> Reach:
    """Return what some corrections reach. A record that is new reaches nothing, but for a late assay and for prices of
    days that are past."""
    several = [each for each in corrections if each.now != each.before]
    rated = [each for each in several if _rates_lines(book, each)]
    sources = {source for each in several for source in _sources(book, each)}
    sources |= _assayed(book, [each.now for each in several if isinstance(each.now, StockEntry)])
    sources |= _priced(book, [each for each in several if each.kind == "offers"])
    labour = any(record.of == LABOUR for each in rated for record in _rates_in(each))
    return Reach(frozenset(sources), bool(rated), labour)


def _rates_in(each: Correction) -> Iterator[Rate]:
    yield from (record for record in (each.now, each.before) if isinstance(record, Rate))


def _rates_lines(book: Book, each: Correction) -> bool:
    """Say whether a rate, or an exchange rate to the book's currency, counts for any line so far."""
    for record in (each.now, each.before):
        if isinstance(record, Rate):
            of = record.of
        elif isinstance(record, ExchangeRate) and _turns_into(book.workshop.currency, record, book):
            of = None  # any line may be in that currency, or go by an offer or a rate that is
        else:
            continue
        if ledger_rows.has_lines(book.reading, record.valid_from.isoformat(), of):
            return True
    return False


def _turns_into(currency: str, rate: ExchangeRate, book: Book) -> bool:
    """Say whether a rate is to a currency from another one in which the workshop has money."""
    pair = {rate.base, rate.quote}
    return currency in pair and any(money.is_used(book.reading, other) for other in pair - {currency})


def _sources(book: Book, each: Correction) -> Iterable[Source]:
    """The records whose lots may cost otherwise by one correction, of kinds that are looked at one by one."""
    kind, code, now, before = each.kind, each.code, each.now, each.before
    if isinstance(now or before, Route):
        return [*_made_here(book, now, before), *(_computed_again(book, each) if each.computes_again else ())]
    if now is None or before is None or _weighs_and_pays(now) == _weighs_and_pays(before):
        return ()
    if kind in SOURCE_KINDS and kind != "stock-entries":
        return [(kind, code)]
    if isinstance(now, Material):
        forms = {code} | {form for _, form in links.links_to(book.reading, "materials", [code], from_kind="materials")}
        lots = shelf.stored_lots(book.reading, shelf.of_material(book.reading, forms)).values()
        runs = links.links_to(book.reading, "materials", forms, from_kind="runs")
        return [*((stored.lot.source_kind, stored.lot.source_code) for stored in lots), *runs]
    return ()


def _computed_again(book: Book, each: Correction) -> Iterator[Source]:
    if each.now is not None and each.before is not None:
        altered = [step.code for step in each.now.steps if step != each.before.step(step.code)]
        yield from (("runs", run) for run in standing.runs_of_route(book.reading, [each.code], altered))


def _made_here(book: Book, now: Route | None, before: Route | None) -> Iterator[Source]:
    """The runs that charged, without its lot, what a step makes now or made: no offer stands in for it then."""
    made, was = (set() if route is None else {step.product for step in route.steps} for route in (now, before))
    if made != was:
        yield from (("runs", run) for run in ledger_rows.runs_charging_bare(book.reading, made ^ was))


def _assayed(book: Book, several: Collection[StockEntry]) -> set[Source]:
    """The records that made the lots of which an assay is written, or taken back."""
    wrong = book.records("stock-entries", taken_back) if (
        taken_back := [entry.reverses for entry in several if entry.reverses is not None]
    ) else {}  # fmt: skip
    lots = {entry.lot for entry in (*several, *wrong.values()) if entry.kind == ASSAY and entry.lot is not None}
    found = shelf.stored_lots(book.reading, lots).values() if lots else ()
    return {(stored.lot.source_kind, stored.lot.source_code) for stored in found}


def _priced(book: Book, several: Collection[Correction]) -> set[Source]:
    """Purchases by some offers, and the runs that charged their materials on days on which these hold, or held."""
    if not several:
        return set()
    found = set(links.links_to(book.reading, "offers", [each.code for each in several], from_kind="purchases"))
    first: dict[str, dt.date] = {}
    for each in several:
        for offer in (each.now, each.before):
            if isinstance(offer, Offer):
                first[offer.material] = min(_first_day(offer), first.get(offer.material, dt.date.max))
    days: dict[dt.date, list[str]] = {}
    for material, day in first.items():
        days.setdefault(day, []).append(material)
    for day, materials in days.items():
        runs = [run for _, run in links.links_to(book.reading, "materials", materials, from_kind="runs")]
        found |= {("runs", run) for run in ledger_rows.runs_begun_from(book.reading, runs, day.isoformat())}
    return found


def _first_day(offer: Offer) -> dt.date:
    return offer.valid_from or dt.date.min


def _weighs_and_pays(record: Any) -> Any:
    """A record without what nothing is computed from, so that a note that is mended traces nothing."""
    if isinstance(record, Run):
        return replace(record, note=None, tags=(), operator=None, project=None, excluded=None)
    if isinstance(record, Material):
        return (record.formula, record.stated_molar_mass, record.density, dict(record.contents), record.analyte)
    return record
