"""How often the promises of a forecast hold, over imagined workshops whose truth is known.

``python -m tests.benchmarks.coverage [WORKSHOPS]`` prints two tables, one of the next run of a step, the other of
chains of steps. Asked 90 %, at least 88 % shall be delivered from three runs on, 82 % before that, 86 % by chains; the
last column says which rows do.

A row of the first table is one kind of step with so many runs of its own, over so many workshops (1,000 by default):
the mean chance that the next run gives the bound or more, in percent, by what was asked; the median of the bound asked
at 90 % over the true yield that 90 % of runs reach, which is 1 where nothing is given away; how many workshops get 0 as
that bound, which is to say a spare batch; how often the mean would hold as a bound. The chance that a bound holds is
worked out from the truth, over its quantiles, and not from one drawn run.

A run that gives nothing reaches no bound above 0: where a part of them fails, no such bound can hold in more than the
rest, whatever method gives it. That ceiling stands beside such rows. A bound of 0 is kept by any run, and those who get
it were told the truth: so these rows are counted both ways, with the bounds of 0 among those kept, and apart from them.
Where less than the ceiling is asked, what is asked shall hold within two points, apart.

A row of the second is a chain of steps, each with its own level and so many runs, in so many batches each: how often
the amount to begin with that is planned at 90 % reaches the target, and that amount over the one that would have done.

A logit-normal step's level is normal on the logit scale, mean 0.4 and standard deviation 0.8; its runs scatter about it
by a normal, a heavy-tailed (t of 5 degrees) or a skewed (Gumbel, the long tail to the losses) distribution of the
stated spread. A beta step's runs are drawn from that beta distribution.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, expit, ndtri, stdtrit

from service.analytics.forecast.draws import WHAT_IF_TRIALS, seed_for, step_draws
from service.analytics.forecast.next_run import forecast_step
from service.analytics.forecast.spread import SpreadPrior, shared_prior, spread_of
from service.analytics.planning.chain import product_per_gram, starting_amount

Floats = NDArray[np.float64]

ASKED = (0.50, 0.80, 0.90, 0.95)
WORKSHOPS = 1000
OTHER_RUNS = 60
OTHER_STEPS = 11
"""The workshop's other steps, where they lend the step their spread."""
GRID: Floats = (np.arange(2000) + 0.5) / 2000
RUNS = (1, 2, 3, 5, 10, 30)
CAMPAIGNS = 4000
"""True campaigns that a chain's amount is tried on."""

GOAL, GOAL_OF_FEW, GOAL_OF_CHAINS, FEW = 0.88, 0.82, 0.86, 3
"""What shall be delivered where 90 % is asked: from ``FEW`` runs on, before that, by chains."""

SCATTER: dict[str, Callable[[Floats], Floats]] = {
    "normal": ndtri,
    "heavy": lambda u: stdtrit(5, u) * math.sqrt(3 / 5),
    "skewed": lambda u: (np.log(-np.log(1 - u)) + np.euler_gamma) * math.sqrt(6) / math.pi,
}
"""Quantiles of mean 0 and standard deviation 1."""


@lru_cache
def _beta_grid(a: float, b: float) -> Floats:
    return np.asarray(betaincinv(a, b, GRID))


@dataclass(frozen=True, slots=True)
class Truth:
    """What a kind of step really gives: logit-normal with a scatter and a spread, or a beta distribution."""

    scatter: str = "normal"
    spread: float = 0.0
    beta: tuple[float, float] | None = None

    def __str__(self) -> str:
        if self.beta is not None:
            return "beta({:g}, {:g})".format(*self.beta)
        return f"{self.scatter} {self.spread:g}"

    def level(self, source: np.random.Generator) -> float:
        """A step's own level on the logit scale; of no use to a beta step."""
        return float(source.normal(0.4, 0.8))

    def yields(self, level: float, u: Floats) -> Floats:
        """The quantiles of a usable run at ``u``."""
        if self.beta is not None:
            return _beta_grid(*self.beta) if u is GRID else np.asarray(betaincinv(*self.beta, u))
        return np.asarray(expit(level + self.spread * SCATTER[self.scatter](u)))


@dataclass(frozen=True, slots=True)
class Case:
    """One kind of step; ``shared`` where the spread of the workshop's other steps, equally tidy, is known too."""

    truth: Truth
    failing: float
    runs: int
    shared: bool = False


STEADY = tuple(Truth(spread=spread) for spread in (0.25, 0.6, 0.9))
BETAS = tuple(Truth(beta=parts) for parts in ((27.0, 3.0), (8.0, 6.0), (3.0, 12.0)))
CASES = (
    *(Case(truth, 0.0, runs) for truth in STEADY + BETAS for runs in RUNS),
    *(Case(truth, 0.15, runs) for truth in (STEADY[1], BETAS[1]) for runs in RUNS),
    *(Case(STEADY[1], 0.05, runs) for runs in (2, 5, 10)),
    *(Case(Truth(scatter, 0.6), 0.0, runs) for scatter in ("heavy", "skewed") for runs in (2, 5)),
    *(Case(truth, 0.0, runs, shared=True) for truth in STEADY + BETAS for runs in (2, 3, 10)),
)


