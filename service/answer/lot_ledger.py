"""The part of the ledger that one lot came from: the rows of its ancestors, and nothing else, are read and traced.

What others took of the same lots is read as bare amounts, so that every figure is the one of the whole ledger to the
last millionth: a take is worth the part of its lot that it reaches. Where the whole ledger is held in memory as of the
same state it is asked instead.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from service.analytics.money.ledger import Ledger
from service.analytics.money.traced import Values, traced_values
from service.answer.book import Book
from service.answer.ledger import TracedLedger, events_of
from service.answer.ledger_columns import LedgerColumns, columns_of
from service.answer.ledger_events import Facts, on_shelf, source_key
from service.answer.ledger_memory import Basis
from service.answer.ledger_money import LedgerMoney
from service.answer.shelf import contained_in, grams_in
from service.domain.lot import Strength
from service.store import ledger_rows
from service.store.ledger_lines import LotRow, Taken
from service.store.ledger_rows import LedgerRows
from service.store.strengths import strength_from


@dataclass(frozen=True, eq=False)
class _Part:
    """A ledger that holds all that stands behind something, with what it cost: ``number`` is that of the something.
    ``whole``: it holds all else too."""

    number: int
    whole: bool
    currency: str
    columns: LedgerColumns
    ledger: Ledger
    traced: Values

    def facts(self, event: int) -> Facts:
        """What is said of an event of these."""
        found: Facts = self.columns.facts[event]
        return found

    def row(self, lot: int) -> LotRow:
        """What the table of lots says of one of these."""
        found: LotRow = self.columns.rows[lot]
        return found


@dataclass(frozen=True, eq=False)
class LotLedger(_Part):
    """A ledger that holds the ancestors of one lot: ``number`` is the lot's own, ``gross_g`` what was put on the shelf
    in grams, ``contained_g`` what that holds of the wanted substance; both None where not known."""

    lot: LotRow
    gross_g: float | None
    contained_g: float | None

    @property
    def strength(self) -> Strength:
        """What a gram of the lot holds."""
        return strength_from(self.lot.strength)

    @property
    def dry_g(self) -> float | None:
        """Grams of the lot as it was made, without what it loses on drying."""
        lod = self.strength.loss_on_drying
        return None if self.gross_g is None else self.gross_g * (1.0 - (lod.value if lod is not None else 0.0))


@dataclass(frozen=True, eq=False)
class RunLedger(_Part):
    """A ledger that holds a run and the ancestors of what it takes: ``number`` is that of the run's own event."""


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
    basis = Basis(book.reading.workshop_id, currency or book.workshop.currency, labour)
    held = _held(book, basis)
    parts = held or _walked(book, ledger_rows.ledger_behind(book.reading, codes), basis)
    return _sized(book, codes, basis.currency, parts, whole=held is not None)


def _sized(
    book: Book, codes: Collection[str], currency: str, parts: tuple[LedgerColumns, Ledger, Values], *, whole: bool
) -> dict[str, LotLedger]:
    """Return the lots as they stand in a ledger, with what each holds."""
    columns, ledger, traced = parts
    numbers = {code: columns.lot(code) for code in codes}
    every: dict[str, LotRow] = {code: columns.rows[lot] for code, lot in numbers.items() if lot is not None}
    rows = {code: row for code, row in every.items() if on_shelf(row)}
    strengths = {code: strength_from(row.strength) for code, row in rows.items()}
    # A mass that is no solution tells by itself what it holds.
    sized_by = {row.material for code, row in rows.items() if row.dimension != "mass" or strengths[code].is_solution}
    known = book.materials(sized_by) if sized_by else {}
    found = {}
    for code, row in rows.items():
        number, gross_g, contained_g = numbers[code], None, None
        assert number is not None, "those without a number are left out"
        if row.amount is not None:
            gross_g = grams_in(row.amount, row.material, row.dimension, strengths[code], known)
            contained_g = contained_in(row.amount, row.material, row.dimension, strengths[code], known)
        found[code] = LotLedger(number, whole, currency, columns, ledger, traced, row, gross_g, contained_g)
    return found


def lot_in_whole(book: Book, code: str, traced: TracedLedger) -> LotLedger:
    """Return the ledger of one lot within a whole one."""
    return _sized(book, [code], traced.basis.currency, (traced.columns, traced.ledger, traced.traced), whole=True)[code]


def run_ledger(book: Book, code: str, currency: str | None = None, *, labour: bool = False) -> RunLedger:
    """Return the ledger of a run and of the ancestors of what it takes. Raises UnknownRecord where there is none."""
    book.stored("runs", code)
    basis = Basis(book.reading.workshop_id, currency or book.workshop.currency, labour)
    held = _held(book, basis)
    found = held or _walked(book, ledger_rows.ledger_behind_runs(book.reading, [code]), basis)
    number = found[0].event(source_key("runs", code))
    assert number is not None, "a run takes something in, which has its line"
    return RunLedger(number, held is not None, basis.currency, *found)


def _held(book: Book, basis: Basis) -> tuple[LedgerColumns, Ledger, Values] | None:
    """Return the whole ledger where it is in memory as of the same state."""
    held = book.ledgers.held(basis)
    if isinstance(held, TracedLedger) and held.state == book.state:
        return held.columns, held.ledger, held.traced
    return None


def _walked(book: Book, rows: LedgerRows, basis: Basis) -> tuple[LedgerColumns, Ledger, Values]:
    """Trace what stands in rows of ancestors, beside which what others took is read."""
    rows, takes = _with_others(book, rows)
    columns = columns_of(events_of(book, rows, LedgerMoney(book, basis.currency), labour=basis.labour, takes=takes))
    ledger = columns.ledger()
    return columns, ledger, traced_values(ledger)


def _with_others(book: Book, rows: LedgerRows) -> tuple[LedgerRows, list[Taken]]:
    """Return the rows, and what others took of the lots that these take from.

    A run that nobody dated counts on the day of the latest lot that it takes from: what stands behind such a one is
    read too, since only that tells which of the takes came first.
    """
    while True:
        taken = rows.taken
        if not taken:
            return rows, []
        # What others took after the last of these days moves none of them, and of any other day all of it together.
        takes = ledger_rows.amounts_taken(book.reading, taken, rows.days)
        others = [take for take in takes if (take.source_kind, take.source_code) not in rows.lines]
        undated = {take.source_code for take in others if take.on is None and take.source_kind == "runs"}
        if not undated:
            return rows, others
        rows = rows.joined(ledger_rows.ledger_behind_runs(book.reading, undated))
