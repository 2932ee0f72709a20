"""How far the luck of the trials goes through to what a plan asks for: amounts, cash for whole packs, batches, hours.

An amount at a confidence is an order statistic: other trials would have it at another place among these, by a normal
deviate of the count's own scatter (the quantile process after Bahadur, Annals of Mathematical Statistics 1966, 37,
577). So the plan is searched anew on the same draws at the three confidences where Gauss and Hermite put the nodes of a
normal deviate, the middle one its own. Whatever is counted whole then moves in its own steps, and an amount that the
start of one more batch holds where it is stays there. The coefficients of a figure on the Hermite polynomials of these
nodes give its variance, and that of a difference of two plans whose trials hit and miss together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from service.analytics.planning.campaign import Campaigns
from service.analytics.planning.graph import PlannedFlow
from service.analytics.planning.inputs import PlanInputs
from service.analytics.planning.planned import Need
from service.analytics.planning.search import Search
from service.analytics.planning.stretch import Stretches
from service.analytics.planning.times import StepTimes, plan_times
from service.analytics.planning.whole import WholePlan, shopping_for
from service.errors import NotComputable

_NODE = math.sqrt(3.0)
_LEAST_OVER = 1e-9


@dataclass(frozen=True, slots=True)
class Figures:
    """What a plan asks for. ``target_g``: as isolated. ``begun``: grams of starting materials as planned, ``money`` all
    that is planned to be bought or taken, at today's prices as far as they are known; ``cash_micro`` None where
    something is not offered, hours None where a step states none."""

    target_g: float
    begun: Mapping[str, float]
    money: float
    batches: int
    hands_on_h: float | None
    elapsed_h: float | None
    cash_micro: int | None


Luck = tuple[Figures, Figures, Figures]
"""The figures at the lower node, as they are, and at the upper one."""


def luck_of(inputs: PlanInputs, whole: WholePlan, campaigns: Campaigns, *, backwards: bool = False) -> Luck | None:
    """Return the figures of a plan where the luck of its trials would have them; None where they hang on a few.

    ``campaigns``: the trials that it was searched for on. The ratio of branches that meet is held. ``backwards``: it is
    the plan of the most that a budget or the shelf reaches, which settles all amounts, and by luck the target.

    >>> import datetime as dt
    >>> from service.analytics.forecast.draws import SharedDraws, seed_for, step_draws
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> from service.analytics.planning.inputs import PlanQuestion, StepInputs
    >>> from service.analytics.planning.whole import plan_from
    >>> from service.analytics.money.standard_cost import CostLine, StepCost
    >>> step = PlanStep("roast", forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, pi0=0.0), 0.5,
    ...                 bought=(BoughtInput("ore", 1.0, key=True),))
    >>> roast = StepInputs(step, StepCost("roast", 0.31, (CostLine("ore", 0.02),)), "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (roast,), price_per_g={"ore": 0.02})
    >>> whole = plan_from(inputs, PlanQuestion(10.0, 0.9, 1024))
    >>> drawn = step_draws(step.forecast, seed_for("calx", "roast", "yield"), 1024)
    >>> low, own, high = luck_of(inputs, whole, Campaigns([step], 0, [drawn]))
    >>> low.begun["ore"] < own.begun["ore"] == whole.plan.campaign.starting["ore"].planned_g < high.begun["ore"]
    True
    """
    found = _Luck(inputs, whole, campaigns).found()
    if not backwards or found is None:
        return found
    low, own, high = (
        replace(found[1], target_g=found[1].target_g * found[1].money / each.money if each.money > 0.0 else math.nan)
        for each in found
    )
    return None if math.isnan(low.target_g) or math.isnan(high.target_g) else (low, own, high)


class _Luck:
    def __init__(self, inputs: PlanInputs, whole: WholePlan, campaigns: Campaigns) -> None:
        self._inputs, self._whole, self._plan = inputs, whole, whole.plan
        self._campaigns = campaigns
        self._at_its_own = self._search(whole.plan.confidence, None)

    def found(self) -> Luck | None:
        plan = self._plan
        own = self._figures(plan.flow, plan.campaign.materials, self._whole.shopping.purchase.cash_micro)
        if not any(plan.flow.batches):
            return own, own, own
        aside = _NODE * math.sqrt(plan.confidence * (1.0 - plan.confidence) / plan.trials)
        ends = []
        for confidence in (plan.confidence - aside, plan.confidence + aside):
            if not 0.0 < confidence < 1.0:
                return None
            try:
                flow = self._least(confidence)
            except NotComputable:
                return None
            if flow == plan.flow:
                ends.append(own)
                continue
            ends.append(self._figures(flow, self._at_its_own.needs_of(flow), None))
        return ends[0], own, ends[1]

    def _least(self, confidence: float) -> PlannedFlow:
        """The flow that another confidence asks for."""
        search, own_g = self._search(confidence, self._at_its_own.stretches), self._plan.flow.output_g
        surer = search if confidence > self._plan.confidence else self._at_its_own
        if not surer.never_needs_spares:
            return search.least_flow()
        # Without spare batches that a confidence adds, what is surer takes no less of anything.
        aside = own_g * _LEAST_OVER
        return search.least_flow(above_g=own_g - aside) if surer is search else search.least_flow(up_to_g=own_g + aside)

    def _search(self, confidence: float, stretches: Stretches | None) -> Search:
        plan = self._plan
        wanted = tuple(self._whole.question.spares.get(step.code, 0) for step in plan.steps)
        last = len(plan.steps) - 1
        return Search(plan.steps, last, self._campaigns, plan.target_g, confidence, wanted, plan.flow.over, stretches)

    def _figures(self, flow: PlannedFlow, materials: Mapping[str, Need], cash_micro: int | None) -> Figures:
        inputs, starting = self._inputs, self._plan.campaign.starting
        times = plan_times(
            [
                StepTimes(step.code, count, step.labour_h, step.elapsed_h, tuple(e for e, _ in step.plan.upstream))
                for step, count in zip(inputs.steps, flow.batches, strict=True)
            ]
        )
        if self._whole.shopping.purchase.not_offered:
            cash_micro = None
        elif cash_micro is None:
            cash_micro = shopping_for(inputs, {m: need.need_g for m, need in materials.items()}).purchase.cash_micro
        worth = zip(flow.from_stock_g, self._whole.costs.by_step, strict=True)
        return Figures(
            target_g=self._plan.target_g,
            begun={name: materials[name].planned_g if name in materials else 0.0 for name in starting},
            money=math.fsum(need.planned_g * inputs.price_per_g.get(m, 0.0) for m, need in materials.items())
            + math.fsum(grams * (share.product_cost_per_g or 0.0) for grams, share in worth),
            batches=sum(flow.batches),
            hands_on_h=times.hands_on_h,
            elapsed_h=times.elapsed_h,
            cash_micro=cash_micro,
        )


def uncertainty(
    today: Luck | None, other: Luck | None, together: float, figure: Callable[[Figures], float | None]
) -> float | None:
    """Return the standard uncertainty of the other's figure less today's; None where either is not known.

    ``together``: the correlation, over the trials, of reaching the target in one plan and in the other. On the nodes
    -√3, 0, √3 with weights 1/6, 2/3, 1/6 the polynomials 1, z and (z² - 1)/√2 are orthonormal; two normal deviates of
    correlation r have covariances r and r² on the latter two (Mehler's formula).

    >>> def at(*grams):
    ...     return tuple(Figures(1.0, {"ore": each}, 0.0, 1, None, None, None) for each in grams)
    >>> round(uncertainty(at(9.0, 9.0, 9.0), at(8.0, 10.0, 12.0), 0.5, lambda each: each.begun["ore"]), 4)
    1.1547
    >>> uncertainty(at(8.0, 10.0, 12.0), at(9.0, 11.0, 13.0), 1.0, lambda each: each.begun["ore"])
    0.0
    """
    if today is None or other is None:
        return None
    waves = []
    for luck in (today, other):
        low, own, high = (figure(each) for each in luck)
        if low is None or own is None or high is None:
            return None
        waves.append(((high - low) * _NODE / 6.0, (low - 2.0 * own + high) * math.sqrt(2.0) / 6.0))
    (first, second), (its_first, its_second) = waves
    variance = first**2 + second**2 + its_first**2 + its_second**2
    variance -= 2.0 * (together * first * its_first + together**2 * second * its_second)
    return math.sqrt(variance) if variance > _LEAST_OVER * (first**2 + its_first**2) else 0.0
