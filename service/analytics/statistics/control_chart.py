"""The individuals and moving-range chart of a step: what its runs ordinarily do, and which of them do not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

D2: Final = 1.128
"""Mean range of two normal values, in standard deviations (e-Handbook 6.3.2.2): 3/1.128 is the 2.66 of the charts."""

ENOUGH_RUNS: Final = 8
"""Under so many runs a chart is provisional (judgement): one more run still moves its limits by much."""

RULES: Final[Mapping[str, str]] = {
    "1-beyond-3-sigma": "a run beyond 3 sigma",
    "2-of-3-beyond-2-sigma": "2 of the last 3 runs beyond 2 sigma on one side",
    "4-of-5-beyond-1-sigma": "4 of the last 5 runs beyond 1 sigma on one side",
    "8-on-one-side": "8 runs in a row on one side of the centre",
    "6-trending": "6 runs in a row going up, or going down",
    "14-alternating": "14 runs in a row going up and down by turns",
}
"""The Western Electric rules and the two trend rules, as the e-Handbook 6.3.2 lists them, by the names used here."""

_ON_ONE_SIDE: Final = (
    ("1-beyond-3-sigma", 1, 1, 3.0),
    ("2-of-3-beyond-2-sigma", 2, 3, 2.0),
    ("4-of-5-beyond-1-sigma", 4, 5, 1.0),
    ("8-on-one-side", 8, 8, 0.0),
)


@dataclass(frozen=True, slots=True)
class ControlChart:
    """Centre and limits in the unit of the values, and what stands out, a flag or the names of rules a value.

    ``sigma`` is the mean moving range over 1.128. ``lower`` and ``upper`` are cut to the range that was given, which
    ``sigma`` and the rules do not know. ``beyond`` marks values outside ``lower`` and ``upper`` as they stand.
    ``rules`` names, for each value, the rules that it completes. What the values cannot carry is None, with a reason.
    """

    centre: float | None
    mean_moving_range: float | None
    sigma: float | None
    lower: float | None
    upper: float | None
    provisional: bool
    beyond: NDArray[np.bool_]
    rules: tuple[tuple[str, ...], ...]
    reasons: Mapping[str, str] = field(default_factory=dict)


def control_chart(values: ArrayLike, *, least: float | None = None, most: float | None = None) -> ControlChart:
    """Return centre ± 3·mean moving range/1.128 of values in time order, and which break a run rule.

    ``values``: shape (n,), in the order of time, any one unit. ``least`` and ``most`` cut the limits, not the values:
    0 and 1 for a yield that is a fraction of what is possible. Every value counts in centre and limits, those that
    stand out too.

    Limits are those of the NIST/SEMATECH e-Handbook 6.3.2.2 (individuals chart), rules those of its 6.3.2 (Western
    Electric, and trends of 6 and of 14). A rule is noted at the value that completes it, and at each after that while
    it holds; with all of them a process at rest shows one about every 90 runs, not every 370 (6.3.2). The limits take
    values as independent: a slow drift makes them too narrow.

    Raises ``ValueError`` where a value is not a finite number.

    >>> chart = control_chart([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> round(chart.centre, 2), round(chart.mean_moving_range, 4), round(chart.lower, 4), round(chart.upper, 4)
    (50.81, 1.8778, 45.8159, 55.8041)
    >>> control_chart([0.6]).reasons["upper"]
    'one run has no moving range'
    """
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or not np.isfinite(x).all():
        raise ValueError(f"values are a flat sequence of finite numbers, received {values!r}")
    provisional = x.size < ENOUGH_RUNS
    if x.size < 2:
        why = "one run has no moving range" if x.size else "no runs"
        missing = dict.fromkeys(("mean_moving_range", "sigma", "lower", "upper"), why)
        if not x.size:
            missing["centre"] = why
        centre = float(x[0]) if x.size else None
        none = np.zeros(x.size, dtype=np.bool_)
        return ControlChart(centre, None, None, None, None, provisional, none, ((),) * x.size, missing)
    centre = float(x.mean())
    moving = float(np.abs(np.diff(x)).mean())
    sigma = moving / D2
    lower, upper = centre - 3 * sigma, centre + 3 * sigma
    if least is not None:
        lower = max(lower, least)
    if most is not None:
        upper = min(upper, most)
    # Values that agree to the last digit have limits on themselves, which rounding of the mean must not break.
    slack = 1e-12 * max(1.0, abs(centre))
    beyond = (x < lower - slack) | (x > upper + slack)
    return ControlChart(centre, moving, sigma, lower, upper, provisional, beyond, _rules(x, centre, sigma, slack))


def _rules(x: NDArray[np.float64], centre: float, sigma: float, slack: float) -> tuple[tuple[str, ...], ...]:
    found: dict[str, NDArray[np.bool_]] = {}
    for name, least, among, distance in _ON_ONE_SIDE:
        above = x > centre + distance * sigma + slack
        below = x < centre - distance * sigma - slack
        found[name] = _so_many(above, least, among) | _so_many(below, least, among)
    step = np.sign(np.diff(x))
    found["6-trending"] = _after(_so_many(step > 0, 5, 5) | _so_many(step < 0, 5, 5))
    turns = np.concatenate([[False], step[1:] * step[:-1] < 0])
    found["14-alternating"] = _after(_so_many(turns, 12, 12))
    return _named(found, x.size)


def _so_many(marks: NDArray[np.bool_], least: int, among: int) -> NDArray[np.bool_]:
    """Return where a mark is the last of at least ``least`` among ``among`` in a row."""
    total = np.concatenate([np.zeros(among, dtype=np.int64), np.cumsum(marks)])
    enough: NDArray[np.bool_] = marks & (total[among:] - total[:-among] >= least)
    return enough


def _after(marks: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return marks on the steps between values as marks on the values that the steps lead to."""
    return np.concatenate([np.zeros(1, dtype=np.bool_), marks])


def _named(found: Mapping[str, NDArray[np.bool_]], size: int) -> tuple[tuple[str, ...], ...]:
    names: list[list[str]] = [[] for _ in range(size)]
    for name, marks in found.items():
        for place in np.flatnonzero(marks).tolist():
            names[place].append(name)
    return tuple(map(tuple, names))


def rules_in_words(names: Sequence[str]) -> str:
    """Return rules as a sentence has them.

    >>> rules_in_words(["1-beyond-3-sigma", "8-on-one-side"])
    'a run beyond 3 sigma; 8 runs in a row on one side of the centre'
    """
    return "; ".join(RULES[name] for name in names)
