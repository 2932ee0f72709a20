"""The traced ledger of a workshop in memory, as of one state and in one currency; after a write it is only re-traced.

Sets are published whole and never change, so readers share them without a lock; they are bounded in bytes, the one that
was longest unused going first.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial

from service.analytics.money.ledger import Ledger
from service.analytics.money.loaded import Loaded, loaded_cost
from service.analytics.money.traced import Traced, traced_cost
from service.answer.book import Book
from service.answer.ledger_columns import LedgerColumns, columns_of, with_events
from service.answer.ledger_events import EventBuilder, Events
from service.answer.ledger_memory import Basis
from service.answer.ledger_money import LedgerMoney
from service.store import ledger_rows, links, records
from service.store.ledger_lines import Source, Taken
from service.store.ledger_rows import LedgerRows, WholeLedger


@dataclass(frozen=True, eq=False)
class TracedLedger:
    """Everything that a workshop's ledger holds, in order and with what it cost, in one currency."""

    state: int
    basis: Basis
    own_made: frozenset[str]
    columns: LedgerColumns
    ledger: Ledger
    traced: Traced
    _loaded: dict[int, Loaded] = field(default_factory=dict)

    @property
    def nbytes(self) -> int:
        """About what it takes."""
        return 3 * self.columns.nbytes

    def loaded(self, as_of: dt.date) -> Loaded:
        """What every lot cost with the failures of the steps behind it, of runs that ended by that day.

        Raises NotComputable where the failures have no finite load.
        """
        day = as_of.toordinal()
        found = self._loaded.get(day)
        if found is None:
            found = loaded_cost(self.ledger, self.traced, day)
            self._loaded.clear()  # one day is asked for again and again; every other one takes as much room
            self._loaded[day] = found
        return found


def traced_ledger(book: Book, currency: str | None = None, *, labour: bool = False) -> TracedLedger:
    """Return the traced ledger of a workshop as of the state of ``book``; ``labour`` counts hours at their rate.

    Money is in ``currency``, the workshop's own where None, each sum at the rate of its day.
    """
    basis = Basis(book.reading.workshop_id, currency or book.workshop.currency, labour)
    held = book.ledgers.held(basis)
    if isinstance(held, TracedLedger) and held.state == book.state:
        return held
    money = LedgerMoney(book, basis.currency)
    made = ledger_rows.own_made(book.reading)
    columns = None
    if isinstance(held, TracedLedger) and held.state < book.state:
        columns = _moved_on(book, held, money, made)
        if columns is held.columns:
            found = TracedLedger(book.state, basis, made, columns, held.ledger, held.traced, held._loaded)
            book.ledgers.keep(basis, found)
            return found
    if columns is None:
        columns = columns_of(events_of(book, ledger_rows.whole_ledger(book.reading), money, labour=labour))
    ledger = columns.ledger()
    found = TracedLedger(book.state, basis, made, columns, ledger, traced_cost(ledger))
    book.ledgers.keep(basis, found)
    return found


def events_of(
    book: Book,
    rows: LedgerRows | WholeLedger,
    money: LedgerMoney,
    *,
    labour: bool,
    steps: Sequence[str] = (),
    takes: Iterable[Taken] = (),
) -> Events:
    """Return the events of some rows; ``takes`` are what others took of the same lots, of whom no more is told."""
    days_of = partial(ledger_rows.days_of_lots, book.reading)
    return EventBuilder(rows, money, days_of, labour=labour, steps=steps).told(takes)


def _moved_on(book: Book, held: TracedLedger, money: LedgerMoney, made: frozenset[str]) -> LedgerColumns | None:
    """Return the columns brought to the state of ``book``; None where they had better be read anew."""
    touched = ledger_rows.touched_since(book.reading, held.state)
    sources = set(touched.sources)
    for kind, code in touched.pricing:
        priced_anew = _priced_by(book, held.basis, kind, code)
        if priced_anew is None:
            return None
        sources |= priced_anew
    if made != held.own_made:
        sources |= ledger_rows.sources_of_materials(book.reading, made ^ held.own_made)
    if len(sources) > len(held.columns.events) // 2:
        return None
    if not sources:
        return held.columns
    rows = ledger_rows.ledger_of_sources(book.reading, sources)
    told = events_of(book, rows, money, labour=held.basis.labour, steps=held.columns.steps)
    return with_events(held.columns, sources, told)


def _priced_by(book: Book, basis: Basis, kind: str, code: str) -> set[Source] | None:
    """Return the records whose money may be another by a record that was written; None where all may."""
    if kind == "materials":
        forms = {code, *_codes(links.links_to(book.reading, kind, [code], from_kind=kind))}
        return ledger_rows.sources_of_materials(book.reading, forms)
    history = [stored.body for stored in records.history(book.reading, kind, code) if not stored.deleted]
    if kind == "offers":
        return ledger_rows.sources_of_materials(book.reading, {body["material"] for body in history})
    if kind == "rates":
        of = {body["of"] for body in history} - (set() if basis.labour else {"labour"})
        return ledger_rows.sources_of_work(book.reading, of, min(body["valid_from"] for body in history))
    if kind == "exchange-rates":
        return None if any(basis.currency in (body["base"], body["quote"]) for body in history) else set()
    return set()  # what a run goes by is a revision of its route, which never changes


def _codes(targets: Iterable[tuple[str, str]]) -> Collection[str]:
    return [code for _, code in targets]
