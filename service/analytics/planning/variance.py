"""What the variance of the product is owed to: of each step its mean, its scatter and its failures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.analytics.forecast.draws import StepDraws, Trials
from service.analytics.planning.campaign import Campaigns
from service.analytics.planning.whole import WholePlan

_IN_A_PART = 32  # few enough that an unknown hardly differs within a part, enough to tell the scatter there
_LEAST_PARTS = 8
_TAIL = 0.001  # of the trials at either end are held there: a few of them must not be most of the variance


@dataclass(frozen=True, slots=True)
class VarianceShare:
    """What of the variance of ln(product) a step alone owes, and of that to each of its unknowns.

    ``level``: that its mean is not known; ``scatter``: from batch to batch; ``failure``: that some of its batches
    give nothing. ``one_more_run`` is what one more run of it would take away.
    """

    code: str
    total: float
    level: float
    scatter: float
    failure: float
    one_more_run: float
    runs: float


@dataclass(frozen=True, slots=True)
class Variance:
    """The variance of ln(product) over the trials that give any, and its shares; ``interaction`` is owed to no one step
    alone. ``shares`` is empty where the product does not vary, or hardly a trial gives any."""

    ln_variance: float
    shares: tuple[VarianceShare, ...]
    interaction: float
    without_product: float


def variance_shares(whole: WholePlan, campaigns: Campaigns, draws: Sequence[StepDraws]) -> Variance:
    """Return what of the variance of ln(product) is owed to each unknown alone: first-order shares, on the same draws.

    A share is the variance, between the trials ordered by one unknown and cut into parts of 32, of the parts' means,
    freed of what the scatter within the parts lends it, over the whole variance (Sobol', Mathematical Modelling and
    Computational Experiment 1993, 1, 407; the estimator is the analysis of variance's). Steps are independent, so that
    their shares and the interaction sum to 1. Trials that give nothing have no logarithm
    and are left out, and counted; the thousandth part at either end is held at what comes next.

    >>> import datetime as dt
    >>> from service.analytics.forecast.draws import SharedDraws
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.money.standard_cost import CostLine, StepCost
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> from service.analytics.planning.inputs import PlanInputs, PlanQuestion, StepInputs
    >>> from service.analytics.planning.side_by_side import campaigns_of
    >>> from service.analytics.planning.whole import plan_from
    >>> step = PlanStep("roast", forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, pi0=0.0), 0.5,
    ...                 bought=(BoughtInput("ore", 1.0, key=True),))
    >>> cost = StepCost("roast", 0.31, (CostLine("ore", 0.02),), ratio_best=0.35, ratio_limit=0.5)
    >>> roast = StepInputs(step, cost, "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (roast,), price_per_g={"ore": 0.02})
    >>> shared = SharedDraws()
    >>> whole = plan_from(inputs, PlanQuestion(10.0), shared)
    >>> campaigns = campaigns_of(whole.plan, "calx", shared)
    >>> from service.analytics.planning.plan import draws_of
    >>> found = variance_shares(whole, campaigns, draws_of(whole.plan.steps, ("calx",), 16_384, shared))
    >>> round(found.shares[0].total, 1), found.shares[0].scatter > found.shares[0].level
    (1.0, True)
    """
    final_g = campaigns.per_trial(campaigns.carry_out(whole.plan.flow).final_g)
    usable = final_g > 0
    without = 1.0 - float(usable.mean())
    if np.count_nonzero(usable) < _IN_A_PART * _LEAST_PARTS:
        return Variance(math.nan, (), 0.0, without)
    ln_product = np.log(final_g[usable])
    ln_product = np.clip(ln_product, *np.quantile(ln_product, (_TAIL, 1 - _TAIL)))
    variance = float(ln_product.var())
    if variance <= 1e-18:
        return Variance(0.0, (), 0.0, without)

    def share(unknown: Trials) -> float:
        return _between(unknown[usable], ln_product) / variance

    shares = []
    for place, (step, drawn) in enumerate(zip(whole.plan.steps, draws, strict=True)):
        if not (batches := whole.plan.flow.batches[place]):
            continue
        total, level = share(campaigns.ratio(place, batches)), share(drawn.levels)
        failure = share(drawn.luck) if batches > 1 and step.forecast.failures_a > 0 else 0.0
        runs = step.forecast.effective_runs
        shares.append(
            VarianceShare(
                code=step.code,
                total=total,
                level=level,
                scatter=max(0.0, total - level - failure),
                failure=failure,
                # The level's variance goes as one over the runs; a first run takes half of what an opinion leaves open.
                one_more_run=level / (runs + 1.0) if step.forecast.kind == "runs" else level / 2.0,
                runs=runs,
            )
        )
    return Variance(variance, tuple(shares), 1.0 - math.fsum(each.total for each in shares), without)


def _between(unknown: Trials, values: Trials) -> float:
    """The variance of the mean of ``values`` given the unknown, without what the scatter within a part adds to it."""
    parts = values.size // _IN_A_PART
    ordered = values[np.argsort(unknown, kind="stable")][: parts * _IN_A_PART].reshape(parts, _IN_A_PART)
    within = float(ordered.var(axis=1, ddof=1).mean())
    return max(0.0, float(ordered.mean(axis=1).var(ddof=1)) - within / _IN_A_PART) * (parts - 1) / parts
