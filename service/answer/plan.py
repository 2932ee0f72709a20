"""How much to begin with, and what to buy, to end with an amount at a stated confidence."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Any

from service.analytics.forecast.draws import QUOTED_TRIALS, SharedDraws
from service.analytics.planning.backwards import most_from
from service.analytics.planning.entries import entries_of
from service.analytics.planning.inputs import PlanQuestion
from service.analytics.planning.planned import Plan
from service.analytics.planning.whole import WholePlan, plan_from
from service.answer.book import Book
from service.answer.cautions import cautions_of
from service.answer.plan_buying import Buying
from service.answer.plan_inputs import OWN, Gathered, plan_inputs
from service.answer.plan_lines import Layout
from service.answer.prices import Exchange
from service.domain.caution import STANDING, Caution
from service.domain.money import Money, from_micro, to_micro
from service.errors import UnknownRecord

METHOD = "plan/2"


def plan_of(
    book: Book,
    route_code: str,
    *,
    target_g: float | None = None,
    budget: tuple[Decimal, str | None] | None = None,
    from_stock: bool = False,
    confidence: float = 0.90,
    stock: str = OWN,
    project: str | None = None,
    spare: Sequence[str] = (),
    acknowledge: Sequence[str] = (),
    currency: str | None = None,
    as_of: dt.date,
    trials: int = QUOTED_TRIALS,
) -> dict[str, Any]:
    """Return the plan that ends with ``target_g`` of the route's product with probability ``confidence``.

    The target is grams of product as isolated, dry. In its place stands a ``budget``, cash for packs and shipping with
    its currency (that of the answer where None), or ``from_stock``: then the plan is that of the largest target which
    the budget pays for beside what is on the shelf, or which the shelf alone allows, and ``runs_out_first`` names the
    material that a larger one would want more of. Exactly one of the three is given.

    Intermediates and bought materials on the shelf are netted: with ``stock`` ``own`` the lots of no project, of
    ``project``, and where none is named of the projects that this route was run for; with ``all`` those of every
    project; with ``none`` nothing. The product itself on the shelf is not: the target is what will be made, and
    ``product_on_hand_g`` stands beside it. A ``stop`` keeps a step's batches within its record unless its code is in
    ``acknowledge``; what was asked for stands in ``withheld``. ``spare`` names steps that get a spare batch in any
    case, one for each time that they are named.

    All that the batches take in is bought or made: nothing is counted on that they are to give back, and money is by
    the same standard cost without it. What came back and lies on the shelf is on the shelf.

    Raises UnknownRecord for an unknown route, NotComputable where a step's masses cannot be followed, a mass-ratio step
    has neither run nor opinion, no number of batches reaches the confidence, or nothing can be had for the budget.
    """
    if (target_g is not None) + (budget is not None) + from_stock != 1:
        raise ValueError("a plan is asked for by exactly one of target, budget and from_stock")
    exchange = Exchange(book, currency or book.workshop.currency, as_of)
    gathered = plan_inputs(book, route_code, exchange, stock=stock, project=project)
    inputs = gathered.inputs
    steps = [step.code for step in inputs.steps]
    for code in spare:
        if code not in steps:
            raise UnknownRecord(
                f"the plan of route {route_code!r} has no step {code!r}; its steps are {', '.join(steps)}"
            )
    budget_micro = None
    if budget is not None:
        budget_micro = to_micro(exchange.of(Money(budget[0], budget[1] or exchange.currency)))
    question = PlanQuestion(1.0 if target_g is None else target_g, confidence, trials, Counter(spare))
    shared = SharedDraws()

    def planned(largest_g: Mapping[str, float]) -> tuple[WholePlan, str | None]:
        asked = replace(question, largest_g=largest_g)
        if target_g is not None:
            return plan_from(inputs, asked, shared), None
        found = most_from(inputs, asked, budget_micro)
        return found.whole, found.runs_out_first

    whole, runs_out_first = planned({})
    cautions, not_assessed = _cautions(book, gathered, whole.plan)
    withheld: list[dict[str, Any]] = []
    stops = [each for each in cautions if each.level == "stop" and each.code not in acknowledge]
    records = {step.code: step.largest_before_g for step in inputs.steps}
    inside = {each.step: largest for each in stops if (largest := records[each.step]) is not None}
    if inside:
        withheld = [_withheld(each, whole.plan) for each in stops if each.step in inside]
        whole, runs_out_first = planned(inside)
        cautions, not_assessed = _cautions(book, gathered, whole.plan)
    stops_left = {each.code for each in cautions if each.level == "stop"} - set(acknowledge)
    shown_by = Layout(inputs, whole, gathered.costing.shop.offers, exchange)
    answer = shown_by.answer()
    bought = Buying(shown_by, entries_of(inputs, whole, shared)).answer(answer["reasons"])
    return {
        **answer,
        **bought,
        "planned_for": "target" if target_g is not None else "budget" if budget is not None else "from_stock",
        "budget": None if budget_micro is None else shown_by.money(from_micro(budget_micro)),
        "runs_out_first": runs_out_first,
        "cautions": [each.as_dict() for each in cautions],
        "withheld": withheld,
        "to_acknowledge": sorted(stops_left),
        "not_assessed": list(dict.fromkeys(not_assessed)),
        "standing": STANDING,
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={"route": route_code, "stock": stock, "spare": list(spare), "trials": trials},
            **gathered.rests_on(),
        ),
    }


def _cautions(book: Book, gathered: Gathered, plan: Plan) -> tuple[list[Caution], list[str]]:
    """Return what could hurt in the planned batches, and what was not assessed."""
    cautions: list[Caution] = []
    not_assessed: list[str] = []
    sizes = plan.campaign.batch_g
    batches = {step.code: step.batches for step in plan.campaign.steps}
    for own, (model, step) in zip(gathered.inputs.steps, gathered.models, strict=True):
        size = sizes.get(own.code)
        if size is not None:
            found, unknown = cautions_of(book, model, step, size, batches=batches[own.code])
            cautions += [replace(each, step=own.code) for each in found]
            not_assessed += unknown
    return cautions, not_assessed


def _withheld(caution: Caution, plan: Plan) -> dict[str, Any]:
    """The larger batch that was not planned, and the word that would plan it."""
    planned = next(step for step in plan.campaign.steps if step.code == caution.step)
    return {
        "step": caution.step,
        "code": caution.code,
        "batch_g": planned.key_input_g / planned.batches if planned.batches else 0.0,
        "batches": planned.batches,
        "detail": f"{caution.detail}. Planned within the record; acknowledge={caution.code} plans it as it was.",
    }
