"""Offers: a price for a pack of a material, with dates."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from service.domain.money import Money
from service.domain.quantity import Quantity
from service.domain.shelf_life import ShelfLife


@dataclass(frozen=True, slots=True)
class Offer:
    """A price for a pack of a material. A pack states no weighing: its amount is taken as printed.

    ``assay`` is a mass fraction, ``density`` in g/mL, ``shelf_life`` how long an unopened pack keeps from the day on
    which it is bought; each may be None where the seller prints none.
    """

    code: str
    material: str
    supplier: str
    pack: Quantity
    price: Money
    assay: Quantity | None = None
    density: Quantity | None = None
    valid_from: dt.date | None = None
    valid_to: dt.date | None = None
    shelf_life: ShelfLife | None = None

    def valid_on(self, day: dt.date) -> bool:
        """Say whether the offer stands on ``day``; both ends are included, and an end left out is open.

        >>> from decimal import Decimal
        >>> from service.domain.quantity import parse_quantity
        >>> offer = Offer("soda-1kg", "soda", "shop", parse_quantity("1 kg", ("mass",)), Money(Decimal("3.50"), "EUR"),
        ...               valid_from=dt.date(2026, 3, 1))
        >>> offer.valid_on(dt.date(2026, 2, 28)), offer.valid_on(dt.date(2026, 3, 1))
        (False, True)
        """
        return (self.valid_from is None or self.valid_from <= day) and (self.valid_to is None or day <= self.valid_to)
