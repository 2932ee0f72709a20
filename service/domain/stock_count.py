"""A whole shelf counted at once: what was found of each lot at the end of a day."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from service.domain.quantity import Quantity


@dataclass(frozen=True, slots=True)
class CountedLot:
    """One lot, and how much of it was found."""

    lot: str
    amount: Quantity


@dataclass(frozen=True, slots=True)
class StockCount:
    """What was counted on a day, lot by lot; each becomes a recount of its own."""

    on: dt.date
    counted: tuple[CountedLot, ...]
    operator: str | None = None
    note: str | None = None
