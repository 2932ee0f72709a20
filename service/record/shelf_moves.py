"""Lots put on the shelf, and who is touched where one of them becomes another."""

from __future__ import annotations

from dataclasses import replace

from service.record.bench import Bench
from service.record.shelving import as_found
from service.store import links
from service.store.shelf import StoredLot


def shelve(bench: Bench, known: dict[str, StoredLot], made: list[StoredLot]) -> list[str]:
    """Put lots on the shelf, but for those that stand there already; return those that are used otherwise now."""
    state = bench.writing.state
    made = [as_found(lot, known.get(lot.lot.code)) for lot in made]
    bench.put_lots([replace(lot, state=state) for lot in made if not _stands(known.get(lot.lot.code), lot)])
    return otherwise([known.get(lot.lot.code) for lot in made], made)


def users_of(bench: Bench, lots: list[str]) -> tuple[set[str], set[str]]:
    """The runs that charge one of ``lots``, and the pools that one of them went into; its stock entries wait."""
    found = links.links_to(bench.writing, "lots", lots) if lots else []
    if any(kind == "stock-entries" for kind, _ in found):
        bench.note_stock(lots)
    return {code for kind, code in found if kind == "runs"}, {code for kind, code in found if kind == "pools"}


def otherwise(before: list[StoredLot | None], after: list[StoredLot]) -> list[str]:
    """The lots, of those that were there before, that now hold something else or expire on another day."""
    return [
        now.lot.code
        for was, now in zip(before, after, strict=True)
        if was is not None
        and (was.lot.material, was.lot.dimension, was.lot.strength, was.lot.expires_on)
        != (now.lot.material, now.lot.dimension, now.lot.strength, now.lot.expires_on)
    ]


def _stands(known: StoredLot | None, stored: StoredLot) -> bool:
    return known is not None and replace(known, state=None) == replace(stored, state=None)
