"""Stock entries: what is noted of a lot after it came to the shelf. Dated, never edited, never removed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from service.domain.lot import Strength
from service.domain.quantity import Quantity

DELIVERY = "delivery"
SAMPLE = "sample"
RECOUNT = "recount"
ASSAY = "assay"
WRITE_OFF = "write-off"
DISPOSAL = "disposal"
ENTRY_KINDS = (DELIVERY, SAMPLE, RECOUNT, ASSAY, WRITE_OFF, DISPOSAL)

NOTHING_STATED = Strength()


@dataclass(frozen=True, slots=True)
class StockEntry:
    """One note about a lot: so much was taken (delivery, sample, write-off, disposal), so much was counted at the end
    of the day (recount), it was found to be so strong (assay); or that another entry was wrong (``reverses``).

    An entry that ``reverses`` another names neither lot nor kind: they are those of the other.
    """

    code: str
    on: dt.date
    lot: str | None = None
    kind: str | None = None
    amount: Quantity | None = None
    strength: Strength = NOTHING_STATED
    reverses: str | None = None
    reason: str | None = None
    operator: str | None = None
    project: str | None = None
    note: str | None = None


def standing_entries(entries: Iterable[StockEntry]) -> list[StockEntry]:
    """Return the entries of a lot that count, by day and code: neither those taken back nor those that take back.

    >>> day = dt.date(2026, 5, 1)
    >>> wrong, right = StockEntry("a", day, "lot-1", "sample"), StockEntry("b", day, "lot-1", "sample")
    >>> [entry.code for entry in standing_entries([right, wrong, StockEntry("c", day, reverses="a")])]
    ['b']
    """
    several = list(entries)
    taken_back = {entry.reverses for entry in several}
    found = [entry for entry in several if entry.reverses is None and entry.code not in taken_back]
    return sorted(found, key=lambda entry: (entry.on, entry.code))


def found_strength(entries: Iterable[StockEntry]) -> Strength | None:
    """Return what the assays of a lot found, the newest over those before it; None where there is none that counts.

    >>> from service.domain.lot import Measured
    >>> first = StockEntry("a", dt.date(2026, 5, 1), "lot-1", ASSAY, strength=Strength(assay=Measured(0.9)))
    >>> later = StockEntry("b", dt.date(2026, 5, 2), "lot-1", ASSAY, strength=Strength(loss_on_drying=Measured(0.1)))
    >>> found = found_strength([later, first])
    >>> found.assay.value, found.loss_on_drying.value
    (0.9, 0.1)
    """
    found: Strength | None = None
    for entry in standing_entries(entries):
        if entry.kind == ASSAY:
            found = entry.strength if found is None else entry.strength.over(found)
    return found