@dataclass(frozen=True, slots=True)
class Chain:
    """A chain of steps of one kind, each with ``runs`` runs of its own, planned in ``batches`` batches a step."""

    truth: Truth
    steps: int
    batches: int
    runs: int
    failing: float = 0.0


CHAINS = (
    *(
        Chain(truth, steps, batches, runs)
        for truth in (*STEADY, BETAS[1])
        for steps in (5, 8)
        for batches in (1, 3)
        for runs in (3, 10)
    ),
    *(Chain(STEADY[1], steps, 3, runs, failing=0.15) for steps in (5, 8) for runs in (3, 10)),
)


@dataclass(frozen=True, slots=True)
class Coverage:
    """What the promises of one case came to, as fractions; NaN where none was made."""

    held: tuple[float, ...]
    over_truth: float
    without_bound: float
    mean_held: float
    standard_error: float
    kept: tuple[float, ...] = ()
    """The same with the bounds of 0 among those that hold."""


def covered(case: Case, workshops: int) -> Coverage:
    """Return how the bounds of a case hold over so many workshops; those without a bound above 0 are counted apart."""
    source = np.random.default_rng([case.runs, round(1000 * case.failing), *str(case.truth).encode()])
    held = np.full((workshops, len(ASKED)), np.nan)
    over_truth, without_bound, mean_held = [], 0, []
    for place in range(workshops):
        level = case.truth.level(source)
        truth = case.truth.yields(level, GRID)
        failures = min(int(source.binomial(case.runs, case.failing)), case.runs - 1)
        yields = case.truth.yields(level, source.random(case.runs - failures))
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
        held[place] = [_reached(truth, bound, case.failing) if bound > 0 else np.nan for bound in bounds]
        mean_held.append(_reached(truth, float(yields.mean()), case.failing))
        at_90 = bounds[ASKED.index(0.90)]
        true_share = 1 - 0.9 / (1 - case.failing)
        if at_90 > 0 and true_share > 0:
            over_truth.append(at_90 / float(np.quantile(truth, true_share)))
        without_bound += at_90 == 0.0
    at_90s = held[:, ASKED.index(0.90)]
    bounded = int(np.isfinite(at_90s).sum())
    return Coverage(
        tuple(float(np.nanmean(column)) if np.isfinite(column).any() else math.nan for column in held.T),
        float(np.median(over_truth)) if over_truth else math.nan,
        without_bound / workshops,
        float(np.mean(mean_held)),
        float(np.nanstd(at_90s) / math.sqrt(bounded)) if bounded else math.nan,
        tuple(float(np.nan_to_num(column, nan=1.0).mean()) for column in held.T),
    )


def _lent(case: Case, source: np.random.Generator) -> SpreadPrior:
    """What the workshop's other steps, with as many runs each, say about the spread."""
    others = (case.truth.yields(case.truth.level(source), source.random(case.runs)) for _ in range(OTHER_STEPS))
    return shared_prior([spread_of(yields, "logit") for yields in others])


def _reached(truth: Floats, bound: float, failing: float) -> float:
    return (1 - failing) * float((truth >= bound).mean())


def chained(chain: Chain, workshops: int) -> Coverage:
    """Return how often amounts planned at 90 % reach their target; plans that no amount makes are counted apart."""
    source = np.random.default_rng([chain.steps, chain.batches, chain.runs, *str(chain.truth).encode()])
    held, over_truth, without, at_the_mean = [], [], 0, []
    for place in range(workshops):
        levels = [chain.truth.level(source) for _ in range(chain.steps)]
        failures = [min(int(source.binomial(chain.runs, chain.failing)), chain.runs - 1) for _ in levels]
        records = [
            chain.truth.yields(level, source.random(chain.runs - failed))
            for level, failed in zip(levels, failures, strict=True)
        ]
        prior = shared_prior([spread_of(yields, "logit") for yields in records])
        runs, failed = chain.runs * chain.steps, sum(failures)
        draws = [
            step_draws(
                forecast_step(
                    yields,
                    mine,
                    mass_ratio=False,
                    prior=prior,
                    other_runs=OTHER_RUNS + runs - chain.runs,
                    other_failures=round(OTHER_RUNS * chain.failing) + failed - mine,
                    pi0=None if chain.failing else 0.0,
                ),
                seed_for("coverage", str(place), str(number)),
                WHAT_IF_TRIALS,
            )
            for number, (yields, mine) in enumerate(zip(records, failures, strict=True))
        ]
        true_ratio = np.ones(CAMPAIGNS)
        for level in levels:
            given = chain.truth.yields(level, source.random((CAMPAIGNS, chain.batches)))
            true_ratio *= (given * (source.random(given.shape) >= chain.failing)).mean(axis=1)
        mean_ratio = math.prod(float(yields.mean()) * (1 - chain.failing) for yields in records)
        at_the_mean.append(float((true_ratio >= mean_ratio).mean()))
        ratio = product_per_gram(draws, [chain.batches] * chain.steps, [1.0] * chain.steps)
        amount = starting_amount(ratio, 1.0, 0.90)
        if amount is None:
            without += 1
            continue
        held.append(float((amount * true_ratio >= 1.0).mean()))
        true_amount = starting_amount(true_ratio, 1.0, 0.90)
        if true_amount is not None:
            over_truth.append(amount / true_amount)
    return Coverage(
        (float(np.mean(held)) if held else math.nan,),
        float(np.median(over_truth)) if over_truth else math.nan,
        without / workshops,
        float(np.mean(at_the_mean)),
        float(np.std(held) / math.sqrt(len(held))) if held else math.nan,
    )


