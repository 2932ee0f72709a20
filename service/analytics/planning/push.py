"""Where to push: what a step would save and secure at its best, and what each unknown does at either of its ends.

All at the amounts that are planned today, on the draws that they were planned on.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from service.analytics.forecast.draws import Trials, seed_for, step_draws
from service.analytics.forecast.next_run import StepForecast
from service.analytics.money.standard_cost import standard_cost
from service.analytics.planning.campaign import MOST_RATIO, Campaigns, mean_of
from service.analytics.planning.chain import reach_probability
from service.analytics.planning.inputs import PlanInputs
from service.analytics.planning.whole import WholePlan

LOW, HIGH = 0.10, 0.90
PRICE_SWING = 1.25
"""A price is taken to lie between a 1.25th and 1.25 times of what it is, nine times in ten each way (judgement): a book
of prices holds what was asked, not how it will move."""

_KNOWN = 1e12  # runs, or failures in so many, after which nothing is left unknown

Part = Literal["level", "scatter", "failure", "price"]


@dataclass(frozen=True, slots=True)
class Lever:
    """A step that gave ``ratio_to`` grams of product per gram of key input in every batch, in place of ``ratio_now``.

    ``saving_per_g``: money per gram of final product, as isolated; ``p_reach`` at the amounts planned today and
    ``p_reach_gain`` on it, with its Monte Carlo uncertainty. None where there is no such ratio, or no cost.
    """

    ratio_to: float | None
    saving_per_g: float | None
    p_reach: float | None
    p_reach_gain: float | None
    monte_carlo_u: float | None


@dataclass(frozen=True, slots=True)
class StepPush:
    """A step at the best run so far (``best``) and at what is possible (``limit``)."""

    code: str
    ratio_now: float | None
    best: Lever
    limit: Lever


@dataclass(frozen=True, slots=True)
class Swing:
    """An unknown at its tenth and its ninetieth percentile, all else as it is drawn: (low, high) of the money per gram
    of expected product, as isolated, and of the probability of reaching the target."""

    name: str
    part: Part
    at: tuple[float, float]
    cost_per_g: tuple[float, float] | None
    p_reach: tuple[float, float]


def levers(inputs: PlanInputs, whole: WholePlan, campaigns: Campaigns) -> tuple[StepPush, ...]:
    """Return of every planned step what it would save and secure at its best run so far, and at its limit.

    The saving is that of the standard cost with the other ratio in it: K·φ·(1 - R/R'), R with its failures, R' without.
    The gain in probability is that of a step which gives R' in every batch, at the amounts planned today.

    >>> import datetime as dt
    >>> from service.analytics.forecast.draws import SharedDraws
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.money.standard_cost import CostLine, StepCost
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> from service.analytics.planning.inputs import PlanQuestion, StepInputs
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
    >>> found = levers(inputs, whole, campaigns)[0]
    >>> found.code, round(found.best.saving_per_g, 4), found.best.p_reach_gain > 0.0
    ('roast', 0.0074, True)
    """
    found = []
    for place, step in enumerate(whole.plan.steps):
        if whole.plan.flow.batches[place]:
            cost = inputs.steps[place].cost
            found.append(
                StepPush(
                    step.code,
                    cost.ratio_per_g,
                    _lever(inputs, whole, campaigns, place, cost.ratio_best),
                    _lever(inputs, whole, campaigns, place, cost.ratio_limit),
                )
            )
    return tuple(found)


def _lever(inputs: PlanInputs, whole: WholePlan, campaigns: Campaigns, place: int, ratio: float | None) -> Lever:
    now = inputs.steps[place].cost.ratio_per_g
    if ratio is None or now is None or ratio < now:
        return Lever(None, None, None, None, None)
    costs = [
        replace(step.cost, ratio_per_g=ratio) if at == place else step.cost for at, step in enumerate(inputs.steps)
    ]
    before, after = whole.costs.cost_per_g, standard_cost(costs).cost_per_g
    today = _final(whole, campaigns, {}) >= _least(whole)
    pushed = _final(whole, campaigns, {place: np.full(1, ratio)}) >= _least(whole)
    gain = pushed.astype(np.float64) - today
    return Lever(
        ratio_to=ratio,
        saving_per_g=None if before is None or after is None else before - after,
        p_reach=float(pushed.mean()),
        p_reach_gain=float(gain.mean()),
        monte_carlo_u=float(gain.std()) / math.sqrt(gain.size),
    )


def _least(whole: WholePlan) -> float:
    return whole.plan.target_g * (1 - 1e-9)


def _final(whole: WholePlan, campaigns: Campaigns, ratios: Mapping[int, Trials]) -> Trials:
    """Grams of product in every trial at today's amounts, some steps with ratios of their own."""
    own = [ratios.get(place) for place in range(len(whole.plan.steps))]
    return campaigns.per_trial(campaigns.carry_out(whole.plan.flow, ratios=own).final_g)


def price_sensitivities(whole: WholePlan) -> dict[str, float] | None:
    """Return by how many per cent the cost of a gram rises where a material's price does by one: its part of the cost.

    None where the cost is not known.

    >>> import datetime as dt
    >>> from service.analytics.forecast.draws import SharedDraws
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.money.standard_cost import CostLine, StepCost
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> from service.analytics.planning.inputs import PlanQuestion, StepInputs
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
    >>> {name: round(part, 9) for name, part in price_sensitivities(whole).items()}
    {'ore': 1.0}
    """
    costs = whole.costs
    if not costs.cost_per_g:
        return None
    return {material: part / costs.cost_per_g for material, part in costs.by_material.items()}


def tornado(inputs: PlanInputs, whole: WholePlan, campaigns: Campaigns, route: str) -> tuple[Swing, ...]:
    """Return what each unknown does at its tenth and ninetieth percentile, the widest in cost first.

    Unknown are the mean yield and the chance of failure of every planned step, and the price of every bought material,
    which is taken to move by ``PRICE_SWING`` either way. ``route``: its code, for the draws' seeds.

    >>> import datetime as dt
    >>> from service.analytics.forecast.draws import SharedDraws
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.money.standard_cost import CostLine, StepCost
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> from service.analytics.planning.inputs import PlanQuestion, StepInputs
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
    >>> [(swing.name, swing.part) for swing in tornado(inputs, whole, campaigns, "calx")]
    [('ore', 'price'), ('roast', 'level')]
    """
    found = [*_of_steps(inputs, whole, campaigns, route), *_of_prices(inputs, whole, campaigns)]
    return tuple(sorted(found, key=lambda swing: -_width(swing)))


def _width(swing: Swing) -> float:
    low, high = swing.cost_per_g or swing.p_reach
    return abs(high - low)


def _of_steps(inputs: PlanInputs, whole: WholePlan, campaigns: Campaigns, route: str) -> Iterator[Swing]:
    for place, step in enumerate(whole.plan.steps):
        if not (batches := whole.plan.flow.batches[place]):
            continue
        seed = seed_for(*(step.seed_words or (route, step.code)), "yield")
        parts: list[tuple[Part, list[tuple[float, StepForecast]]]] = [("level", _levels(step.forecast))]
        if step.forecast.failures_a > 0:
            parts.append(("failure", _failures(step.forecast)))
        for part, pinned in parts:
            costs, reached = [], []
            for _, forecast in pinned:
                ratio = step_draws(forecast, seed, whole.plan.trials).success(batches) * step.factor_g_per_g
                final_g = _final(whole, campaigns, {place: np.minimum(ratio, MOST_RATIO)})
                costs.append(_cost(inputs, whole, final_g, whole.consumed))
                reached.append(reach_probability(final_g, 1.0, whole.plan.target_g)[0])
            yield Swing(step.code, part, (pinned[0][0], pinned[1][0]), _pair(costs), (reached[0], reached[1]))


def _of_prices(inputs: PlanInputs, whole: WholePlan, campaigns: Campaigns) -> Iterator[Swing]:
    final_g = _final(whole, campaigns, {})
    p_reach = whole.plan.campaign.p_reach
    for material, need in whole.plan.campaign.materials.items():
        if price := inputs.price_per_g.get(material):
            ends = (price / PRICE_SWING, price * PRICE_SWING)
            costs = [
                _cost(
                    inputs,
                    whole,
                    final_g,
                    None if whole.consumed is None else whole.consumed + need.planned_g * (end - price),
                )
                for end in ends
            ]
            yield Swing(material, "price", ends, _pair(costs), (p_reach, p_reach))


def _cost(inputs: PlanInputs, whole: WholePlan, final_g: Trials, consumed: float | None) -> float | None:
    heavy = any(step.forecast.scale == "ln" for step in whole.plan.steps)
    product_g = mean_of(final_g, heavy=heavy)
    return None if consumed is None or product_g <= 0.0 else consumed / product_g


def _pair(values: Sequence[float | None]) -> tuple[float, float] | None:
    low, high = values
    return None if low is None or high is None else (low, high)


def _levels(forecast: StepForecast) -> list[tuple[float, StepForecast]]:
    """The forecast with its level at the tenth and at the ninetieth percentile, and known; its scatter as it was."""
    from scipy.special import stdtrit

    from service.analytics.forecast.spread import off_scale

    found = []
    for probability in (LOW, HIGH):
        away = float(stdtrit(forecast.dof, probability))
        spread = forecast.spread_low if away < 0 else forecast.spread_high
        low, high = forecast.spread_low, forecast.spread_high
        if forecast.kind == "runs":
            reach = math.sqrt(spread * spread / forecast.effective_runs + forecast.beyond_variance)
        else:
            # Half of the variance is the level's; what is left is that of a run about it.
            reach, low, high = spread * math.sqrt(0.5), low * math.sqrt(0.5), high * math.sqrt(0.5)
        centre = forecast.centre + away * reach
        pinned = replace(
            forecast,
            kind="runs",
            centre=centre,
            spread_low=low,
            spread_high=high,
            effective_runs=_KNOWN,
            beyond_variance=0.0,
        )
        found.append((float(off_scale(centre, forecast.scale)), pinned))
    return found


def _failures(forecast: StepForecast) -> list[tuple[float, StepForecast]]:
    """The forecast with its chance of failure at the tenth and at the ninetieth percentile, and known."""
    from scipy.special import betaincinv

    chances = [float(betaincinv(forecast.failures_a, forecast.failures_b, each)) for each in (LOW, HIGH)]
    many = 1e9
    return [(each, replace(forecast, failures_a=many * each, failures_b=many * (1 - each))) for each in chances]
