"""Lines that say the same as one before them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def repeats_of(columns: Sequence[NDArray[np.float64] | NDArray[np.int32]]) -> list[tuple[int, int]]:
    """Return every line that has a line before it with equal values in all ``columns``, and the first of those.

    ``columns``: at least one, each of shape (n,). NaN equals nothing. In the order of the lines.

    >>> repeats_of([np.array([1.0, 2.0, 1.0, 1.0]), np.array([5.0, 5.0, 5.0, 6.0])])
    [(2, 0)]
    """
    # Stable: of equal lines the first stays first.
    order = np.lexsort(tuple(reversed(columns)))
    same = np.ones(max(len(order) - 1, 0), dtype=np.bool_)
    for column in columns:
        sorted_ = column[order]
        same &= sorted_[1:] == sorted_[:-1]
    begins = np.ones(len(order), dtype=np.bool_)
    begins[1:] = ~same
    first = order[np.maximum.accumulate(np.where(begins, np.arange(len(order)), 0))]
    again = np.flatnonzero(~begins)
    return sorted(zip(order[again].tolist(), first[again].tolist(), strict=True))
