"""Grubbs' test: whether the run furthest from the rest is further than chance lets one be."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True, slots=True)
class Grubbs:
    """The value furthest from the mean: its ``place`` in the values, its distance ``g`` in standard deviations.

    ``critical`` is the distance that chance exceeds with probability ``alpha`` in values of one normal distribution,
    ``p`` the probability of such a distance (an upper bound, by counting every value as if it were alone; at most 1).
    What the values cannot carry is None, with a reason.
    """

    place: int | None
    g: float | None
    critical: float | None
    p: float | None
    outlying: bool
    reasons: Mapping[str, str] = field(default_factory=dict)


def grubbs(values: ArrayLike, alpha: float = 0.05) -> Grubbs:
    """Return Grubbs' two-sided test for one outlier among values of shape (n,), any one unit.

    G = max|x − x̄|/s, outlying where G exceeds (n − 1)/√n·√(t²/(n − 2 + t²)), t the upper α/(2n) point of Student's t
    with n − 2 degrees (NIST/SEMATECH e-Handbook 1.3.5.17.1). Values are taken as normal but for the one, so that two
    outliers together can hide each other. Nothing is left out on its account. Three values are the least.

    Raises ``ValueError`` for values that are not finite or an ``alpha`` outside (0, 1).

    >>> found = grubbs([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    >>> found.place, round(found.g, 4), round(found.critical, 4), found.outlying
    (7, 2.4688, 2.1266, True)
    """
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or not np.isfinite(x).all():
        raise ValueError(f"values are a flat sequence of finite numbers, received {values!r}")
    if not 0 < alpha < 1:
        raise ValueError(f"alpha lies between 0 and 1, received {alpha!r}")
    n = int(x.size)
    if n < 3:
        return _none("fewer than three runs")
    apart = np.abs(x - x.mean())
    sd = math.sqrt(float(apart @ apart) / (n - 1))
    if sd <= 1e-12 * float(np.abs(x).max()):
        return _none("all runs are alike")

    from scipy.special import stdtr, stdtrit

    place = int(apart.argmax())
    most = (n - 1) / math.sqrt(n)  # no value of n can be further from their mean
    g = min(float(apart[place]) / sd, most)
    t2 = float(stdtrit(n - 2, 1 - alpha / (2 * n))) ** 2
    critical = most * math.sqrt(t2 / (n - 2 + t2))
    share = (g / most) ** 2
    t = math.inf if share >= 1 else math.sqrt((n - 2) * share / (1 - share))
    p = min(1.0, 2 * n * float(stdtr(n - 2, -t)))
    return Grubbs(place, g, critical, p, g > critical)


def _none(why: str) -> Grubbs:
    return Grubbs(None, None, None, None, False, dict.fromkeys(("place", "g", "critical", "p"), why))
