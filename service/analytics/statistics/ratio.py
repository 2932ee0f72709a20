"""The ratio of totals: what came out of all runs together over what all of them could have given."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

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


def ratio_of_totals(contained_g: ArrayLike, theoretical_g: ArrayLike, confidence: float = 0.90) -> Ratio:
    """Return r = ΣC/Σm over n runs with the limits r·exp(±t·se/r), t of n − 1 degrees, at two-sided ``confidence``.

    ``contained_g`` (C) and ``theoretical_g`` (m): shape (n,), grams, none negative; a failed run stays in as the caller
    wants it counted (contained 0 g in a yield). Any other pair serves, such as costs over grams, and the
    ratio is in their units. d = C − r·m and se = √(Σd²/(n(n − 1)))/m̄ (Cochran, Sampling Techniques, ratio estimator
    without finite correction, from memory); the limits are symmetric in the logarithm, so that the lower is above 0.

    Three runs are the least for an interval; one run has no standard error. Runs are taken as independent.
    Raises ``ValueError`` for shapes that differ, negative or non-finite amounts, or a confidence outside (0, 1).

    >>> priced = ratio_of_totals([12, 11.5, 13, 12.2], [30, 22, 0, 27])
    >>> round(priced.ratio, 5), round(priced.se, 5), round(priced.low, 4), round(priced.high, 4)
    (0.61646, 0.22415, 0.262, 1.4505)
    >>> ratio_of_totals([6.2], [10]).reasons["low"]
    'one run'
    """
    tops = np.asarray(contained_g, dtype=np.float64)
    bottoms = np.asarray(theoretical_g, dtype=np.float64)
    if tops.ndim != 1 or tops.shape != bottoms.shape:
        raise ValueError(f"one amount over one amount a run, received shapes {tops.shape} and {bottoms.shape}")
    if not (np.isfinite(tops).all() and np.isfinite(bottoms).all() and (tops >= 0).all() and (bottoms >= 0).all()):
        raise ValueError("amounts are finite numbers of at least 0")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence lies between 0 and 1, received {confidence!r}")
    runs = int(tops.size)
    total = float(bottoms.sum())
    if runs == 0:
        return Ratio(None, None, None, None, dict.fromkeys(("ratio", "se", "low", "high"), "no runs"))
    if total <= 0:
        return Ratio(None, None, None, None, dict.fromkeys(("ratio", "se", "low", "high"), "nothing to divide by"))
    ratio = float(tops.sum()) / total
    if runs == 1:
        return Ratio(ratio, None, None, None, dict.fromkeys(("se", "low", "high"), "one run"))
    apart = tops - ratio * bottoms
    se = math.sqrt(float(apart @ apart) / (runs * (runs - 1))) / (total / runs)
    if runs == 2:
        return Ratio(ratio, se, None, None, dict.fromkeys(("low", "high"), "two runs carry no interval"))
    if ratio == 0:
        return Ratio(ratio, se, None, None, dict.fromkeys(("low", "high"), "every total is zero"))

    from scipy.special import stdtrit

    reach = float(stdtrit(runs - 1, (1 + confidence) / 2)) * se / ratio
    if reach > WIDEST_LOG:
        return Ratio(ratio, se, None, None, dict.fromkeys(("low", "high"), "too wide to state"))
    return Ratio(ratio, se, ratio * math.exp(-reach), ratio * math.exp(reach))
