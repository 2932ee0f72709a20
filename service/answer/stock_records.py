"""What stands beside purchases and stock entries when they are read: what they come to in the ledger."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from service.answer.book import Book
from service.domain.money import Money, from_micro
from service.domain.shelf_amount import UNIT_KEYS, UNITS_PER_BASE
from service.store.entries import Entry, of_sources
from service.store.records import StoredRecord


def landed(book: Book, several: Sequence[StoredRecord]) -> dict[str, dict[str, Any]]:
    """Return of each purchase what its lots cost with their share of shipping and tax."""
    found: dict[str, list[Entry]] = {stored.code: [] for stored in several}
    for line in of_sources(book.reading, "purchases", list(found)):
        found[line.source_code].append(line)
    return {
        code: {"landed": [{"lot": line.lot, "value": money_told(line.price_micro, line.currency)} for line in lines]}
        for code, lines in found.items()
    }


def booked(book: Book, several: Sequence[StoredRecord]) -> dict[str, dict[str, Any]]:
    """Return of each stock entry what it puts on its lot, signed; an assay puts nothing."""
    found: dict[str, dict[str, Any]] = {stored.code: {"booked": None} for stored in several}
    for line in of_sources(book.reading, "stock-entries", list(found)):
        base = None if line.quantity is None else line.quantity / UNITS_PER_BASE[line.dimension]
        told = {"lot": line.lot, "kind": line.kind, "on": line.on, f"quantity_{UNIT_KEYS[line.dimension]}": base}
        reasons = {} if line.reason is None else {"quantity": line.reason}
        found[line.source_code] = {"booked": {**told, "reasons": reasons}}
    return found


def money_told(micro: int | None, currency: str | None) -> dict[str, str] | None:
    """Return a sum as it goes over the wire, None where there is none."""
    return None if micro is None or currency is None else Money(from_micro(micro), currency).trimmed().as_dict()
