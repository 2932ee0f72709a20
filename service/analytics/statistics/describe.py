"""Moments and order statistics of counted yields, of one set or of many groups at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

FIGURES: Final = ("mean", "sd", "median", "q1", "q3", "minimum", "maximum")
_SMALL_GROUP: Final = 48
"""Groups of fewer runs than this on the average are quicker sorted together than one by one (measured)."""


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


@dataclass(frozen=True, slots=True, eq=False)
class Descriptions:
    """The figures of :class:`Description` of many groups, one place a group; NaN where a group cannot carry one."""

    counted: NDArray[np.int64]
    mean: Floats
    sd: Floats
    median: Floats
    q1: Floats
    q3: Floats
    minimum: Floats
    maximum: Floats

    def of(self, group: int) -> Description:
        """Return what one group says about itself."""
        counted = int(self.counted[group])
        if counted == 0:
            return Description(0, None, None, None, None, None, None, None, dict.fromkeys(FIGURES, "no runs"))
        found = {name: float(getattr(self, name)[group]) for name in FIGURES if counted > 1 or name != "sd"}
        return Description(counted, reasons={} if counted > 1 else {"sd": "one run"}, **({"sd": None} | found))


def describe(yields: ArrayLike) -> Description:
    """Return mean, standard deviation (n − 1), median, quartiles and extremes of the counted usable runs.

    ``yields``: shape (n,), fractions (or any other one unit, which is then the unit of every figure). Which runs count,
    and how many failed, is the caller's to say; a failed run has no yield and does not belong here. The formulas are
    those of :func:`describe_groups`. Raises ``ValueError`` where a yield is not a finite number.

    >>> described = describe([0.62, 0.55, 0.70])
    >>> round(described.mean, 4), round(described.sd, 4), round(described.q1, 4)
    (0.6233, 0.0751, 0.585)
    >>> describe([0.62]).sd is None, describe([0.62]).reasons
    (True, {'sd': 'one run'})
    """
    values = np.asarray(yields, dtype=np.float64)
    return describe_groups(values, np.array([0, values.size])).of(0)


def describe_groups(yields: ArrayLike, bounds: NDArray[np.int64]) -> Descriptions:
    """Return the figures of every group of counted usable runs.

    ``yields``: shape (n,), any one unit; ``bounds``: shape (g + 1,), ascending from 0 to n: group i is
    ``yields[bounds[i]:bounds[i + 1]]``.

    The standard deviation is the corrected two-pass sum (Chan, Golub and LeVeque, The American Statistician 1983, 37,
    242). Quartiles are type 7 of Hyndman and Fan (The American Statistician 1996, 50, 361), which numpy, R and
    spreadsheets take by default; the NIST/SEMATECH e-Handbook's own example of a percentile (7.2.6.2) is type 6.

    Raises ``ValueError`` where a yield is not a finite number.

    >>> describe_groups([0.5, 0.7, 0.9], np.array([0, 2, 3])).mean
    array([0.6, 0.9])
    """
    values = np.asarray(yields, dtype=np.float64)
    if values.ndim != 1 or not np.isfinite(values).all():
        raise ValueError(f"yields are a flat sequence of finite numbers, received {yields!r}")
    counted = np.diff(bounds)
    figures = {name: np.full(len(counted), np.nan) for name in FIGURES}
    some = np.flatnonzero(counted)
    if len(some):
        start, runs = bounds[:-1][some], counted[some]
        ordered = _ordered(values, start, runs)
        for name, found in _figures(ordered, start, runs).items():
            figures[name][some] = found
    return Descriptions(counted=counted, **figures)


def _figures(ordered: Floats, start: NDArray[np.int64], runs: NDArray[np.int64]) -> dict[str, Floats]:
    """The figures of groups that all hold something, each sorted: so the order of runs changes no digit."""
    low, high = ordered[start], ordered[start + runs - 1]
    first_pass = np.add.reduceat(ordered, start) / runs
    apart = ordered - np.repeat(first_pass, runs)
    shift = np.add.reduceat(apart, start)
    np.square(apart, out=apart)
    squares = np.add.reduceat(apart, start) - shift**2 / runs
    with np.errstate(divide="ignore", invalid="ignore"):
        sd = np.where(runs > 1, np.sqrt(np.maximum(squares, 0.0) / (runs - 1)), np.nan)
    return {
        "mean": np.clip(first_pass + shift / runs, low, high),
        "sd": sd,
        "median": _quantile(ordered, start, runs, 0.5),
        "q1": _quantile(ordered, start, runs, 0.25),
        "q3": _quantile(ordered, start, runs, 0.75),
        "minimum": low,
        "maximum": high,
    }


def _ordered(values: Floats, start: NDArray[np.int64], runs: NDArray[np.int64]) -> Floats:
    if len(runs) * _SMALL_GROUP > len(values):
        return values[np.lexsort((values, np.repeat(np.arange(len(runs)), runs)))]
    ordered = values.copy()
    for first, last in zip(start.tolist(), (start + runs).tolist(), strict=True):
        ordered[first:last].sort()
    return ordered


def _quantile(ordered: Floats, start: NDArray[np.int64], runs: NDArray[np.int64], fraction: float) -> Floats:
    """The type 7 quantile of each group, which lies between its two neighbours whatever the rounding."""
    place = (runs - 1) * fraction
    whole = np.floor(place)
    below = ordered[start + whole.astype(np.int64)]
    above = ordered[start + np.ceil(place).astype(np.int64)]
    found: Floats = np.minimum(above, below + (above - below) * (place - whole))
    return found
