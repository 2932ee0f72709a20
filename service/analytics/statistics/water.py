"""Whether yields look as if water of crystallisation were in the product, or not in the key input, unsaid."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

FEWEST: Final = 5
"""Yields below the mass ratio say something from so many runs on (judgement)."""


def with_water_unsaid(yields: ArrayLike, times: float) -> int:
    """Return how many of ``yields`` are above 1 and as far above as a hydrate is heavier, ``times``, shape (n,).

    From 0.85 to 1.05 of that: no step gives more than all, and few that are dry come so near (judgement).

    >>> with_water_unsaid([0.91, 1.43, 1.50, 1.80], 1.5644)
    2
    """
    values = np.asarray(yields, dtype=np.float64)
    return int(((values > 1.0) & (values >= 0.85 * times) & (values <= 1.05 * times)).sum())


def kept_below(yields: ArrayLike, times: float) -> bool:
    """Return whether yields, shape (n,), end where they would if the key input were the hydrate, ``times`` as heavy.

    At least 5 runs, the best within 3 % of 1/times, the median above 0.9 of it (judgement): nearly full yields of what
    is really there. Chance can do that too.

    >>> kept_below([0.62, 0.61, 0.63, 0.60, 0.64], 1.5644), kept_below([0.62, 0.61, 0.73, 0.60, 0.64], 1.5644)
    (True, False)
    """
    values = np.asarray(yields, dtype=np.float64)
    if values.size < FEWEST:
        return False
    best, middle = float(values.max()) * times, float(np.median(values)) * times
    return 0.97 <= best <= 1.03 and middle >= 0.9
