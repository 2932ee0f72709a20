"""The workshop (the tenant), its projects and its dated rates."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal

from service.domain.money import Money
from service.domain.quantity import Quantity


@dataclass(frozen=True, slots=True)
class MaterialLimit:
    """A limit that the workshop itself recorded for a material, with where it comes from and since when."""

    material: str
    source: str
    on: dt.date
    largest_amount: Quantity | None = None
    largest_concentration: Quantity | None = None
    licence: str | None = None


@dataclass(frozen=True, slots=True)
class Workshop:
    """One makerspace: its book currency, the volume of its room, the limits that it keeps for itself.

    >>> Workshop().currency
    'EUR'
    """

    currency: str = "EUR"
    title: str | None = None
    room_volume: Quantity | None = None
    limits: tuple[MaterialLimit, ...] = ()


@dataclass(frozen=True, slots=True)
class Project:
    """A piece of shared work; runs are booked on one."""

    code: str
    name: str
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Rate:
    """A dated price for an hour of labour, a kilowatt-hour of energy or a kilogram of waste."""

    code: str
    of: str
    price: Money
    per: Quantity
    valid_from: dt.date
    waste_class: str | None = None


@dataclass(frozen=True, slots=True)
class ExchangeRate:
    """What one unit of ``base`` was worth in ``quote`` from a day on.

    >>> ExchangeRate("usd-2026", "USD", "EUR", Decimal("0.92"), dt.date(2026, 1, 1)).rate
    Decimal('0.92')
    """

    code: str
    base: str
    quote: str
    rate: Decimal
    valid_from: dt.date
