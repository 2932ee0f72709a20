"""How much to begin with, and what to buy, to end with an amount at a stated confidence."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from service.analytics.forecast.draws import QUOTED_TRIALS
from service.analytics.planning.graph import BoughtInput, PlanStep
from service.analytics.planning.plan import Plan, plan_route
from service.answer.book import Book
from service.answer.cautions import cautions_of
from service.answer.cost import Costing, costing_of
from service.answer.plan_lines import laid_out
from service.answer.prices import Exchange
from service.answer.route_model import RouteModel, StepModel
from service.answer.shelf import Usable, lots_of, usable
from service.answer.step_runs import Experience, experience_of, forecast_of
from service.domain.caution import STANDING, Caution
from service.errors import NotComputable

METHOD = "plan/1"
OWN, ALL, NONE = "own", "all", "none"


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
    planner = _Planner(book, route_code, exchange, stock, project)
    for code in spare:
        book.step(planner.model.route, code)
    planner.spares = Counter(spare)
    plan = planner.plan(target_g, confidence, trials, {})
    withheld: list[dict[str, Any]] = []
    cautions, not_assessed = planner.cautions(plan)
    stops = {each.step for each in cautions if each.level == "stop" and each.code not in acknowledge}
    inside = {code: largest for code in stops if (largest := planner.record_of(code)) is not None}
    if inside:
        withheld = [
            _withheld(each, plan)
            for each in cautions
            if each.level == "stop" and each.step in inside and each.code not in acknowledge
        ]
        plan = planner.plan(target_g, confidence, trials, inside)
        cautions, not_assessed = planner.cautions(plan)
    answer = laid_out(plan, planner.costing, planner.shelf)
    stops_left = {each.code for each in cautions if each.level == "stop"} - set(acknowledge)
    return {
        **answer,
        "cautions": [each.as_dict() for each in cautions],
        "withheld": withheld,
        "to_acknowledge": sorted(stops_left),
        "not_assessed": list(dict.fromkeys(not_assessed)),
        "standing": STANDING,
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={"route": route_code, "stock": stock, "spare": list(spare), "trials": trials},
            runs=sum(len(step.runs.codes) + step.runs.failed for step in planner.model.steps),
            left_out=[dict(left) for step in planner.model.steps for left in step.runs.left_out],
            spread_factor={s.step.code: planner.experience.spread_factor(s.runs) for s in planner.model.steps},
        ),
    }


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


class _Planner:
    """One question, with everything that it rests on."""

    def __init__(self, book: Book, route_code: str, exchange: Exchange, stock: str, project: str | None) -> None:
        self.book, self.exchange, self.stock = book, exchange, stock
        self.costing: Costing = costing_of(book, route_code, exchange)
        self.model: RouteModel = self.costing.model
        self.experience: Experience = experience_of(book, exchange.as_of)
        self.shelf = self._shelf(project)
        self.spares: Mapping[str, int] = {}

    def _shelf(self, project: str | None) -> Usable:
        if self.stock == NONE:
            return Usable({}, {}, ())
        model = self.model
        materials = {*model.bought, *(step.product for step in model.order)}
        least = {step.product: step.minimum_assay.base() for step in model.order if step.minimum_assay is not None}
        own = {project} if project is not None else self.book.columns.projects_of(self.model.route.code)
        lots = lots_of(self.book, materials, model.materials)
        return usable(
            lots,
            self.exchange.as_of,
            projects=None if self.stock == ALL else own,
            minimum_assay=least,
            worth=model.worth,
        )

    def record_of(self, step: str) -> float | None:
        """The largest batch of a step that gave product, as gross grams of key input."""
        return self.model.runs[step].largest_batch_g

    # ---- the plan itself

    def plan(self, target_g: float, confidence: float, trials: int, largest_g: Mapping[str, float]) -> Plan:
        """Return the plan; ``largest_g`` bounds the batches of some steps below their own limits."""
        isolated_g = target_g / self.model.last.runs.dry_fraction
        words = (self.model.route.code, format(target_g, ".12g"))
        steps = [self._step(model, largest_g, None) for model in self.model.steps]
        found = plan_route(steps, isolated_g, confidence, seed_words=words, trials=trials, spares=self.spares)
        sizes = _batch_sizes(found)
        if not any(self._beyond(code, size) for code, size in sizes.items()):
            return found
        # A batch larger than any so far is less sure than the record; how large it is, only a first plan tells.
        steps = [self._step(model, largest_g, sizes.get(model.step.code)) for model in self.model.steps]
        return plan_route(steps, isolated_g, confidence, seed_words=words, trials=trials, spares=self.spares)

    def _beyond(self, code: str, size_g: float) -> bool:
        record = self.record_of(code)
        return record is not None and size_g > record

    def _step(self, model: StepModel, largest_g: Mapping[str, float], batch_g: float | None) -> PlanStep:
        step = model.step
        if model.factor_g_per_g is None:
            raise NotComputable(f"step {step.code!r} cannot be planned: {model.reason}", code="no-mass-flow")
        limits = [size for size in (step.limits.largest_g, largest_g.get(step.code)) if size is not None]
        bought_key = any(each.key and each.maker is None for each in model.inputs)
        upstream = []
        for each in model.inputs:
            if each.maker is not None:
                if each.need.per_g is None:
                    raise NotComputable(
                        f"step {step.code!r} cannot be planned: {each.need.reason}", code="no-mass-flow"
                    )
                typical = model.runs.typical_batch_g
                share = each.need.per_g + ((each.need.per_batch_g or 0.0) / typical if typical else 0.0)
                if share > 0.0:
                    upstream.append((each.maker, share))
        is_last = model is self.model.last
        return PlanStep(
            code=step.code,
            forecast=forecast_of(model.runs, self.experience, new_lot=bought_key, batch_g=batch_g),
            factor_g_per_g=model.factor_g_per_g,
            upstream=tuple(upstream),
            bought=tuple(
                BoughtInput(each.material, each.need.per_g, each.need.per_batch_g or 0.0, each.key)
                for each in model.inputs
                if each.maker is None and each.need.per_g is not None
            ),
            smallest_g=step.limits.smallest_g if not limits else min(step.limits.smallest_g or 0.0, *limits) or None,
            largest_g=min(limits) if limits else None,
            stock_g=0.0 if is_last else max(0.0, self.shelf.standing_for_g.get(step.product, 0.0)),
            spare_cost=self._batch_cost(model),
            mean_ratio=_mean_ratio(model),
        )

    def _batch_cost(self, model: StepModel) -> float:
        """What one more batch of a step costs; 1 where it is not known, so that only the gain decides."""
        place = self.model.steps.index(model)
        share = self.costing.found.by_step[place]
        typical = model.runs.typical_batch_g
        if share.product_cost_per_g is None or typical is None or not share.key_input_g or not share.product_g:
            return 1.0
        return max(share.product_cost_per_g * typical * share.product_g / share.key_input_g, 1e-6)

    def cautions(self, plan: Plan) -> tuple[list[Caution], list[str]]:
        """Return what could hurt in the planned batches, and what was not assessed."""
        cautions: list[Caution] = []
        not_assessed: list[str] = []
        sizes = _batch_sizes(plan)
        batches = {step.code: step.batches for step in plan.campaign.steps}
        for model in self.model.steps:
            size = sizes.get(model.step.code)
            if size is not None:
                found, unknown = cautions_of(self.book, self.model, model, size, batches=batches[model.step.code])
                cautions += found
                not_assessed += unknown
        return cautions, not_assessed


def _batch_sizes(plan: Plan) -> dict[str, float]:
    """Gross grams of key input a planned batch, of the steps that have one."""
    return {step.code: step.key_input_g / step.batches for step in plan.campaign.steps if step.batches}


def _mean_ratio(model: StepModel) -> float | None:
    """Grams of product a gram of key input at the mean yield of the counted runs; what lies above 1 counts as 0.98."""
    runs = model.runs
    if not len(runs.yields) or model.factor_g_per_g is None:
        return None
    return float(runs.capped_yields.mean()) * model.factor_g_per_g
