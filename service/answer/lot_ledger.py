"""The part of the ledger that one lot came from: the rows of its ancestors, and nothing else, are read and traced.

What others took of the same lots is read as bare amounts, so that every figure is the one of the whole ledger to the
last millionth: a take is worth the part of its lot that it reaches.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter

from service.analytics.money.ledger import Event, Kind, Ledger, Take
from service.answer.book import Book
from service.answer.ledger import built_events
from service.answer.ledger_columns import LedgerColumns, empty_columns, with_events
from service.answer.ledger_events import Built, Facts, source_key
from service.answer.ledger_money import LedgerMoney
from service.answer.shelf import grams_of
from service.domain.lot import ShelfLot
from service.domain.material import Material
from service.errors import UnknownRecord
from service.store import ledger_rows, shelf
from service.store.ledger_rows import Line


@dataclass(frozen=True, eq=False)
class LotLedger:
    """The ancestors of one lot in order: ``number`` is the lot's own, ``unit_g`` the dry grams of all of it, gross
    amount ``units`` in its own dimension; both None where not known."""

    lot: ShelfLot
    number: int
    units: int | None
    gross_g: float | None
    currency: str
    columns: LedgerColumns
    ledger: Ledger

    @property
    def dry_g(self) -> float | None:
        """Grams of the lot as it was made, without what it loses on drying."""
        lod = self.lot.strength.loss_on_drying
        return None if self.gross_g is None else self.gross_g * (1.0 - (lod.value if lod is not None else 0.0))

    @property
    def contained_g(self) -> float | None:
        """Grams of the wanted substance in the lot as it was made."""
        return None if self.gross_g is None else self.gross_g * self.lot.strength.mass_fraction

    def facts(self, event: int) -> Facts:
        """What is said of an event of these."""
        found: Facts = self.columns.facts[event]
        return found


def lot_ledger(book: Book, code: str, currency: str | None = None, *, labour: bool = False) -> LotLedger:
    """Return the ledger of the ancestors of a lot. Raises UnknownRecord where there is no such lot."""
    stored = shelf.stored_lots(book.reading, [code]).get(code)
    if stored is None:
        raise UnknownRecord(f"this workshop has no lot with the code {code!r}")
    behind = ledger_rows.lots_behind(book.reading, code)
    sources = {(row.source_kind, row.source_code) for row in behind}
    rows = ledger_rows.ledger_of_sources(book.reading, sources)
    takes = ledger_rows.takes_of_lots(book.reading, [row.code for row in behind])
    money = LedgerMoney(book, currency or book.workshop.currency)
    built = [*built_events(book, rows, money, labour=labour)]
    built += _others(book, [line for line in takes if line.source not in sources])
    columns = with_events(empty_columns(), (), built)
    number = columns.lot(code)
    assert number is not None, "a lot stands in the lines of the record that made it"
    known: dict[str, Material] = dict(book.materials([stored.lot.material]))
    gross_g = None if stored.amount is None else grams_of(stored.amount, stored.lot, known)
    return LotLedger(stored.lot, number, stored.amount, gross_g, money.currency, columns, columns.ledger())


def _others(book: Book, lines: Sequence[Line]) -> Iterator[Built]:
    """Give what others took as events of nothing else, each on its day and under its name."""
    undated = {line.lot for line in lines if line.on is None and line.lot is not None}
    days = ledger_rows.days_of_lots(book.reading, undated)
    for (kind, code), group in groupby(sorted(lines, key=attrgetter("source")), key=attrgetter("source")):
        each = list(group)
        key = source_key(kind, code)
        if kind not in ("runs", "pools"):
            for line in each:
                yield _bare(f"{key}/{line.kind}-{line.line:04}", kind, code, [line], line.on)
            continue
        known = [days[line.lot] for line in each if line.lot in days]
        yield _bare(key, kind, code, each, each[0].on or max(known, default=None))


def _bare(key: str, kind: str, code: str, lines: Sequence[Line], on: str | None) -> Built:
    takes = tuple(Take(line.lot or "", None if line.quantity is None else -line.quantity) for line in lines)
    day = None if on is None else dt.date.fromisoformat(on)
    return Built(Event(key, Kind.SAMPLE, day, takes=takes), Facts(kind, code))
