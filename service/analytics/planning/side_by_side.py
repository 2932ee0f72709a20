"""Two plans beside each other: how far they differ, and how much of that may be the luck of the draws.

Both were drawn on common random numbers, so that what one owes to luck the other mostly owes to it too: shares and
means of the trials are compared trial by trial, and what is searched for at a confidence as ``luck.py`` has it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.analytics.forecast.draws import SharedDraws, Trials
from service.analytics.planning.campaign import Campaigns
from service.analytics.planning.inputs import PlanInputs
from service.analytics.planning.luck import Figures, Luck, luck_of, uncertainty
from service.analytics.planning.plan import draws_of
from service.analytics.planning.planned import Plan
from service.analytics.planning.whole import WholePlan

_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Carried:
    """A plan in every trial, and how far luck goes through to what it asks for; None where that hangs on a few trials.

    ``per_g``: the money per gram of product, as isolated and dry, at the expected product.
    """

    whole: WholePlan
    final_g: Trials
    reached: NDArray[np.bool_]
    luck: Luck | None
    dry_fraction: float

    @property
    def per_g(self) -> float | None:
        """Money used up per gram of expected product."""
        product_g = self.whole.plan.campaign.steps[-1].expected_product_g * self.dry_fraction
        return self.whole.consumed / product_g if self.whole.consumed is not None and product_g > 0.0 else None

    @property
    def branches_searched(self) -> bool:
        """Whether the ratio of branches that meet was searched for, which hangs on fewer trials than the cost does."""
        return self.whole.plan.branches is not None and bool(self.whole.plan.branches.over)


@dataclass(frozen=True, slots=True)
class Difference:
    """How much more the other has, and the standard uncertainty of that from the number of trials; None if unknown."""

    value: float
    monte_carlo_u: float | None


def carried(inputs: PlanInputs, whole: WholePlan, shared: SharedDraws, *, backwards: bool = False) -> Carried:
    """Return a plan carried out in every trial. ``shared``: the draws that it was planned on; ``backwards`` as
    :func:`luck_of`.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> from service.analytics.planning.inputs import PlanQuestion, StepInputs
    >>> from service.analytics.planning.whole import plan_from
    >>> from service.analytics.money.standard_cost import CostLine, StepCost
    >>> step = PlanStep("roast", forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, pi0=0.0), 0.5,
    ...                 bought=(BoughtInput("ore", 1.0, key=True),))
    >>> roast = StepInputs(step, StepCost("roast", 0.31, (CostLine("ore", 0.02),)), "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (roast,), price_per_g={"ore": 0.02})
    >>> shared = SharedDraws()
    >>> today = carried(inputs, plan_from(inputs, PlanQuestion(10.0, 0.9, 1024), shared), shared)
    >>> low, own, high = (each.begun["ore"] for each in today.luck)
    >>> bool(today.reached.mean() >= 0.9), low < own < high
    (True, True)
    """
    campaigns = campaigns_of(whole.plan, inputs.route, shared)
    final_g = whole.plan.campaign.final_g
    reached = final_g >= whole.plan.target_g * (1 - _ROUNDING)
    luck = luck_of(inputs, whole, campaigns, backwards=backwards)
    return Carried(whole, final_g, reached, luck, inputs.dry_fraction)


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
    >>> today, twice = (carried(inputs, plan_from(inputs, PlanQuestion(grams, 0.9, 1024), shared), shared)
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
    >>> today, twice = (carried(inputs, plan_from(inputs, PlanQuestion(grams, 0.9, 1024), shared), shared)
    ...                 for grams in (10.0, 20.0))
    >>> found = starting_differences(today, twice)["ore"]
    >>> amount = today.whole.plan.campaign.starting["ore"].planned_g
    >>> abs(found.value - amount) < 1e-6 * amount, 0.0 < found.monte_carlo_u < 0.05 * amount
    (True, True)
    """
    before = {name: need.planned_g for name, need in today.whole.plan.campaign.starting.items()}
    after = {name: need.planned_g for name, need in other.whole.plan.campaign.starting.items()}
    searched = today.branches_searched or other.branches_searched
    held = not searched or (today.whole.plan.flow == other.whole.plan.flow)

    def difference(name: str) -> Difference:
        u = luck_between(today, other, lambda each: each.begun.get(name, 0.0)) if held else None
        return Difference(after.get(name, 0.0) - before.get(name, 0.0), u)

    return {name: difference(name) for name in sorted({*before, *after})}


def luck_between(today: Carried, other: Carried, figure: Callable[[Figures], float | None]) -> float | None:
    """Return the standard uncertainty of a figure of the other less today's; None where either is not known.

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
    >>> today, twice = (carried(inputs, plan_from(inputs, PlanQuestion(grams, 0.9, 1024), shared), shared)
    ...                 for grams in (10.0, 20.0))
    >>> luck_between(today, twice, lambda each: each.batches), luck_between(today, today, lambda each: each.money)
    (0.0, 0.0)
    """
    return uncertainty(today.luck, other.luck, _together(today, other), figure)


def _together(today: Carried, other: Carried) -> float:
    """The correlation over the trials of reaching one's target in either plan."""
    one, its = today.reached, other.reached
    p, q = float(one.mean()), float(its.mean())
    scatter = math.sqrt(p * (1 - p) * q * (1 - q))
    return float((one & its).mean() - p * q) / scatter if scatter > 0.0 else 0.0


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
    >>> today, twice = (carried(inputs, plan_from(inputs, PlanQuestion(grams, 0.9, 1024), shared), shared)
    ...                 for grams in (10.0, 20.0))
    >>> found = consumed_difference(today, twice)
    >>> abs(found.value - today.whole.consumed) < 1e-6, found.monte_carlo_u > 0.0
    (True, True)
    """
    before, after = today.whole.consumed, other.whole.consumed
    if before is None or after is None:
        return None
    return Difference(after - before, luck_between(today, other, lambda each: each.money))


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
    >>> today, twice = (carried(inputs, plan_from(inputs, PlanQuestion(grams, 0.9, 1024), shared), shared)
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


def _averaged(values: Trials) -> Difference:
    return Difference(float(values.mean()), float(values.std()) / math.sqrt(values.size))
