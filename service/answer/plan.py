"""How much to begin with, and what to buy, to end with an amount at a stated confidence."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from service.analytics.forecast.draws import QUOTED_TRIALS
from service.analytics.planning.inputs import PlanQuestion
from service.analytics.planning.planned import Plan
from service.analytics.planning.whole import plan_from
from service.answer.book import Book
from service.answer.cautions import cautions_of
from service.answer.plan_inputs import OWN, Gathered, plan_inputs
from service.answer.plan_lines import laid_out
from service.answer.prices import Exchange
from service.domain.caution import STANDING, Caution

METHOD = "plan/2"


def plan_of(
    book: Book,
    route_code: str,
    *,
    target_g: float,
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

    The target is grams of product as isolated, dry. Intermediates and bought materials on the shelf are netted: with
    ``stock`` ``own`` the lots of no project, of ``project``, and where none is named of the projects that this route
    was run for; with ``all`` those of every project; with ``none`` nothing. The product itself on the shelf is not: the
    target is what will be made, and ``product_on_hand_g`` stands beside it. A ``stop`` keeps a step's batches within
    its record unless its code is in ``acknowledge``; what was asked for stands in ``withheld``. ``spare`` names steps
    that get a spare batch in any case, one for each time that they are named.

    Raises UnknownRecord for an unknown route, NotComputable where a step's masses cannot be followed, a mass-ratio step
    has neither run nor opinion, or no number of batches reaches the confidence.
    """
    exchange = Exchange(book, currency or book.workshop.currency, as_of)
    gathered = plan_inputs(book, route_code, exchange, stock=stock, project=project)
    for code in spare:
        book.step(gathered.costing.model.route, code)
    inputs = gathered.inputs
    question = PlanQuestion(target_g, confidence, trials, Counter(spare))
    whole = plan_from(inputs, question)
    cautions, not_assessed = _cautions(book, gathered, whole.plan)
    withheld: list[dict[str, Any]] = []
    stops = [each for each in cautions if each.level == "stop" and each.code not in acknowledge]
    records = {step.code: step.largest_before_g for step in inputs.steps}
    inside = {each.step: largest for each in stops if (largest := records[each.step]) is not None}
    if inside:
        withheld = [_withheld(each, whole.plan) for each in stops if each.step in inside]
        whole = plan_from(inputs, replace(question, largest_g=inside))
        cautions, not_assessed = _cautions(book, gathered, whole.plan)
    stops_left = {each.code for each in cautions if each.level == "stop"} - set(acknowledge)
    return {
        **laid_out(inputs, whole, gathered.costing.shop.offers, exchange),
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
    for own, (model, step) in zip(gathered.inputs.steps, gathered.models, strict=True):
        size = sizes.get(own.code)
        if size is not None:
            found, unknown = cautions_of(book, model, step, size)
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
        "detail": f"{caution.detail} Planned within the record; acknowledge={caution.code} plans it as it was.",
    }
