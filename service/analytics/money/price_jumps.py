"""Prices that jump: beside what the same was sold for before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

COMPARED: Final = 5
"""A price is compared with so many before it, the newest (judgement)."""
UP, DOWN = 1.5, 0.5
"""A price above the first of these times the median of those, or below the second, has jumped (judgement)."""
ALIKE: Final = 4.0
"""Packs that differ more than so many times in size are not compared: a small one costs more for each gram."""


@dataclass(frozen=True, slots=True)
class Jump:
    """The price at ``place`` is ``times`` the median of the ``compared`` ones before it, ``usual`` a unit."""

    place: int
    times: float
    usual: float
    compared: int


def price_jumps(prices: Sequence[float], sizes: Sequence[float | None]) -> list[Jump]:
    """Return which prices of one material jumped, in the order of time in which they are given.

    ``prices`` are money for a contained gram (or millilitre), above 0; 0 is a gift, compared with nothing. ``sizes``
    are the amounts that each was the price of, in one unit, None where it is a price for no pack: that is compared with
    every size. A price that is much as the last one of its size says nothing new and is not told of again; so a lasting
    change is told of once. One price before is enough to compare with: how many there were stands in the answer.

    >>> price_jumps([0.0035, 0.0034, 0.0036, 3.5, 0.0035], [1000.0] * 5)
    [Jump(place=3, times=1000.0, usual=0.0035, compared=3)]
    >>> price_jumps([0.0035, 0.02], [1000.0, 50.0])
    []
    """
    found = []
    for place, price in enumerate(prices):
        before = [prices[other] for other in range(place) if prices[other] > 0.0 and _alike(sizes[other], sizes[place])]
        if price <= 0.0 or not before:
            continue
        usual = median(before[-COMPARED:])
        times, since = price / usual, price / before[-1]
        if not DOWN <= times <= UP and not DOWN <= since <= UP:
            found.append(Jump(place, times, usual, len(before[-COMPARED:])))
    return found


def _alike(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return True
    return max(one, other) <= ALIKE * min(one, other)
