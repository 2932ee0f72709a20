"""The whole plan of one question from its inputs alone: batches, what to buy, and what it costs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from service.analytics.forecast.draws import SharedDraws
from service.analytics.money.packs import Purchase, cheapest_packs
from service.analytics.money.standard_cost import StandardCost, standard_cost
from service.analytics.planning.graph import PlanStep
from service.analytics.planning.inputs import PlanInputs, PlanQuestion
from service.analytics.planning.plan import plan_route
from service.analytics.planning.planned import Plan


@dataclass(frozen=True, slots=True)
class Shopping:
    """What the shop is asked for: needs beyond the shelf, in grams, those of them that cost something, and the packs
    that cover these."""

    to_buy_g: Mapping[str, float]
    wanted_g: Mapping[str, float]
    purchase: Purchase


@dataclass(frozen=True, slots=True)
class WholePlan:
    """A plan with its shopping and what it uses up.

    ``costs``: the standard cost of the same steps. ``consumed_at_least``: money for the planned feeds and for what is
    taken from the stock of intermediates, at today's prices, as far as they are known; ``unpriced`` names what has
    none, and ``consumed`` is None beside it. ``unknown_needs``: bought materials of planned steps whose need in grams
    cannot be told, with the reason.
    """

    question: PlanQuestion
    plan: Plan
    shopping: Shopping
    costs: StandardCost
    consumed: float | None
    consumed_at_least: float
    unpriced: tuple[str, ...]
    unknown_needs: Mapping[str, str]


def plan_from(inputs: PlanInputs, question: PlanQuestion, shared: SharedDraws | None = None) -> WholePlan:
    """Return the whole plan. Pure: equal inputs and questions give equal plans.

    A step's draws hang on its route, its code and its forecast alone, so that changed inputs are compared on common
    random numbers; ``shared`` spares them from being drawn again.

    Raises as ``plan_route`` does.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.money.packs import PackOffer
    >>> from service.analytics.money.standard_cost import CostLine, StepCost
    >>> from service.analytics.planning.graph import BoughtInput
    >>> from service.analytics.planning.inputs import StepInputs
    >>> step = PlanStep("roast", forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, pi0=0.0), 0.5,
    ...                 bought=(BoughtInput("ore", 1.0, key=True),))
    >>> roast = StepInputs(step, StepCost("roast", 0.31, (CostLine("ore", 0.02),)), "calx", "roast", "ore", "calx")
    >>> ore = PackOffer("ore-25g", "ore", "corner", 25.0, 500_000)
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (roast,),
    ...                     price_per_g={"ore": 0.02}, offers=(ore,))
    >>> whole = plan_from(inputs, PlanQuestion(10.0))
    >>> dict(whole.shopping.purchase.packs), round(whole.consumed, 1)
    ({'ore-25g': 2}, 1.0)
    """
    costs = standard_cost([step.cost for step in inputs.steps])
    plan = _plan(inputs, question, costs, SharedDraws() if shared is None else shared)
    shopping = shopping_for(inputs, {material: need.need_g for material, need in plan.campaign.materials.items()})
    unknown = {
        material: reason
        for step, planned in zip(inputs.steps, plan.campaign.steps, strict=True)
        if planned.batches
        for material, reason in step.unknown_needs.items()
    }
    consumed, missing = _consumption(inputs, plan, costs)
    unpriced = tuple(dict.fromkeys([*unknown, *missing]))
    return WholePlan(question, plan, shopping, costs, None if unpriced else consumed, consumed, unpriced, unknown)


def planned_steps(inputs: PlanInputs, question: PlanQuestion) -> tuple[PlanStep, ...]:
    """Return the steps as a plan of batches within the record sees them.

    >>> import datetime as dt
    >>> planned_steps(PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", ()), PlanQuestion(10.0))
    ()
    """
    costs = standard_cost([step.cost for step in inputs.steps]) if inputs.steps else None
    return () if costs is None else tuple(_step(inputs, p, question, costs, {}) for p in range(len(inputs.steps)))


def _plan(inputs: PlanInputs, question: PlanQuestion, costs: StandardCost, shared: SharedDraws) -> Plan:
    isolated_g = question.target_g / inputs.dry_fraction

    def planned(sizes_g: Mapping[str, float]) -> Plan:
        return plan_route(
            [_step(inputs, place, question, costs, sizes_g) for place in range(len(inputs.steps))],
            isolated_g,
            question.confidence,
            seed_words=(inputs.route,),
            trials=question.trials,
            spares=question.spares,
            shared=shared,
        )

    found = planned({})
    sizes = found.campaign.batch_g
    records = {step.code: step.largest_before_g for step in inputs.steps}
    if not any((record := records[code]) is not None and size > record for code, size in sizes.items()):
        return found
    # A batch larger than any so far is less sure than the record; how large it is, only a first plan tells.
    return planned(sizes)


def _step(
    inputs: PlanInputs, place: int, question: PlanQuestion, costs: StandardCost, sizes_g: Mapping[str, float]
) -> PlanStep:
    """The step as this question plans it: within its bounds, as sure as its batches' size allows."""
    own = inputs.steps[place]
    step, record, size = own.plan, own.largest_before_g, sizes_g.get(own.code)
    beyond = math.log(size / record) if size and record else 0.0
    largest = [grams for grams in (step.largest_g, question.largest_g.get(step.code)) if grams is not None]
    smallest = step.smallest_g if not largest else min(step.smallest_g or 0.0, *largest) or None
    return replace(
        step,
        forecast=step.forecast.beyond(beyond),
        smallest_g=smallest,
        largest_g=min(largest) if largest else None,
        spare_cost=_batch_cost(inputs, place, costs),
        cost_per_g=_sum([line.per_g for line in own.cost.lines]),
        cost_per_batch=sum(line.per_batch or 0.0 for line in own.cost.lines),
        product_cost_per_g=costs.by_step[place].product_cost_per_g,
    )


def _sum(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) if len(known) == len(values) else None


def _batch_cost(inputs: PlanInputs, place: int, costs: StandardCost) -> float:
    """What one more batch of a step costs; 1 where it is not known, so that only the gain decides."""
    share, typical_g = costs.by_step[place], inputs.steps[place].cost.batch_g
    if share.product_cost_per_g is None or typical_g is None or not share.key_input_g or not share.product_g:
        return 1.0
    return max(share.product_cost_per_g * typical_g * share.product_g / share.key_input_g, 1e-6)


def shopping_for(inputs: PlanInputs, needs_g: Mapping[str, float]) -> Shopping:
    """Return what must be bought for ``needs_g``, grams a material, beyond the shelf, and in which packs.

    What costs nothing, such as water from the tap, is not bought in packs. Raises as ``cheapest_packs`` does.

    >>> import datetime as dt
    >>> from service.analytics.money.packs import PackOffer
    >>> ore = PackOffer("ore-25g", "ore", "corner", 25.0, 500_000)
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (), on_hand_counts_as_g={"ore": 10.0},
    ...                     offers=(ore,))
    >>> found = shopping_for(inputs, {"ore": 48.0})
    >>> found.to_buy_g, found.purchase.cash_micro
    ({'ore': 38.0}, 1000000)
    """
    on_hand = inputs.on_hand_counts_as_g
    to_buy = {material: max(0.0, need - max(0.0, on_hand.get(material, 0.0))) for material, need in needs_g.items()}
    wanted = {m: grams for m, grams in to_buy.items() if grams > 0.0 and inputs.price_per_g.get(m) != 0.0}
    return Shopping(to_buy, wanted, cheapest_packs(wanted, inputs.offers, inputs.terms))


def _consumption(inputs: PlanInputs, plan: Plan, costs: StandardCost) -> tuple[float, list[str]]:
    """Return the money that a plan uses up as far as it is known, and the names of what has no price."""
    consumed = 0.0
    unpriced = []
    for material, need in plan.campaign.materials.items():
        price = inputs.price_per_g.get(material)
        if price is None:
            unpriced.append(material)
        else:
            consumed += need.planned_g * price
    for planned, step, share in zip(plan.campaign.steps, inputs.steps, costs.by_step, strict=True):
        if planned.from_stock_g > 0.0:
            if share.product_cost_per_g is None:
                unpriced.append(step.product)
            consumed += planned.from_stock_g * (share.product_cost_per_g or 0.0)
    return consumed, unpriced
