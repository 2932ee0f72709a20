"""Slopes: whether yields go with batch size or with time, asked so that many questions find no more than is there."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True, slots=True)
class Slope:
    """A least-squares line through (x, y): its slope in units of y a unit of x, standard error and limits.

    ``p`` is the two-sided probability of a slope as steep where there is none. What the runs cannot carry is None,
    with a reason.
    """

    slope: float | None
    intercept: float | None
    se: float | None
    low: float | None
    high: float | None
    p: float | None
    runs: int
    reasons: Mapping[str, str] = field(default_factory=dict)


def slope_of(x: ArrayLike, y: ArrayLike, confidence: float = 0.90) -> Slope:
    """Return the least-squares slope of ``y`` on ``x``, both of shape (n,), with limits at two-sided ``confidence``.

    Limits are slope ± t·se of n − 2 degrees: exact where y scatters normally about the line with one spread (NIST
    Statistical Reference Datasets, linear regression, Norris). Three runs and two different x are the least.

    Raises ``ValueError`` for shapes that differ, values that are not finite, or a confidence outside (0, 1).

    >>> found = slope_of([1, 2, 3, 4], [2.1, 3.9, 6.1, 7.9])
    >>> round(found.slope, 2), round(found.low, 3), round(found.high, 3), round(found.p, 5)
    (1.96, 1.795, 2.125, 0.00083)
    >>> slope_of([1, 1, 1], [2, 3, 4]).reasons["slope"]
    'all runs are at one place'
    """
    across, up = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if across.ndim != 1 or across.shape != up.shape:
        raise ValueError(f"one x a y, received shapes {across.shape} and {up.shape}")
    if not (np.isfinite(across).all() and np.isfinite(up).all()):
        raise ValueError("x and y are finite numbers")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence lies between 0 and 1, received {confidence!r}")
    n = int(across.size)
    if n < 3:
        return _none(n, "fewer than three runs")
    mean_x, mean_y = float(across.mean()), float(up.mean())
    dx, dy = across - mean_x, up - mean_y
    squares = float(dx @ dx)
    if squares <= (1e-12 * max(1.0, float(np.abs(across).max()))) ** 2 * n:
        return _none(n, "all runs are at one place")

    from scipy.special import stdtr, stdtrit

    slope = float(dx @ dy) / squares
    rest = dy - slope * dx
    se = math.sqrt(float(rest @ rest) / (n - 2) / squares)
    reach = float(stdtrit(n - 2, (1 + confidence) / 2)) * se
    p = 2 * float(stdtr(n - 2, -abs(slope) / se)) if se > 0 else float(slope == 0)
    return Slope(slope, mean_y - slope * mean_x, se, slope - reach, slope + reach, p, n)


def _none(runs: int, why: str) -> Slope:
    figures = ("slope", "intercept", "se", "low", "high", "p")
    return Slope(None, None, None, None, None, None, runs, dict.fromkeys(figures, why))


def corrected(p: Sequence[float | None]) -> list[float | None]:
    """Return probabilities corrected for having asked all of these questions at once, by Holm's step-down method.

    With k questions the smallest is multiplied by k, the next by k − 1 and so on, none below one before it and none
    above 1: the chance that any question finds what is not there stays below the level, however the questions hang
    together (Holm, Scandinavian Journal of Statistics 1979, 6, 65). None, a question that could not be asked, stays.

    >>> corrected([0.01, 0.04, None, 0.03])
    [0.03, 0.06, None, 0.06]
    """
    asked = sorted((value, place) for place, value in enumerate(p) if value is not None)
    found: list[float | None] = [None] * len(p)
    least = 0.0
    for rank, (value, place) in enumerate(asked):
        least = max(least, min(1.0, (len(asked) - rank) * value))
        found[place] = least
    return found