def verdict(delivered: float, error: float, goal: float) -> str:
    """Whether what was delivered is what shall be, in words; two standard errors of the simulation are allowed."""
    if math.isnan(delivered):
        return "no bound above 0"
    if delivered >= goal:
        return "holds"
    return "holds within error" if delivered >= goal - 2 * error else f"misses {100 * goal:.0f}"


WITHIN = 0.02
"""What is asked below the ceiling of failing runs shall hold within so much of it."""


def said_of(case: Case, found: Coverage) -> str:
    """The verdict on a row; where runs fail, on what is asked above their ceiling and below it."""
    goal = GOAL if case.runs >= FEW else GOAL_OF_FEW
    at_90 = ASKED.index(0.90)
    ceiling = 1 - case.failing
    if ceiling > 0.90:
        return verdict(found.held[at_90], found.standard_error, goal)
    parts = [f"{verdict(found.kept[at_90], found.standard_error, goal)} with the bounds of 0"]
    if not math.isnan(found.held[at_90]):
        parts.append(f"apart {_percent(found.held[at_90])} of at most {100 * ceiling:.0f}")
    below = [(asked, held) for asked, held in zip(ASKED, found.held, strict=True) if asked < ceiling]
    parts += [f"{100 * asked:.0f}: {verdict(held, 0.0, asked - WITHIN)}" for asked, held in below]
    return "; ".join(parts)


def _percent(share: float) -> str:
    return "–" if math.isnan(share) else f"{100 * share:.1f}"


def _ratio(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.2f}"


def lines(workshops: int) -> Iterator[str]:
    """The table of steps in Markdown, a line at a time."""
    asked = " | ".join(f"{100 * each:.0f} %" for each in ASKED)
    yield (
        f"| truth | failing | runs | {asked} | at most | 80 %, 0 kept | 90 %, 0 kept | bound ÷ truth | no bound "
        "| mean as bound | asked 90 % |"
    )
    yield "|---|--:|--:|" + "--:|" * (len(ASKED) + 6) + "---|"
    for case in CASES:
        found = covered(case, workshops)
        held = " | ".join(map(_percent, found.held))
        truth = f"{case.truth}, spread lent" if case.shared else str(case.truth)
        kept = " | ".join(_percent(found.kept[ASKED.index(each)]) for each in (0.80, 0.90))
        yield (
            f"| {truth} | {case.failing:g} | {case.runs} | {held} | {100 * (1 - case.failing):.0f} | {kept} "
            f"| {_ratio(found.over_truth)} | {100 * found.without_bound:.0f} | {100 * found.mean_held:.0f} "
            f"| {said_of(case, found)} |"
        )


def chain_lines(workshops: int) -> Iterator[str]:
    """The table of chains in Markdown, a line at a time."""
    yield "| truth | failing | steps | batches | runs | 90 % | amount ÷ truth | no amount | at the mean | asked 90 % |"
    yield "|---|--:|--:|--:|--:|--:|--:|--:|--:|---|"
    for chain in CHAINS:
        found = chained(chain, workshops)
        said = verdict(found.held[0], found.standard_error, GOAL_OF_CHAINS)
        yield (
            f"| {chain.truth} | {chain.failing:g} | {chain.steps} | {chain.batches} | {chain.runs} "
            f"| {_percent(found.held[0])} | {_ratio(found.over_truth)} | {100 * found.without_bound:.0f} "
            f"| {100 * found.mean_held:.0f} | {said} |"
        )


if __name__ == "__main__":
    asked_for = int(sys.argv[1]) if len(sys.argv) > 1 else WORKSHOPS
    for line in lines(asked_for):
        print(line, flush=True)
    print()
    for line in chain_lines(max(1, asked_for // 5)):
        print(line, flush=True)
