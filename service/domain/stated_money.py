"""What a record itself states of money, in exact integers: what a charge's own price comes to, and shares of a cost."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise
from typing import Final

from service.domain.lot import Strength
from service.domain.material import Material
from service.domain.run import Charge, Outturn
from service.domain.shelf_amount import in_dimension

WHOLE_MICRO: Final = 10**6
"""The whole of a cost in 10⁻⁶."""


def price_micro(charge: Charge, strength: Strength, material: Material, analyte: Material | None = None) -> int | None:
    """Return what a charge's own price comes to for its amount, in 10⁻⁶ of its currency; None where it states none.

    The one rounding is the last, a half to the even one. None too where the amount cannot be turned into what the price
    is per: ``strength`` is that of what was charged, ``material`` what it is of, ``analyte`` what that is a form of.

    >>> from service.domain.money import parse_money
    >>> from service.domain.quantity import parse_quantity
    >>> from service.domain.run import UnitPrice
    >>> kilogram = UnitPrice(parse_money({"amount": "3.50", "currency": "EUR"}), parse_quantity("1 kg", ("mass",)))
    >>> soda = Charge(parse_quantity("23.5 g", ("mass",)), material="soda", price=kilogram)
    >>> price_micro(soda, Strength(), Material("soda", "soda"))
    82250
    """
    price = charge.price
    if price is None:
        return None
    charged = in_dimension(charge.amount, price.per.dimension, strength, material, analyte)
    if isinstance(charged, str):
        return None
    return round(Fraction(price.price.amount) * WHOLE_MICRO * charged / price.per.exact_base())


def cost_shares_micro(outturns: Sequence[Outturn]) -> list[int | None]:
    """Return the shares of a run's cost that its outturns state, in 10⁻⁶; None where one states none.

    Rounded at the ends of their running sum: each is within one millionth, and shares of 1 come to exactly 10⁶.

    >>> from service.domain.quantity import parse_fraction
    >>> third = parse_fraction("0.33333333", name="cost_share")
    >>> cost_shares_micro([Outturn("a", cost_share=third), Outturn("b"), Outturn("c", cost_share=third)])
    [333333, None, 333334]
    """
    stated = [None if each.cost_share is None else each.cost_share.exact_base() for each in outturns]
    ends = [Fraction(0)]
    for share in stated:
        ends.append(ends[-1] + (share or 0))
    parts = [round(end * WHOLE_MICRO) - round(begin * WHOLE_MICRO) for begin, end in pairwise(ends)]
    return [None if share is None else part for share, part in zip(stated, parts, strict=True)]
