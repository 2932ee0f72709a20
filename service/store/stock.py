"""Which stock entries a lot has, and who takes from lots when."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from sqlalchemy import func, select

from service.store.rows import chunks, of_workshop
from service.store.session import Reading
from service.store.tables import entries, stock_entries

GIVES = ("opening", "purchase", "outturn", "pool-out")
"""The lines by which a lot comes to the shelf."""


@dataclass(frozen=True, slots=True)
class Use:
    """A record takes from a lot, or counts it; ``on`` as ISO text, None where it has no day."""

    lot: str
    kind: str
    code: str
    on: str | None


def entries_on(reading: Reading, lots: Collection[str]) -> dict[str, list[str]]:
    """The codes of the stock entries of lots, those that take others back among them; by lot and code."""
    found: dict[str, list[str]] = {lot: [] for lot in lots}
    for chunk in chunks(lots):
        statement = select(stock_entries.c.lot, stock_entries.c.code).where(
            of_workshop(reading, stock_entries), stock_entries.c.lot.in_(chunk or [])
        )
        for lot, code in reading.connection.execute(statement.order_by(stock_entries.c.code)):
            found[lot].append(code)
    return found


def last_recounts(reading: Reading, lots: Collection[str]) -> dict[str, str]:
    """The day, as ISO text, of the last recount of each of ``lots`` that has any, one that was taken back too."""
    found: dict[str, str] = {}
    s = stock_entries.c
    for chunk in chunks(lots):
        own = (of_workshop(reading, stock_entries), s.lot.in_(chunk or []), s.kind == "recount")
        found |= dict(map(tuple, reading.connection.execute(select(s.lot, func.max(s.on)).where(*own).group_by(s.lot))))
    return found


def codes_like(reading: Reading, pattern: str) -> list[str]:
    """The codes of stock entries that a pattern of SQL fits, in order."""
    statement = select(stock_entries.c.code).where(of_workshop(reading, stock_entries))
    return list(reading.connection.scalars(statement.where(stock_entries.c.code.like(pattern)).order_by("code")))


def uses_of(reading: Reading, lots: Collection[str]) -> list[Use]:
    """Every use of lots by charges, pools and stock entries, assays among them, by day, record and lot."""
    found: set[Use] = set()
    for chunk in chunks(lots):
        e, s = entries.c, stock_entries.c
        lines = select(e.lot, e.source_kind, e.source_code, e.on).where(
            of_workshop(reading, entries), e.lot.in_(chunk or []), e.kind.not_in(GIVES)
        )
        found |= {Use(*row) for row in reading.connection.execute(lines)}
        noted = select(s.lot, s.code, s.on).where(
            of_workshop(reading, stock_entries), s.lot.in_(chunk or []), s.kind == "assay", s.reverses.is_(None)
        )
        found |= {Use(lot, "stock-entries", code, on) for lot, code, on in reading.connection.execute(noted)}
    return sorted(found, key=lambda use: (use.on or "", use.kind, use.code, use.lot))
