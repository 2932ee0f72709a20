"""How often past lower bounds held, and by how much a spread is widened where they did not.

The rule. A step is judged by its own forecasts from 10 of them on, and before that by those of all steps of the
workshop together. Its bounds hold unless, for 80, 90 or 95 %, the upper end of the exact 99 % interval of the share
that held lies under what was asked (99 %, for three bounds of every step are looked at with every new run). Where they
do not, the spread is widened by the least of 1.1, 1.25, 1.5 and 2 with which they would have held, and by 2 where none
is enough: runs that fail reach no bound, however wide the spread. Judgement.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.analytics.forecast.record import PastForecasts
from service.analytics.statistics.binomial import binomial_interval

ASKED = (80, 90, 95)
"""In percent, the probabilities whose bounds are counted."""
FACTORS = (1.0, 1.1, 1.25, 1.5, 2.0)
"""The factors by which a spread may be widened, the least first."""
LEAST_FORECASTS = 10
"""A step with fewer forecasts is judged by those of all steps together."""
INTERVAL = 0.99
"""Two-sided confidence of the exact interval that the rule looks at; asked of steady steps, under 1 % are widened."""

Counts = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Kept:
    """How the bounds of one asked probability came out: of ``bounded`` bounds above 0, ``held`` were reached.

    ``zero_bounds`` counts forecasts whose bound was 0, which say that one run cannot give that confidence and so
    neither hold nor fail. ``ceiling`` is the upper end of the rule's exact interval, None where nothing was bounded.
    """

    asked: int
    bounded: int
    held: int
    zero_bounds: int
    ceiling: float | None

    @property
    def share(self) -> float | None:
        """The share of the bounds above 0 that held; None where there was none."""
        return self.held / self.bounded if self.bounded else None

    @property
    def holds(self) -> bool | None:
        """Whether the share may well be what was asked; None where there was no bound to hold."""
        return None if self.ceiling is None else self.ceiling >= self.asked / 100


@dataclass(frozen=True, slots=True)
class StepRecord:
    """The record of one step, or of several together: ``forecasts`` of runs that had runs before them."""

    forecasts: int
    kept: tuple[Kept, ...]

    @classmethod
    def of(cls, forecasts: int, bounded: Iterable[int], held: Iterable[int]) -> StepRecord:
        """Return the record of so many bounds above 0, and so many of them held, by what was asked.

        >>> StepRecord.of(20, [20, 20, 20], [9, 18, 19]).holds
        False
        """
        found = []
        for asked, bounds, reached in zip(ASKED, map(int, bounded), map(int, held), strict=True):
            ceiling = binomial_interval(reached, bounds, INTERVAL)[1] if bounds else None
            found.append(Kept(asked, bounds, reached, forecasts - bounds, ceiling))
        return cls(forecasts, tuple(found))

    @property
    def holds(self) -> bool | None:
        """Whether all bounds hold; None where there was none."""
        said = [each.holds for each in self.kept if each.holds is not None]
        return all(said) if said else None


@dataclass(frozen=True, slots=True)
class Promises:
    """The record of every step, in the order of their numbers, of all together, and the factor of each step.

    ``by_all``: whether a step is judged by all steps together, its own forecasts being too few.
    """

    steps: tuple[StepRecord, ...]
    overall: StepRecord
    factors: tuple[float, ...]
    by_all: tuple[bool, ...]


def promises_kept(past: PastForecasts, step: Counts, steps: int) -> Promises:
    """Return how often the bounds of ``past`` held, by step, and the factors that follow by the rule of this module.

    ``step``: shape (runs,), the number of each run's step, below ``steps``.

    >>> import numpy as np
    >>> from service.analytics.forecast.record import PastRuns, past_forecasts
    >>> days, yields = np.arange(12), np.full(12, 0.6)
    >>> step, none = np.zeros(12, dtype=int), np.full(12, np.nan)
    >>> runs = PastRuns(step, days, yields, none, step - 1, np.array([False]))
    >>> found = promises_kept(past_forecasts(runs), step, 1)
    >>> found.overall.forecasts, found.steps[0].kept[0].held, found.factors
    (11, 11, (1.0,))
    """
    known = np.flatnonzero(past.runs_before > 0)
    step = np.asarray(step)[known]
    bounded = np.stack([past.bounded(asked / 100)[known] for asked in ASKED])
    forecasts = np.bincount(step, minlength=steps)
    bounds = _by_step(bounded, step, steps)
    held = _held(past, known, step, steps, 1.0)
    records = tuple(StepRecord.of(int(forecasts[n]), bounds[:, n], held[:, n]) for n in range(steps))
    overall = StepRecord.of(int(forecasts.sum()), bounds.sum(axis=1), held.sum(axis=1))
    by_all = tuple(record.forecasts < LEAST_FORECASTS for record in records)
    judged = [overall if whole else record for whole, record in zip(by_all, records, strict=True)]
    if all(record.holds is not False for record in judged):
        return Promises(records, overall, (1.0,) * steps, by_all)
    wider = [held, *(_held(past, known, step, steps, factor) for factor in FACTORS[1:])]
    factors = []
    for number, record in enumerate(judged):
        if record.holds is not False:
            factors.append(1.0)
            continue
        mine = slice(None) if by_all[number] else slice(number, number + 1)
        factors.append(_least_factor(bounds[:, mine].sum(axis=1), [each[:, mine].sum(axis=1) for each in wider]))
    return Promises(records, overall, tuple(factors), by_all)


def _held(past: PastForecasts, known: Counts, step: Counts, steps: int, factor: float) -> Counts:
    """How many bounds above 0 were reached, shape (asked, steps), had the spread been ``factor`` times as wide."""
    rank = past.rank(factor)
    return _by_step(np.stack([past.reached(asked / 100, rank)[known] for asked in ASKED]), step, steps)


def _by_step(flags: NDArray[np.bool_], step: Counts, steps: int) -> Counts:
    """How many of ``flags``, shape (asked, runs), each step has, shape (asked, steps)."""
    return np.stack([np.bincount(step, weights=each, minlength=steps) for each in flags]).astype(np.int64)


def _least_factor(bounded: Counts, held: Sequence[Counts]) -> float:
    """The least factor with which the record would have held, else the largest."""
    for factor, reached in zip(FACTORS, held, strict=True):
        if StepRecord.of(0, bounded, reached).holds is not False:
            return factor
    return FACTORS[-1]
