"""Two plans beside each other: how far they differ, and how much of that may be the luck of the draws.

Both were drawn on common random numbers, so that what one owes to luck the other mostly owes to it too. The amount that
a plan begins with is an order statistic of its trials; to first order, a trial moves it by
(confidence - whether the trial reaches)/(slope of the probability in the logarithm of the amount), which is the
influence of a quantile (Serfling, Approximation Theorems of Mathematical Statistics, 1980, 2.5); the difference of two
plans' moves is averaged trial by trial.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.analytics.forecast.draws import SharedDraws, Trials
from service.analytics.planning.campaign import Campaigns, begun_with
from service.analytics.planning.plan import draws_of
from service.analytics.planning.planned import Plan
from service.analytics.planning.whole import WholePlan

_NUDGE = 1e-4
_SLOPE_OVER = 0.15  # in ln of the amount: wide enough for hundreds of trials, narrow beside any yield's spread
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Carried:
    """A plan in every trial. ``moves``: what each trial adds to ln of the amounts begun with; None where they hang on a
    few trials. ``per_g`` the money per gram of product, as isolated and dry, at the expected product."""

    whole: WholePlan
    final_g: Trials
    reached: NDArray[np.bool_]
    moves: Trials | None
    dry_fraction: float

    @property
    def per_g(self) -> float | None:
        """Money used up per gram of expected product."""
        product_g = self.whole.plan.campaign.steps[-1].expected_product_g * self.dry_fraction
        return self.whole.consumed / product_g if self.whole.consumed is not None and product_g > 0.0 else None


@dataclass(frozen=True, slots=True)
class Difference:
    """How much more the other has, and the standard uncertainty of that from the number of trials; None if unknown."""

    value: float
    monte_carlo_u: float | None


def carried(whole: WholePlan, route: str, dry_fraction: float, shared: SharedDraws) -> Carried:
    """Return a plan carried out in every trial. ``shared``: the draws that it was planned on; ``route``: its code.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> from service.analytics.planning.inputs import PlanInputs, PlanQuestion, StepInputs
    >>> from service.analytics.planning.whole import plan_from
    >>> from service.analytics.money.standard_cost import CostLine, StepCost
    >>> step = PlanStep("roast", forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, pi0=0.0), 0.5,
    ...                 bought=(BoughtInput("ore", 1.0, key=True),))
    >>> roast = StepInputs(step, StepCost("roast", 0.31, (CostLine("ore", 0.02),)), "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (roast,), price_per_g={"ore": 0.02})
    >>> shared = SharedDraws()
    >>> today, twice = (carried(plan_from(inputs, PlanQuestion(grams, 0.9, 1024), shared), "calx", 1.0, shared)
    ...                 for grams in (10.0, 20.0))
    >>> bool(today.reached.mean() >= 0.9), bool(abs(today.moves.mean()) < 1e-12)
    (True, True)
    """
    plan = whole.plan
    campaigns = campaigns_of(plan, route, shared)
    final_g = plan.campaign.final_g
    more = campaigns.per_trial(campaigns.carry_out(begun_with(plan.steps, plan.flow, 1 + _NUDGE)).final_g)
    reached = final_g >= plan.target_g * (1 - _ROUNDING)
    rise = (more - final_g) / _NUDGE * _SLOPE_OVER
    beyond, short = (int(np.count_nonzero(final_g + sign * rise >= plan.target_g)) for sign in (1, -1))
    slope = (beyond - short) / (2 * _SLOPE_OVER * final_g.size)
    moves = None
    if slope > 0:
        moves = (reached.mean() - reached) / slope
    elif not any(plan.flow.batches):
        moves = np.zeros(final_g.size)
    return Carried(whole, final_g, reached, moves, dry_fraction)


def campaigns_of(plan: Plan, route: str, shared: SharedDraws) -> Campaigns:
    """Return the trials that a plan was searched for on.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> from service.analytics.planning.inputs import PlanInputs, PlanQuestion, StepInputs
    >>> from service.analytics.planning.whole import plan_from
    >>> from service.analytics.money.standard_cost import CostLine, StepCost
    >>> step = PlanStep("roast", forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, pi0=0.0), 0.5,
    ...                 bought=(BoughtInput("ore", 1.0, key=True),))
    >>> roast = StepInputs(step, StepCost("roast", 0.31, (CostLine("ore", 0.02),)), "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (roast,), price_per_g={"ore": 0.02})
    >>> shared = SharedDraws()
    >>> campaigns_of(plan_from(inputs, PlanQuestion(10.0, 0.9, 1024), shared).plan, "calx", shared).shape
    (1024,)
    """
    return Campaigns(plan.steps, len(plan.steps) - 1, draws_of(plan.steps, (route,), plan.trials, shared))


def p_reach_difference(today: Carried, other: Carried) -> Difference:
    """Return by how much the other's probability of reaching its own target is higher.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> from service.analytics.planning.inputs import PlanInputs, PlanQuestion, StepInputs
    >>> from service.analytics.planning.whole import plan_from
    >>> from service.analytics.money.standard_cost import CostLine, StepCost
    >>> step = PlanStep("roast", forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, pi0=0.0), 0.5,
    ...                 bought=(BoughtInput("ore", 1.0, key=True),))
    >>> roast = StepInputs(step, StepCost("roast", 0.31, (CostLine("ore", 0.02),)), "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (roast,), price_per_g={"ore": 0.02})
    >>> shared = SharedDraws()
    >>> today, twice = (carried(plan_from(inputs, PlanQuestion(grams, 0.9, 1024), shared), "calx", 1.0, shared)
    ...                 for grams in (10.0, 20.0))
    >>> p_reach_difference(today, twice)
    Difference(value=0.0, monte_carlo_u=0.0)
    """
    return _averaged(other.reached.astype(np.float64) - today.reached)


def starting_differences(today: Carried, other: Carried) -> dict[str, Difference]:
    """Return by how many grams more of each starting material, of either plan, the other begins.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> from service.analytics.planning.inputs import PlanInputs, PlanQuestion, StepInputs
    >>> from service.analytics.planning.whole import plan_from
    >>> from service.analytics.money.standard_cost import CostLine, StepCost
    >>> step = PlanStep("roast", forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, pi0=0.0), 0.5,
    ...                 bought=(BoughtInput("ore", 1.0, key=True),))
    >>> roast = StepInputs(step, StepCost("roast", 0.31, (CostLine("ore", 0.02),)), "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (roast,), price_per_g={"ore": 0.02})
    >>> shared = SharedDraws()
    >>> today, twice = (carried(plan_from(inputs, PlanQuestion(grams, 0.9, 1024), shared), "calx", 1.0, shared)
    ...                 for grams in (10.0, 20.0))
    >>> found = starting_differences(today, twice)["ore"]
    >>> amount = today.whole.plan.campaign.starting["ore"].planned_g
    >>> abs(found.value - amount) < 1e-6 * amount, 0.0 < found.monte_carlo_u < 0.05 * amount
    (True, True)
    """
    before = {name: need.planned_g for name, need in today.whole.plan.campaign.starting.items()}
    after = {name: need.planned_g for name, need in other.whole.plan.campaign.starting.items()}
    return {
        name: Difference(
            after.get(name, 0.0) - before.get(name, 0.0),
            _moved(today, before.get(name, 0.0), other, after.get(name, 0.0)),
        )
        for name in sorted({*before, *after})
    }


def consumed_difference(today: Carried, other: Carried) -> Difference | None:
    """Return by how much more money the other uses up, None where either is not known.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> from service.analytics.planning.inputs import PlanInputs, PlanQuestion, StepInputs
    >>> from service.analytics.planning.whole import plan_from
    >>> from service.analytics.money.standard_cost import CostLine, StepCost
    >>> step = PlanStep("roast", forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, pi0=0.0), 0.5,
    ...                 bought=(BoughtInput("ore", 1.0, key=True),))
    >>> roast = StepInputs(step, StepCost("roast", 0.31, (CostLine("ore", 0.02),)), "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (roast,), price_per_g={"ore": 0.02})
    >>> shared = SharedDraws()
    >>> today, twice = (carried(plan_from(inputs, PlanQuestion(grams, 0.9, 1024), shared), "calx", 1.0, shared)
    ...                 for grams in (10.0, 20.0))
    >>> found = consumed_difference(today, twice)
    >>> abs(found.value - today.whole.consumed) < 1e-6, found.monte_carlo_u > 0.0
    (True, True)
    """
    before, after = today.whole.consumed, other.whole.consumed
    if before is None or after is None:
        return None
    return Difference(after - before, _moved(today, _fresh(today), other, _fresh(other)))


def _fresh(carried_out: Carried) -> float:
    """The money that goes with the amounts begun with: all but the worth of what stock of intermediates gives."""
    whole = carried_out.whole
    worth = zip(whole.plan.campaign.steps, whole.costs.by_step, strict=False)
    stock = math.fsum(step.from_stock_g * (share.product_cost_per_g or 0.0) for step, share in worth)
    return max(0.0, whole.consumed_at_least - stock)


def per_g_difference(today: Carried, other: Carried) -> Difference | None:
    """Return by how much dearer a gram of the other's expected product is, None where either is not known.

    The amounts begun with raise what is used up and what is made alike, so that only the mean of what is made is luck.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> from service.analytics.planning.inputs import PlanInputs, PlanQuestion, StepInputs
    >>> from service.analytics.planning.whole import plan_from
    >>> from service.analytics.money.standard_cost import CostLine, StepCost
    >>> step = PlanStep("roast", forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, pi0=0.0), 0.5,
    ...                 bought=(BoughtInput("ore", 1.0, key=True),))
    >>> roast = StepInputs(step, StepCost("roast", 0.31, (CostLine("ore", 0.02),)), "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (roast,), price_per_g={"ore": 0.02})
    >>> shared = SharedDraws()
    >>> today, twice = (carried(plan_from(inputs, PlanQuestion(grams, 0.9, 1024), shared), "calx", 1.0, shared)
    ...                 for grams in (10.0, 20.0))
    >>> abs(per_g_difference(today, twice).value) < 1e-9
    True
    """
    before, after = today.per_g, other.per_g
    if before is None or after is None:
        return None
    luck = before * _over_mean(today.final_g) - after * _over_mean(other.final_g)
    return Difference(after - before, _averaged(luck).monte_carlo_u)


def _over_mean(final_g: Trials) -> Trials:
    found: Trials = final_g / final_g.mean()
    return found


def _moved(today: Carried, before: float, other: Carried, after: float) -> float | None:
    if (today.moves is None and before) or (other.moves is None and after):
        return None
    moves = [(each.moves, times) for each, times in ((today, -before), (other, after)) if each.moves is not None]
    total = sum((times * move for move, times in moves), np.zeros(today.final_g.size))
    return _averaged(total).monte_carlo_u


def _averaged(values: Trials) -> Difference:
    return Difference(float(values.mean()), float(values.std()) / math.sqrt(values.size))
