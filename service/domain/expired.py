"""Charges from lots that had expired."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from service.domain.finding import Finding
from service.domain.ledger_day import taken_on
from service.domain.lot import ShelfLot
from service.domain.run import Run


def expired_charges(run: Run, lots: Mapping[str, ShelfLot]) -> Iterator[Finding]:
    """Yield the first charge of each lot that was taken on a day after the lot expired.

    ``lots`` holds every lot charged. The day of expiry itself is not after it; a run without a day is not asked.

    >>> import datetime as dt
    >>> from service.domain.lot import Strength
    >>> from service.domain.quantity import parse_quantity
    >>> from service.domain.run import Charge
    >>> run = Run("r1", "r", "wash", "open", (Charge(parse_quantity("5 g", ("mass",)), lot="acid-7"),),
    ...           started_on=dt.date(2026, 4, 2))
    >>> acid = ShelfLot("acid-7", "acid", "mass", Strength(), "lots", "acid-7", expires_on=dt.date(2026, 4, 1))
    >>> [found.detail for found in expired_charges(run, {"acid-7": acid})]
    ['lot acid-7 of acid expired on 2026-04-01 and was charged on 2026-04-02']
    """
    day = taken_on(run)
    if day is None:
        return
    seen: set[str] = set()
    for place, charge in enumerate(run.charges):
        lot = None if charge.lot is None else lots[charge.lot]
        if lot is None or lot.code in seen or lot.expires_on is None or lot.expires_on >= day:
            continue
        seen.add(lot.code)
        detail = f"lot {lot.code} of {lot.material} expired on {lot.expires_on} and was charged on {day}"
        yield Finding("expired-stock", detail, place=f"/charges/{place}", about=lot.code)
