"""Purchases: one receipt of one supplier, whose lines are lots; shipping and tax are shared over them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from service.domain.lot import Strength, strength_of
from service.domain.money import Money
from service.domain.offer import Offer
from service.domain.quantity import Quantity

BY_VALUE = "value"
BY_MASS = "mass"
SHARED_BY = (BY_VALUE, BY_MASS)

NOTHING_STATED = Strength()


@dataclass(frozen=True, slots=True)
class PurchaseLine:
    """One line of a receipt, and the lot that it makes: packs of an offer, or an amount of a material.

    ``price`` is what was paid for the whole line; where it is left out, that of the packs by the offer. ``strength``
    holds what the line itself states, over what the offer prints.
    """

    lot: str
    offer: str | None = None
    packs: int = 1
    material: str | None = None
    amount: Quantity | None = None
    price: Money | None = None
    strength: Strength = NOTHING_STATED
    hazards: tuple[str, ...] | None = None
    expires_on: dt.date | None = None
    project: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Purchase:
    """A receipt, in one currency. ``share_by`` says by what shipping and tax are shared over the lines."""

    code: str
    supplier: str
    bought_on: dt.date
    lines: tuple[PurchaseLine, ...]
    received_on: dt.date | None = None
    shipping: Money | None = None
    tax: Money | None = None
    share_by: str = BY_VALUE
    note: str | None = None


@dataclass(frozen=True, slots=True)
class BoughtLine:
    """A line with what its offer says: the exact amount in g, mL or mol, the money paid (None: not known)."""

    lot: str
    material: str
    dimension: str
    base: Fraction
    price: Money | None
    strength: Strength


def bought_lines(purchase: Purchase, offers: Mapping[str, Offer]) -> tuple[BoughtLine, ...]:
    """Return the lines of a purchase with what the ``offers`` that they name say of material, pack, price, strength.

    Raises KeyError for an offer that is not among them.

    >>> from service.domain.quantity import parse_quantity
    >>> pack = parse_quantity("1 kg", ("mass",))
    >>> offer = Offer("soda-1kg", "soda", "shop", pack, Money(Decimal("3.50"), "EUR"))
    >>> order = Purchase("p1", "shop", dt.date(2026, 3, 4), (PurchaseLine("soda-1", "soda-1kg", packs=2),))
    >>> (line,) = bought_lines(order, {"soda-1kg": offer})
    >>> line.material, line.dimension, int(line.base), line.price
    ('soda', 'mass', 2000, Money(amount=Decimal('7.00'), currency='EUR'))
    """
    return tuple(_bought(line, offers) for line in purchase.lines)


def _bought(line: PurchaseLine, offers: Mapping[str, Offer]) -> BoughtLine:
    if line.offer is None:
        material, amount = line.material, line.amount
        if material is None or amount is None:
            raise ValueError(f"the line of lot {line.lot} is neither of an offer nor of an amount of a material")
        return BoughtLine(line.lot, material, amount.dimension, amount.exact_base(), line.price, line.strength)
    offer = offers[line.offer]
    price = line.price or Money(offer.price.amount * Decimal(line.packs), offer.price.currency)
    printed = strength_of(assay=offer.assay, density=offer.density)
    base = offer.pack.exact_base() * line.packs
    return BoughtLine(line.lot, offer.material, offer.pack.dimension, base, price, line.strength.over(printed))


def money_of(purchase: Purchase, lines: Sequence[BoughtLine]) -> list[tuple[str, Money]]:
    """Return every sum of money of a purchase with the JSON Pointer of the place that states it.

    >>> order = Purchase("p1", "shop", dt.date(2026, 3, 4), (), shipping=Money(Decimal("4.90"), "EUR"))
    >>> money_of(order, [])
    [('/shipping/currency', Money(amount=Decimal('4.90'), currency='EUR'))]
    """
    found = []
    for i, (line, bought) in enumerate(zip(purchase.lines, lines, strict=True)):
        if bought.price is not None:
            found.append((f"/lines/{i}/offer" if line.price is None else f"/lines/{i}/price/currency", bought.price))
    for key, money in (("shipping", purchase.shipping), ("tax", purchase.tax)):
        if money is not None:
            found.append((f"/{key}/currency", money))
    return found
