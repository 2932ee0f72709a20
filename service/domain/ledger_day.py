"""The days of the ledger: from which day on a lot exists, and on which day a run takes and makes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from service.domain.lot import ShelfLot
from service.domain.purchase import Purchase
from service.domain.run import Run


def exists_from(lot: ShelfLot) -> dt.date | None:
    """Return the day from which on a lot can be taken from: it was received, or its run or pool made it; None: always.

    >>> from service.domain.lot import Strength
    >>> exists_from(ShelfLot("chalk-1", "chalk", "mass", Strength(), "lots", "chalk-1")) is None
    True
    """
    return lot.received_on


def came_on(purchase: Purchase) -> dt.date:
    """Return the day on which the lots of a purchase come to the shelf: when it was received, else bought.

    >>> came_on(Purchase("p1", "shop", dt.date(2026, 3, 4), ()))
    datetime.date(2026, 3, 4)
    """
    return purchase.received_on or purchase.bought_on


def taken_on(run: Run) -> dt.date | None:
    """Return the day on which a run takes what it charges: when it began, else when it ended; None where it has no day.

    >>> taken_on(Run("r1", "r", "dry", "finished", (), finished_on=dt.date(2026, 4, 12)))
    datetime.date(2026, 4, 12)
    """
    return run.started_on or run.finished_on


def made_on(run: Run) -> dt.date | None:
    """Return the day on which a run makes what comes out: when it ended, else when it began; None where it has no day.

    >>> made_on(Run("r1", "r", "dry", "finished", (), started_on=dt.date(2026, 4, 11)))
    datetime.date(2026, 4, 11)
    """
    return run.finished_on or run.started_on


def latest(days: Iterable[dt.date | None]) -> dt.date | None:
    """Return the latest of some days, None where there is none: the day of a run that states none, by what it takes.

    >>> latest([None, dt.date(2026, 3, 4), dt.date(2026, 3, 1)]), latest([None])
    (datetime.date(2026, 3, 4), None)
    """
    return max((day for day in days if day is not None), default=None)
