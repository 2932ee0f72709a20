"""The part of the ledger that one lot came from: the rows of its ancestors, and nothing else, are read and traced.

What others took of the same lots is read as bare amounts, so that every figure is the one of the whole ledger to the
last millionth: a take is worth the part of its lot that it reaches. Where the whole ledger is held in memory as of the
same state it is asked instead.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_left
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate

from service.analytics.money.ledger import Ledger
from service.answer.book import Book
from service.answer.ledger import TracedLedger, built_events
from service.answer.ledger_columns import LedgerColumns, empty_columns, with_events
from service.answer.ledger_events import Facts, source_key
from service.answer.ledger_memory import Basis
from service.answer.ledger_money import LedgerMoney
from service.answer.shelf import contained_in, grams_of
from service.domain.lot import ShelfLot
from service.domain.material import Material
from service.store import ledger_rows, shelf
from service.store.ledger_lines import TAKEN, Source, Taken
from service.store.shelf import StoredLot


@dataclass(frozen=True, eq=False)
class LotLedger:
    """A ledger that holds the ancestors of one lot: ``number`` is the lot's own, ``units`` what was put on the shelf in
    its own dimension, ``gross_g`` the same in grams, ``contained_g`` what that holds of the wanted substance; each None
    where not known."""

    lot: ShelfLot
    number: int
    units: int | None
    gross_g: float | None
    contained_g: float | None
    currency: str
    columns: LedgerColumns
    ledger: Ledger

    @property
    def dry_g(self) -> float | None:
        """Grams of the lot as it was made, without what it loses on drying."""
        lod = self.lot.strength.loss_on_drying
        return None if self.gross_g is None else self.gross_g * (1.0 - (lod.value if lod is not None else 0.0))

    def facts(self, event: int) -> Facts:
        """What is said of an event of these."""
        found: Facts = self.columns.facts[event]
        return found


@dataclass(frozen=True, eq=False)
class RunLedger:
    """A ledger that holds a run and the ancestors of what it takes: ``number`` is that of the run's own event."""

    number: int
    currency: str
    columns: LedgerColumns
    ledger: Ledger

    @property
    def facts(self) -> Facts:
        """What is said of the run."""
        found: Facts = self.columns.facts[self.number]
        return found


def lot_ledger(book: Book, code: str, currency: str | None = None, *, labour: bool = False) -> LotLedger:
    """Return the ledger of the ancestors of a lot. Raises UnknownRecord where there is no such lot."""
    found = lot_ledgers(book, [code], currency, labour=labour)
    if not found:
        raise book.unknown("lots", code)
    return found[code]


def lot_ledgers(
    book: Book, codes: Collection[str], currency: str | None = None, *, labour: bool = False
) -> dict[str, LotLedger]:
    """Return, by lot, the one ledger of the ancestors of some lots; what is no lot is left out."""
    stored = shelf.stored_lots(book.reading, codes)
    if not stored:
        return {}
    basis = Basis(book.reading.workshop_id, currency or book.workshop.currency, labour)
    columns, ledger = _held(book, basis) or _walked(book, ledger_rows.sources_behind(book.reading, list(stored)), basis)
    known: dict[str, Material] = dict(book.materials({each.lot.material for each in stored.values()}))
    return {code: _lot_in(each, known, basis.currency, columns, ledger) for code, each in stored.items()}


def lot_in_whole(book: Book, stored: StoredLot, traced: TracedLedger) -> LotLedger:
    """Return the ledger of one lot, as it is stored, within a whole one."""
    known = dict(book.materials([stored.lot.material]))
    return _lot_in(stored, known, traced.basis.currency, traced.columns, traced.ledger)


def _lot_in(
    stored: StoredLot, materials: dict[str, Material], currency: str, columns: LedgerColumns, ledger: Ledger
) -> LotLedger:
    number = columns.lot(stored.lot.code)
    assert number is not None, "a lot stands in the lines of the record that made it"
    gross_g = None if stored.amount is None else grams_of(stored.amount, stored.lot, materials)
    contained_g = None if stored.amount is None else contained_in(stored.amount, stored.lot, materials)
    return LotLedger(stored.lot, number, stored.amount, gross_g, contained_g, currency, columns, ledger)


def run_ledger(book: Book, code: str, currency: str | None = None, *, labour: bool = False) -> RunLedger:
    """Return the ledger of a run and of the ancestors of what it takes. Raises UnknownRecord where there is none."""
    book.stored("runs", code)
    basis = Basis(book.reading.workshop_id, currency or book.workshop.currency, labour)
    found = _held(book, basis) or _walked(book, ledger_rows.sources_behind_run(book.reading, code), basis)
    number = found[0].event(source_key("runs", code))
    assert number is not None, "a run takes something in, which has its line"
    return RunLedger(number, basis.currency, *found)


def _held(book: Book, basis: Basis) -> tuple[LedgerColumns, Ledger] | None:
    """Return the whole ledger where it is in memory as of the same state."""
    held = book.ledgers.held(basis)
    return (held.columns, held.ledger) if isinstance(held, TracedLedger) and held.state == book.state else None


def _walked(book: Book, sources: Collection[Source], basis: Basis) -> tuple[LedgerColumns, Ledger]:
    """Read the ancestors from the tables."""
    rows = ledger_rows.ledger_of_sources(book.reading, sources)
    money = LedgerMoney(book, basis.currency)
    columns = with_events(empty_columns(), (), built_events(book, rows, money, labour=basis.labour))
    ledger = columns.ledger()
    taken = {line.lot for line in rows.lines if line.kind in TAKEN and line.lot is not None}
    # What others took after the last of these takes moves none of them.
    last = int(ledger.begun[ledger.take_event].max(initial=0))
    takes = ledger_rows.amounts_taken(book.reading, taken, dt.date.fromordinal(last).isoformat() if last else "")
    return columns, _reached(ledger, book, takes, sources)


def _reached(ledger: Ledger, book: Book, takes: Sequence[Taken], behind: Collection[Source]) -> Ledger:
    """Return ``ledger`` with every take as far into its lot as it reaches once what others took is counted too."""
    others: dict[str, list[tuple[str, str, int]]] = {}
    undated = {take.lot for take in takes if take.on is None}
    days = ledger_rows.days_of_lots(book.reading, undated) if undated else {}
    for take in takes:
        if take.quantity and (take.source_kind, take.source_code) not in behind:
            on = take.on or days.get(take.lot, "")
            others.setdefault(take.lot, []).append((on, source_key(*take[1:3]), -take.quantity))
    if not others:
        return ledger
    order = ledger.order
    reach = order.reach.astype(object)
    for lot, several in others.items():
        several.sort()
        sums = [0, *accumulate(quantity for _, _, quantity in several)]
        place = int(order.place[bisect_left(ledger.lots, lot)])
        for rank in range(*order.take_bounds[place : place + 2].tolist()):
            event = int(ledger.take_event[order.takes[rank]])
            day = int(ledger.begun[event])
            on = dt.date.fromordinal(day).isoformat() if day else ""
            reach[rank] += sums[bisect_left(several, (on, ledger.events[event], 0))]
    return replace(ledger, order=replace(order, reach=reach))
