"""Propagation of standard uncertainties through any function of plain numbers."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence

Outputs = Sequence[float]

LARGE_RELATIVE_U = 0.20
"""Above this relative uncertainty of an input the first-order formula is no longer trusted and trials are drawn."""
TRIALS = 4000


def propagate(function: Callable[[list[float]], Outputs], values: Sequence[float], us: Sequence[float]) -> list[float]:
    """Return the standard uncertainty of each output of ``function``.

    ``values`` are the inputs and ``us`` their standard uncertainties, both of length n, independent of each other.
    Up to a relative uncertainty of 20 % in every input the law of propagation is used, each sensitivity taken
    numerically from a step of one standard uncertainty to either side (JCGM 100:2008, 5.1.2 and 5.1.3 note 2); beyond,
    4,000 trials with normal inputs and a fixed seed (JCGM 101:2008).

    >>> [round(u, 4) for u in propagate(lambda x: (x[0] * x[1],), [2.0, 3.0], [0.01, 0.02])]
    [0.05]
    """
    moving = [i for i, u in enumerate(us) if u > 0.0]
    if not moving:
        return [0.0] * len(function(list(values)))
    if any(us[i] > LARGE_RELATIVE_U * abs(values[i]) for i in moving):
        return _by_trials(function, values, us)
    squares: list[float] = []
    for i in moving:
        above, below = list(values), list(values)
        above[i] += us[i]
        below[i] -= us[i]
        halves = [(a - b) / 2.0 for a, b in zip(function(above), function(below), strict=True)]
        squares = [h * h for h in halves] if not squares else [s + h * h for s, h in zip(squares, halves, strict=True)]
    return [math.sqrt(s) for s in squares]


def _by_trials(function: Callable[[list[float]], Outputs], values: Sequence[float], us: Sequence[float]) -> list[float]:
    """Standard deviation of each output over trials; the seed is fixed, so the same record gives the same number."""
    source = random.Random(20_081_01)
    rows = [
        function([v if u == 0.0 else source.gauss(v, u) for v, u in zip(values, us, strict=True)])
        for _ in range(TRIALS)
    ]
    found = []
    for column in zip(*rows, strict=True):
        mean = math.fsum(column) / TRIALS
        found.append(math.sqrt(math.fsum((x - mean) ** 2 for x in column) / (TRIALS - 1)))
    return found
