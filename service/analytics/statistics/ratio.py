"""The ratio of totals: what came out of all runs of a group together over what all of them could have given."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

WIDEST_LOG = math.log(1e6)
"""Limits further than a factor of a million from the ratio say nothing (judgement), and would end in an infinity."""


@dataclass(frozen=True, slots=True)
class Ratio:
    """A ratio of totals with its standard error and limits, in the unit of numerator over denominator.

    What the runs cannot carry is None, and ``reasons`` says why under the figure's own name.
    """

    ratio: float | None
    se: float | None
    low: float | None
    high: float | None
    reasons: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Ratios:
    """The figures of :class:`Ratio` of many groups, one place a group; NaN where a group cannot carry one."""

    runs: NDArray[np.int64]
    denominator: Floats
    ratio: Floats
    se: Floats
    low: Floats
    high: Floats

    def of(self, group: int) -> Ratio:
        """Return the ratio of one group, with the reasons for what is not known."""
        runs, total, ratio = int(self.runs[group]), float(self.denominator[group]), float(self.ratio[group])
        if runs == 0 or total <= 0:
            why = "no runs" if runs == 0 else "nothing to divide by"
            return Ratio(None, None, None, None, dict.fromkeys(("ratio", "se", "low", "high"), why))
        if runs == 1:
            return Ratio(ratio, None, None, None, dict.fromkeys(("se", "low", "high"), "one run"))
        se, low, high = float(self.se[group]), float(self.low[group]), float(self.high[group])
        if not math.isnan(low):
            return Ratio(ratio, se, low, high)
        zero = "every total is zero" if ratio == 0 else "too wide to state"
        why = "two runs carry no interval" if runs == 2 else zero
        return Ratio(ratio, se, None, None, dict.fromkeys(("low", "high"), why))


def ratio_of_totals(contained_g: ArrayLike, theoretical_g: ArrayLike, confidence: float = 0.90) -> Ratio:
    """Return r = ΣC/Σm over n runs with its limits at two-sided ``confidence``: one group of :func:`ratios_of_totals`.

    ``contained_g`` (C) and ``theoretical_g`` (m): shape (n,), grams. Three runs are the least for an interval; one run
    has no standard error. Raises as :func:`ratios_of_totals`.

    >>> priced = ratio_of_totals([12, 11.5, 13, 12.2], [30, 22, 0, 27])
    >>> round(priced.ratio, 5), round(priced.se, 5), round(priced.low, 4), round(priced.high, 4)
    (0.61646, 0.22415, 0.262, 1.4505)
    >>> ratio_of_totals([6.2], [10]).reasons["low"]
    'one run'
    """
    tops = np.asarray(contained_g, dtype=np.float64)
    return ratios_of_totals(tops, theoretical_g, np.array([0, tops.size]), confidence).of(0)


def ratios_of_totals(
    contained_g: ArrayLike, theoretical_g: ArrayLike, bounds: NDArray[np.int64], confidence: float = 0.90
) -> Ratios:
    """Return r = ΣC/Σm of every group with the limits r·exp(±t·se/r), t of n − 1 degrees, two-sided.

    ``contained_g`` (C) and ``theoretical_g`` (m): shape (n,), grams, none negative; a failed run stays in as the caller
    wants it counted (contained 0 g in a yield). Any other pair serves, such as costs over grams, and the ratio is in
    their units. ``bounds``: shape (g + 1,), ascending from 0 to n; group i is ``[bounds[i]:bounds[i + 1]]`` of both.
    d = C − r·m and se = √(Σd²/(n(n − 1)))/m̄ (Cochran, Sampling Techniques, ratio estimator without finite correction,
    from memory); the limits are symmetric in the logarithm, so that the lower is above 0.

    Runs are taken as independent. Raises ``ValueError`` for shapes that differ, negative or non-finite amounts, or a
    confidence outside (0, 1).

    >>> ratios_of_totals([1, 3, 2], [2, 6, 8], np.array([0, 2, 3])).ratio
    array([0.5 , 0.25])
    """
    tops = np.asarray(contained_g, dtype=np.float64)
    bottoms = np.asarray(theoretical_g, dtype=np.float64)
    if tops.ndim != 1 or tops.shape != bottoms.shape:
        raise ValueError(f"one amount over one amount a run, received shapes {tops.shape} and {bottoms.shape}")
    if not (np.isfinite(tops).all() and np.isfinite(bottoms).all() and (tops >= 0).all() and (bottoms >= 0).all()):
        raise ValueError("amounts are finite numbers of at least 0")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence lies between 0 and 1, received {confidence!r}")
    runs = np.diff(bounds)
    total, ratio, se, reach = (np.full(len(runs), np.nan) for _ in range(4))
    some = np.flatnonzero(runs)
    if len(some):
        start = bounds[:-1][some]
        n = runs[some]
        with np.errstate(divide="ignore", invalid="ignore"):
            total[some] = np.add.reduceat(bottoms, start)
            ratio[some] = np.add.reduceat(tops, start) / total[some]
            apart = tops - np.repeat(ratio[some], n) * bottoms
            np.square(apart, out=apart)
            se[some] = np.sqrt(np.add.reduceat(apart, start) / (n * (n - 1.0))) / (total[some] / n)
            carried = (runs > 2) & (ratio > 0)
            reach[carried] = _t(runs[carried] - 1, confidence) * se[carried] / ratio[carried]
        reach[reach > WIDEST_LOG] = np.nan
    return Ratios(runs, np.nan_to_num(total), ratio, se, ratio * np.exp(-reach), ratio * np.exp(reach))


def _t(degrees: NDArray[np.int64], confidence: float) -> Floats:
    if not len(degrees):
        return np.zeros(0)

    from scipy.special import stdtrit

    return np.asarray(stdtrit(degrees.astype(np.float64), (1 + confidence) / 2), dtype=np.float64)
