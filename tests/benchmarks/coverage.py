"""How often the lower bounds of a forecast hold, over imagined workshops whose truth is known.

``python tests/benchmarks/coverage.py [WORKSHOPS]`` prints for each case, of so many workshops (1,000 by default), the
mean chance that the next run gives the bound or more, in percent, by what was asked; the median of the bound asked at
90 % over the true yield that 90 % of runs reach; how many workshops get 0 as that bound, which is to say a spare batch;
and how often the mean of the yields would hold as a bound.

A step's level is normal on the logit scale, mean 0.4 and standard deviation 0.8; its runs scatter about it by a normal,
a heavy-tailed (t of 5 degrees) or a skewed (Gumbel, the long tail to the losses) distribution of the stated spread.
The chance that the bound holds is worked out from the truth, over its quantiles, and not from one drawn run.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtri, stdtrit

from service.analytics.forecast.next_run import forecast_step
from service.analytics.forecast.spread import SpreadPrior, shared_prior, spread_of

Floats = NDArray[np.float64]

ASKED = (0.50, 0.80, 0.90, 0.95)
WORKSHOPS = 1000
OTHER_RUNS = 60
OTHER_STEPS = 11
"""The workshop's other steps, where they lend the step their spread."""
GRID: Floats = (np.arange(2000) + 0.5) / 2000

SCATTER: dict[str, Callable[[Floats], Floats]] = {
    "normal": ndtri,
    "heavy": lambda u: stdtrit(5, u) * math.sqrt(3 / 5),
    "skewed": lambda u: (np.log(-np.log(1 - u)) + np.euler_gamma) * math.sqrt(6) / math.pi,
}
"""Quantiles of mean 0 and standard deviation 1."""


@dataclass(frozen=True, slots=True)
class Case:
    """One kind of step; ``shared`` where the spread of the workshop's other steps, equally tidy, is known too."""

    scatter: str
    spread: float
    failing: float
    runs: int
    shared: bool = False


CASES = (
    *(Case("normal", spread, 0.0, runs) for spread in (0.2, 0.6, 1.0) for runs in (1, 2, 5, 10)),
    *(Case("normal", 0.6, 0.05, runs) for runs in (2, 5, 10)),
    *(Case(scatter, 0.6, 0.0, runs) for scatter in ("heavy", "skewed") for runs in (2, 5)),
    *(Case("normal", spread, 0.0, 3, shared=True) for spread in (0.2, 1.0)),
)


@dataclass(frozen=True, slots=True)
class Coverage:
    """What the bounds of one case came to, as fractions."""

    held: tuple[float, ...]
    over_truth: float
    without_bound: float
    mean_held: float


def covered(case: Case, workshops: int) -> Coverage:
    """Return how the bounds of a case hold over so many workshops."""
    source = np.random.default_rng([case.runs, round(1000 * case.spread), round(1000 * case.failing)])
    quantiles = SCATTER[case.scatter]
    held = np.zeros((workshops, len(ASKED)))
    over_truth, without_bound, mean_held = [], 0, []
    for place in range(workshops):
        level = source.normal(0.4, 0.8)
        truth = expit(level + case.spread * quantiles(GRID))
        failures = min(int(source.binomial(case.runs, case.failing)), case.runs - 1)
        yields = expit(level + case.spread * quantiles(source.random(case.runs - failures)))
        forecast = forecast_step(
            yields,
            failures,
            mass_ratio=False,
            prior=_lent(case, source) if case.shared else None,
            other_runs=OTHER_RUNS,
            other_failures=round(OTHER_RUNS * case.failing),
            pi0=None if case.failing else 0.0,
        )
        bounds = [forecast.at_least(asked) for asked in ASKED]
        held[place] = [_reached(truth, bound, case.failing) for bound in bounds]
        mean_held.append(_reached(truth, float(yields.mean()), case.failing))
        true_bound = np.quantile(truth, 1 - 0.9 / (1 - case.failing))
        over_truth.append(bounds[ASKED.index(0.90)] / true_bound)
        without_bound += bounds[ASKED.index(0.90)] == 0.0
    return Coverage(
        tuple(held.mean(axis=0).tolist()),
        float(np.median(over_truth)),
        without_bound / workshops,
        float(np.mean(mean_held)),
    )


def _lent(case: Case, source: np.random.Generator) -> SpreadPrior:
    """What the workshop's other steps, with as many runs each, say about the spread."""
    scatter = SCATTER[case.scatter](source.random((OTHER_STEPS, case.runs)))
    levels = source.normal(0.4, 0.8, (OTHER_STEPS, 1))
    return shared_prior([spread_of(yields, "logit") for yields in expit(levels + case.spread * scatter)])


def _reached(truth: Floats, bound: float, failing: float) -> float:
    return 1.0 if bound <= 0.0 else (1 - failing) * float((truth >= bound).mean())


def lines(workshops: int) -> Iterator[str]:
    """The table in Markdown, a line at a time."""
    asked = " | ".join(f"{100 * each:.0f} %" for each in ASKED)
    yield f"| scatter | spread | failing | runs | {asked} | bound ÷ truth | no bound | mean as bound |"
    yield "|---|--:|--:|--:|" + "--:|" * (len(ASKED) + 3)
    for case in CASES:
        found = covered(case, workshops)
        held = " | ".join(f"{100 * each:.0f}" for each in found.held)
        scatter = f"{case.scatter}, spread lent" if case.shared else case.scatter
        yield (
            f"| {scatter} | {case.spread:g} | {case.failing:g} | {case.runs} | {held} "
            f"| {found.over_truth:.2f} | {100 * found.without_bound:.0f} | {100 * found.mean_held:.0f} |"
        )


if __name__ == "__main__":
    for line in lines(int(sys.argv[1]) if len(sys.argv) > 1 else WORKSHOPS):
        print(line, flush=True)
