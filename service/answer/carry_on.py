"""In the middle of the work: what comes of what is in hand, what to carry on, what to make more of first."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from service.analytics.forecast.draws import SharedDraws
from service.analytics.planning.carry_on import (
    Carrying,
    OneMore,
    Stages,
    carry,
    least_to_carry,
    most_to_carry,
    one_more_batch,
)
from service.analytics.planning.chain import reach_probability
from service.analytics.planning.entries import offered_per_g
from service.analytics.planning.inputs import PlanInputs
from service.analytics.planning.plan import draws_of
from service.analytics.planning.whole import planned_steps
from service.answer.book import Book
from service.answer.plan_bounds import Ask, Bounded, bounded_plan
from service.answer.plan_inputs import Gathered, plan_inputs
from service.answer.plan_lines import Layout
from service.answer.prices import Exchange
from service.answer.scenario_names import unknown_name
from service.answer.two_waves import two_waves_of
from service.answer.what_if import figures_of, question_of, without_plan
from service.domain.lot import strength_of
from service.domain.what_if import CarryOn
from service.errors import Fault, InvalidInput, NotComputable

METHOD = "carry-on/1"


def carry_on_of(book: Book, route_code: str, asked: CarryOn, as_of: dt.date) -> dict[str, Any]:
    """Return the chance that what is in hand reaches the target, what of it to carry on, and what to do first.

    What is stated of a material stands in place of what the shelf holds of it; of other intermediates the shelf counts.
    One more batch of a step pays where what is expected to fall short then costs so much less as is more than the
    batch and what carrying it on costs. ``plan`` is the plan that reaches the target with what is in hand;
    ``two_waves`` begins with less than that plan and tops it up by a rule.

    Raises UnknownRecord for an unknown route, InvalidInput with every name that no step here has, NotComputable where
    the route cannot be read.
    """
    exchange = Exchange(book, asked.currency or book.workshop.currency, as_of)
    gathered = plan_inputs(book, route_code, exchange, stock=asked.stock, project=asked.project)
    inputs, stated = _with_in_hand(gathered, asked)
    question, shared, reasons = question_of(asked), SharedDraws(), dict[str, str]()
    bounded: Bounded | None = None
    try:
        bounded = bounded_plan(book, gathered, inputs, question, Ask(acknowledge=asked.acknowledge), shared)
    except NotComputable as refused:
        reasons["plan"] = refused.detail
    steps = planned_steps(inputs, question) if bounded is None else bounded.whole.plan.steps
    stages = Stages(steps, draws_of(steps, (route_code,), question.trials, shared))
    target_g = question.target_g / inputs.dry_fraction
    in_hand = [step.stock_g for step in steps]
    carried, _ = most_to_carry(stages, in_hand, target_g)
    carrying = carry(stages, carried)
    p_reach, u = reach_probability(carrying.final_g, 1.0, target_g)
    worth = _worth(inputs, asked, exchange, bounded)
    if worth is None:
        reasons["shortfall"] = f"neither an offer of {inputs.product} nor its cost is known: state worth_per_g"
    short_g = float(np.maximum(target_g - carrying.final_g, 0.0).mean())
    more = _one_more(inputs, stages, in_hand, target_g, worth)
    dry = inputs.dry_fraction
    first = next((each.code for each in more if each.pays), None)
    plan = without_plan(reasons.get("plan", ""))
    if bounded is not None:
        plan = figures_of(Layout(inputs, bounded.whole, gathered.costing.shop.offers, exchange), bounded)
    return {
        "route": route_code,
        "product": inputs.product,
        "as_of": as_of.isoformat(),
        "target_g": question.target_g,
        "confidence": question.confidence,
        "currency": exchange.currency,
        "p_reach": p_reach,
        "monte_carlo_u": u,
        "expected_product_g": float(carrying.final_g.mean()) * dry,
        "enough": p_reach >= question.confidence,
        "in_hand": _in_hand_lines(
            inputs, in_hand, stated, least_to_carry(stages, in_hand, target_g, question.confidence) or carried
        ),
        "steps": _carried_lines(inputs, stages, carrying),
        "shortfall": {
            "expected_g": short_g * dry,
            "worth_per_g": None if worth is None else worth / dry,
            "cost": None if worth is None else short_g * worth,
        },
        "one_more_batch": [_more_line(each, dry) for each in more],
        "first": first,
        "plan": {key: value for key, value in plan.items() if key != "difference"},
        "two_waves": None if bounded is None else two_waves_of(inputs, stages, bounded.whole, reasons),
        "worth_per_g": None if asked.worth_per_g is None else asked.worth_per_g.as_dict(),
        "reasons": reasons,
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={"route": route_code, "stock": asked.stock, "trials": question.trials},
            **gathered.rests_on(),
        ),
    }


def _with_in_hand(gathered: Gathered, asked: CarryOn) -> tuple[PlanInputs, dict[str, float]]:
    """The inputs with what is stated in place of what the shelf holds, and the grams as stated, by step."""
    inputs = gathered.inputs
    by_code = {step.code: place for place, step in enumerate(inputs.steps)}
    by_product = {step.product: place for place, step in reversed(list(enumerate(inputs.steps)))}
    faults: list[Fault] = []
    stated: dict[str, float] = {}
    counts: dict[int, float] = {}
    for at, each in enumerate(asked.in_hand):
        known, name, key = (
            (by_product, each.material, "material") if each.step is None else (by_code, each.step, "step")
        )
        assert name is not None
        if name not in known:
            faults.append(unknown_name(key, name, known, f"/in_hand/{at}/{key}"))
            continue
        place = known[name]
        model, _ = gathered.models[place]
        step = inputs.steps[place]
        grams = each.amount.base()
        worth = model.worth(step.product, strength_of(assay=each.assay, density=None))
        stated[step.code] = stated.get(step.code, 0.0) + grams
        counts[place] = counts.get(place, 0.0) + grams * worth
    if faults:
        raise InvalidInput(faults)
    steps = tuple(
        replace(step, plan=replace(step.plan, stock_g=counts[place])) if place in counts else step
        for place, step in enumerate(inputs.steps)
    )
    return replace(inputs, steps=steps), stated


def _worth(inputs: PlanInputs, asked: CarryOn, exchange: Exchange, bounded: Bounded | None) -> float | None:
    """Money that a gram of product as isolated costs where it is missing: as asked, else the cheaper of buying it and
    making it."""
    if asked.worth_per_g is not None:
        return float(exchange.of(asked.worth_per_g)) * inputs.dry_fraction
    made = None if bounded is None else bounded.whole.costs.cost_per_g
    known = [price for price in (offered_per_g(inputs, inputs.product), made) if price is not None]
    return min(known, default=None)


def _one_more(
    inputs: PlanInputs, stages: Stages, in_hand: Sequence[float], target_g: float, worth: float | None
) -> list[OneMore]:
    """One more typical batch of every step that it helps, the one that spares most beyond its cost first."""
    found = []
    for place, step in enumerate(inputs.steps):
        batch_g = step.cost.batch_g or step.plan.largest_g or step.plan.smallest_g
        if batch_g is not None and (more := one_more_batch(stages, in_hand, place, batch_g, target_g, worth)):
            found.append(more)
    return sorted(found, key=lambda each: (each.cost or 0.0) - (each.spared or 0.0))


def _more_line(more: OneMore, dry: float) -> dict[str, Any]:
    return {
        "step": more.code,
        "batch_g": more.batch_g,
        "cost": more.cost,
        "shortfall_g": more.short_g * dry,
        "spared": more.spared,
        "monte_carlo_u": more.monte_carlo_u,
        "p_reach": more.p_reach,
        "pays": more.pays,
    }


def _in_hand_lines(
    inputs: PlanInputs, in_hand: Sequence[float], stated: dict[str, float], carried: Sequence[float]
) -> list[dict[str, Any]]:
    return [
        {
            "step": step.code,
            "material": step.product,
            "amount_g": stated.get(step.code, inputs.on_hand_g.get(step.product, grams)),
            "counts_as_g": grams,
            "carry_on_g": carried[place],
            "left_g": grams - carried[place],
        }
        for place, (step, grams) in enumerate(zip(inputs.steps, in_hand, strict=True))
        if grams > 0.0
    ]


def _carried_lines(inputs: PlanInputs, stages: Stages, carrying: Carrying) -> list[dict[str, Any]]:
    return [
        {
            "step": step.code,
            "key_input_g": carrying.feed_g[place],
            "batches": carrying.batches[place],
            "below_smallest": carrying.feed_g[place] / carrying.batches[place] < (step.plan.smallest_g or 0.0),
        }
        for place, step in enumerate(inputs.steps)
        if carrying.batches[place]
    ]
