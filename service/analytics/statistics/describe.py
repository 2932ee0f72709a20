"""Moments and order statistics of the counted yields of a step."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True)
class Description:
    """What a set of yields says about itself, each figure a fraction in the unit of the yields.

    ``counted`` is the number of runs described. A figure that they cannot carry is None, and ``reasons`` says why under
    the figure's own name.
    """

    counted: int
    mean: float | None
    sd: float | None
    median: float | None
    q1: float | None
    q3: float | None
    minimum: float | None
    maximum: float | None
    reasons: Mapping[str, str] = field(default_factory=dict)


def describe(yields: ArrayLike) -> Description:
    """Return mean, standard deviation (n − 1), median, quartiles and extremes of the counted usable runs.

    ``yields``: shape (n,), fractions (or any other one unit, which is then the unit of every figure). Which runs count,
    and how many failed, is the caller's to say; a failed run has no yield and does not belong here.

    The standard deviation is the corrected two-pass sum (Chan, Golub and LeVeque, The American Statistician 1983, 37,
    242). Quartiles are type 7 of Hyndman and Fan (The American Statistician 1996, 50, 361), which numpy, R and
    spreadsheets take by default; the NIST/SEMATECH e-Handbook's own example of a percentile (7.2.6.2) is type 6.

    Raises ``ValueError`` where a yield is not a finite number.

    >>> described = describe([0.62, 0.55, 0.70])
    >>> round(described.mean, 4), round(described.sd, 4), round(described.q1, 4)
    (0.6233, 0.0751, 0.585)
    >>> describe([0.62]).sd is None, describe([0.62]).reasons
    (True, {'sd': 'one run'})
    """
    ordered = np.sort(_finite(yields))
    counted = int(ordered.size)
    if counted == 0:
        figures = ("mean", "sd", "median", "q1", "q3", "minimum", "maximum")
        return Description(0, None, None, None, None, None, None, None, dict.fromkeys(figures, "no runs"))
    first_pass = float(ordered.mean())
    apart = ordered - first_pass
    shift = float(apart.sum())
    mean = first_pass + shift / counted
    sd = None
    if counted > 1:
        sd = math.sqrt(max(0.0, float(apart @ apart) - shift * shift / counted) / (counted - 1))
    return Description(
        counted=counted,
        mean=min(max(mean, float(ordered[0])), float(ordered[-1])),
        sd=sd,
        median=_quantile(ordered, 0.5),
        q1=_quantile(ordered, 0.25),
        q3=_quantile(ordered, 0.75),
        minimum=float(ordered[0]),
        maximum=float(ordered[-1]),
        reasons={} if counted > 1 else {"sd": "one run"},
    )


def _finite(yields: ArrayLike) -> NDArray[np.float64]:
    values = np.asarray(yields, dtype=np.float64)
    if values.ndim != 1 or not np.isfinite(values).all():
        raise ValueError(f"yields are a flat sequence of finite numbers, received {yields!r}")
    return values


def _quantile(ordered: NDArray[np.float64], fraction: float) -> float:
    """Return the type 7 quantile of sorted values, which lies between its two neighbours whatever the rounding."""
    place = (ordered.size - 1) * fraction
    below = float(ordered[math.floor(place)])
    above = float(ordered[math.ceil(place)])
    return min(above, below + (above - below) * (place - math.floor(place)))
