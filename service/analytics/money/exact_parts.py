"""Whole millionths shared out so that none is lost and none is made."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate, pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

MOST_MICRO = 2**50
"""Below this a float quotient is less than one off, and an integer remainder puts it right."""
MOST_QUANTITY = 2**60
"""Below this that remainder fits into 64 bits, whatever the product of amount and value wraps to."""


def part_of(value: int, reach: int, quantity: int) -> int:
    """Return what the first ``reach`` of ``quantity`` units are worth of a lot's ``value``, to the nearest unit.

    A take is worth the part at its end less the part at its beginning: takes of a whole lot come to its whole value.
    Beyond the quantity it goes on at the lot's unit value; of a lot without a quantity every part is 0.

    >>> ends = [part_of(10, reach, 3) for reach in (0, 1, 2, 3, 4)]
    >>> ends, [end - before for before, end in zip(ends, ends[1:])]
    ([0, 3, 7, 10, 13], [3, 4, 3, 3])
    """
    return (2 * value * reach + quantity) // (2 * quantity) if quantity else 0


def parts_of(value: NDArray[Any], reach: NDArray[Any], quantity: NDArray[Any]) -> NDArray[Any]:
    """Return :func:`part_of` of arrays of one shape; Python's whole numbers where 64 bits might not hold one.

    >>> parts_of(np.array([10, 10]), np.array([2, 4]), np.array([3, 3]))
    array([ 7, 13])
    """
    if not fits(value, reach, quantity):
        return np.array(list(map(part_of, value.tolist(), reach.tolist(), quantity.tolist())), dtype=object)
    known = np.where(quantity == 0, 1, quantity)
    asked = np.where(quantity == 0, 0, reach)
    return nearest_parts(value, asked, known, asked / known)


def fits(value: NDArray[Any], reach: NDArray[Any], quantity: NDArray[Any]) -> bool:
    """Say whether :func:`nearest_parts` is exact for these arrays.

    >>> fits(np.array([10**9]), np.array([10**12]), np.array([10])), fits(np.array([1]), np.array([1]), np.array([2]))
    (False, True)
    """
    if any(array.dtype == object for array in (value, reach, quantity)):
        return False
    if not value.size:
        return True
    sizes = np.abs(value) * np.abs(reach / np.maximum(quantity, 1))
    return bool(np.abs(value).max() < MOST_MICRO and quantity.max() < MOST_QUANTITY and sizes.max() < MOST_MICRO)


def nearest_parts(
    value: NDArray[np.int64], reach: NDArray[np.int64], quantity: NDArray[np.int64], ratio: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Return the nearest whole number to value·reach/quantity, a half upwards, exactly; ``ratio`` is reach/quantity.

    For quantities from 1 to ``MOST_QUANTITY`` and values and results below ``MOST_MICRO``: the product of value and
    reach may wrap around 64 bits, but the remainder, which is small, does not.

    >>> nearest_parts(np.array([10**14]), np.array([10**17]), np.array([3 * 10**17]), np.array([1 / 3]))
    array([33333333333333])
    """
    near = np.rint(value * ratio).astype(np.int64)
    twice_over = 2 * (value * reach - near * quantity)
    near += twice_over >= quantity
    near -= twice_over < -quantity
    return near


def dealt(total: int, weights: Sequence[int], whole: int) -> list[int]:
    """Return ``total`` dealt out by ``weights`` of ``whole``, each part within one unit; they sum to it exactly where
    the weights sum to the whole.

    >>> dealt(100, [1, 1, 1], 3), dealt(100, [1, 1], 3)
    ([33, 34, 33], [33, 34])
    """
    ends = [part_of(total, reach, whole) for reach in accumulate(weights, initial=0)]
    return [end - before for before, end in pairwise(ends)]


def dealt_with_credits(total: int, weights: Sequence[int], whole: int, credits: Sequence[int]) -> list[int]:
    """Return ``total`` dealt out: the ``credits`` first, all alike cut where they exceed it, the rest by weight.

    >>> dealt_with_credits(100, [1, 0], 1, [0, 30]), dealt_with_credits(20, [1, 0], 1, [0, 30])
    ([70, 30], [0, 20])
    """
    asked = sum(credits)
    if len(weights) == 1 and not asked and weights[0] == whole:
        return [total]
    granted = list(credits) if asked <= total else dealt(total, credits, asked)
    rest = dealt(total - sum(granted), weights, whole)
    return [credit + part for credit, part in zip(granted, rest, strict=True)]
