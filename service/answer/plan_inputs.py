"""What a plan rests on, read from the book: a route with the routes that feed it, the shelf, the shop, the prices."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from service.analytics.money.packs import PackOffer
from service.analytics.money.standard_cost import CostLine, StepCost
from service.analytics.planning.graph import BoughtInput, PlanStep
from service.analytics.planning.inputs import PlanInputs, StepInputs
from service.answer.book import Book
from service.answer.cautions import is_water
from service.answer.cost import Costing, costing_of
from service.answer.prices import Exchange
from service.answer.route_model import Input, RouteModel, StepModel
from service.answer.shelf import Remainder, Usable, usable
from service.answer.step_runs import experience_of, forecast_of
from service.domain.lot import Measured, Strength
from service.domain.route import Route
from service.errors import NotComputable

OWN, ALL, NONE = "own", "all", "none"

Worth = Callable[[str, Strength], float]
"""How many grams of need of a material a gram at a strength stands for."""
Maker = tuple[int, float]
"""Place of the step that makes a material, and grams of its product that a gram of need takes."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """A plan's inputs, with the models of its steps beside them, place for place."""

    inputs: PlanInputs
    costing: Costing
    models: tuple[tuple[RouteModel, StepModel], ...]
    spread_factors: Mapping[str, float]

    def rests_on(self) -> dict[str, Any]:
        """How many runs of all steps it rests on, which were left out, and by what the spreads are widened."""
        steps = [step for _, step in self.models]
        return {
            "runs": sum(len(step.runs.codes) + step.runs.failed for step in steps),
            "left_out": [dict(left) for step in steps for left in step.runs.left_out],
            "spread_factor": dict(self.spread_factors),
        }


def plan_inputs(
    book: Book,
    route: str | Route,
    exchange: Exchange,
    *,
    stock: str = OWN,
    project: str | None = None,
    lots: Mapping[str, bool] | None = None,
    routes: Mapping[str, Route] | None = None,
) -> Gathered:
    """Return everything that a plan of ``route`` rests on: by its code, or as it is given, connected.

    With ``stock`` ``own`` the lots of no project, of ``project``, and where none is named of the projects that this
    route was run for; with ``all`` those of every project; with ``none`` nothing. ``lots`` says of some, by code, that
    they are taken whatever they are, or that they are not; ``routes`` are some that are otherwise than the book has
    them, by code and connected. A material that a line says another route makes, or that
    nobody sells and one route of the workshop makes, is made by that route's own steps, with their own runs, limits and
    stock; where that route cannot be planned it is left to be bought.

    Raises UnknownRecord for an unknown route, NotComputable where a step's masses cannot be followed or a mass-ratio
    step has neither run nor opinion.
    """
    changed = {} if routes is None else routes
    if isinstance(route, str):
        route = changed.get(route, route)
    return _Gathering(book, exchange, stock, project, lots or {}, changed).gathered(route)


class _Gathering:
    """One route and those that feed it, laid into one list of steps."""

    def __init__(
        self,
        book: Book,
        exchange: Exchange,
        stock: str,
        project: str | None,
        lots: Mapping[str, bool],
        routes: Mapping[str, Route],
    ) -> None:
        self.book, self.exchange, self.stock, self.project, self.lots = book, exchange, stock, project, lots
        self.routes = routes
        self.experience = experience_of(book, exchange.as_of)
        self.projects: set[str] = set()
        self.main = ""
        self.steps: list[StepInputs] = []
        self.models: list[tuple[RouteModel, StepModel]] = []
        self.last_of: dict[str, int] = {}
        self.parts: list[tuple[Costing, Usable]] = []
        self.made_by: dict[str, str] = {}
        self.expires_on: dict[str, str] = {}
        self.at_hand: set[str] = set()

    def gathered(self, route: str | Route) -> Gathered:
        costing = costing_of(self.book, route, self.exchange)
        model = costing.model
        self.main = model.route.code
        self.projects = {self.project} if self.project is not None else self.book.columns.projects_of(self.main)
        self._add(costing, model.worth, ())
        made = {step.product for step in self.steps}
        left_out = {left["lot"]: left for _, part in reversed(self.parts) for left in part.left_out}
        inputs = PlanInputs(
            route=self.main,
            product=model.route.product,
            as_of=self.exchange.as_of,
            currency=self.exchange.currency,
            steps=tuple(self.steps),
            dry_fraction=model.last.runs.dry_fraction,
            on_hand_g=_first(part.grams for _, part in self.parts),
            on_hand_counts_as_g=_first(part.standing_for_g for _, part in self.parts),
            expires_on=self.expires_on,
            stock_left_out=tuple(left_out[code] for code in sorted(left_out)),
            price_per_g=_first(_prices(part) for part, _ in self.parts),
            made_by={material: code for material, code in self.made_by.items() if material not in made},
            offers=tuple({offer.code: offer for part, _ in self.parts for offer in _offers(part)}.values()),
            terms=costing.shop.terms(),
            at_hand=frozenset(self.at_hand),
            by_volume=frozenset().union(*(part.model.by_volume for part, _ in self.parts)),
        )
        factors = {
            own.code: self.experience.spread_factor(step.runs)
            for own, (_, step) in zip(self.steps, self.models, strict=True)
        }
        return Gathered(inputs, costing, tuple(self.models), factors)

    def _add(self, costing: Costing, worth: Worth, above: tuple[str, ...]) -> None:
        """Lay a route's steps after those of the routes that feed it; ``worth`` is what its lots count for."""
        model = costing.model
        told = {each.material for step in model.steps for each in step.inputs if each.need.per_g is not None}
        fed_by = {m: self._sub_route(costing, m, above) if m in told else None for m in model.bought}
        shelf = self._shelf(model, worth)
        first = len(self.steps)
        for place, step in enumerate(model.steps):
            self.steps.append(self._step(costing, place, first, fed_by, shelf))
            self.models.append((model, step))
        self.last_of[model.route.code] = len(self.steps) - 1
        self.parts.append((costing, shelf))

    def _sub_route(self, costing: Costing, material: str, above: tuple[str, ...]) -> Maker | None:
        """The step of another route that makes a material; None where none does, or its route cannot be planned."""
        model = costing.model
        code = costing.made_by.get(material)
        if code is None:
            return None
        self.made_by[material] = code
        if material in model.by_volume:
            return None
        above = (*above, model.route.code)
        if code in self.last_of:
            return self.last_of[code], self._per_gram(model, self.models[self.last_of[code]][1])
        kept = len(self.steps)
        try:
            made = costing_of(self.book, self.routes.get(code, code), self.exchange, above=above)
            per_gram = self._per_gram(model, made.model.last)

            def worth(of: str, strength: Strength) -> float:
                # What this route is taken for is counted as the step that takes it does.
                return model.worth(of, strength) * per_gram if of == material else made.model.worth(of, strength)

            self._add(made, worth, above)
        except NotComputable:
            del self.steps[kept:], self.models[kept:]
            self.last_of = {route: place for route, place in self.last_of.items() if place < kept}
            self.parts = [part for part in self.parts if part[0].model.route.code in self.last_of]
            return None
        return self.last_of[code], per_gram

    @staticmethod
    def _per_gram(model: RouteModel, maker: StepModel) -> float:
        """Grams of a step's product, as its runs made it, that a gram of need takes."""
        made = Strength(assay=Measured(maker.runs.product_fraction))
        return 1.0 / model.worth(maker.step.product, made)

    def _shelf(self, model: RouteModel, worth: Worth) -> Usable:
        if self.stock == NONE and not self.lots:
            return Usable({}, {}, ())
        lots = model.on_shelf
        found = self._usable(model, worth)
        if self.lots:
            found = self._with_named(found, lots, worth)
        kept = {each.lot.material for each in lots}
        self.at_hand |= {code for code in model.bought if code not in kept and is_water(model.materials[code])}
        left_alone = {left["lot"] for left in found.left_out}
        for each in lots:
            day = each.lot.expires_on
            if day is not None and each.lot.code not in left_alone:
                self.expires_on[each.lot.material] = min(day, self.expires_on.get(each.lot.material, day))
        return found

    def _usable(self, model: RouteModel, worth: Worth) -> Usable:
        """What may be taken of the lots that nothing is said of by name."""
        projects = None if self.stock == ALL else frozenset(self.projects)

        def made() -> Usable:
            return usable(
                [] if self.stock == NONE else [each for each in model.on_shelf if each.lot.code not in self.lots],
                self.exchange.as_of,
                projects=projects,
                minimum_assay={x.product: x.minimum_assay.base() for x in model.order if x.minimum_assay is not None},
                worth=worth,
            )

        # What a route's lots count for by itself follows from it alone.
        return made() if self.lots or worth != model.worth else model.kept(("usable", projects), made)

    def _with_named(self, found: Usable, lots: Iterable[Remainder], worth: Worth) -> Usable:
        """The same with the lots that are to be taken, and those that are not among what is left alone."""
        grams, standing_for, left_out = dict(found.grams), dict(found.standing_for_g), list(found.left_out)
        for each in lots:
            code, material = each.lot.code, each.lot.material
            if code not in self.lots or (each.left_g is not None and each.left_g <= 0.0):
                continue
            if self.lots[code] and each.left_g is not None:
                grams[material] = grams.get(material, 0.0) + each.left_g
                counted_g = each.left_g * worth(material, each.lot.strength)
                standing_for[material] = standing_for.get(material, 0.0) + counted_g
            else:
                reason = "its mass is not known: record its density or molar mass" if self.lots[code] else "not taken"
                left_out.append({"lot": code, "material": material, "reason": reason})
        return Usable(grams, standing_for, tuple(left_out))

    def _step(
        self,
        costing: Costing,
        place: int,
        first: int,
        fed_by: Mapping[str, Maker | None],
        shelf: Usable,
    ) -> StepInputs:
        model, this = costing.model, costing.model.steps[place]
        step, runs = this.step, this.runs
        own = model.route.code == self.main
        code = step.code if own else f"{model.route.code}/{step.code}"
        if this.factor_g_per_g is None:
            raise NotComputable(f"step {code!r} cannot be planned: {this.reason}", code="no-mass-flow")
        upstream: dict[int, float] = {}
        bought = []
        for each in this.inputs:
            maker = _maker(each, first, fed_by)
            if maker is not None:
                at, per_gram = maker
                share = _share(this, each, code) * per_gram
                if share > 0.0:
                    upstream[at] = upstream.get(at, 0.0) + share
            elif each.need.per_g is not None:
                bought.append(BoughtInput(each.material, each.need.per_g, each.need.per_batch_g or 0.0, each.key))
        bought_key = any(each.key and _maker(each, first, fed_by) is None for each in this.inputs)
        # The product itself is made, whatever is on the shelf; what two routes make is taken from it once.
        stocked = not (own and this is model.last) and step.product not in {each.product for each in self.steps}
        plan = PlanStep(
            code=code,
            forecast=forecast_of(runs, self.experience, new_lot=bought_key),
            factor_g_per_g=this.factor_g_per_g,
            upstream=tuple(upstream.items()),
            bought=tuple(bought),
            smallest_g=step.limits.smallest_g,
            largest_g=step.limits.largest_g,
            stock_g=max(0.0, shelf.standing_for_g.get(step.product, 0.0)) if stocked else 0.0,
            mean_ratio=_mean_ratio(this),
            seed_words=(model.route.code, step.code),
        )
        return StepInputs(
            plan=plan,
            cost=_step_cost(costing.once[place], code, upstream, fed_by, bought),
            route=model.route.code,
            step=step.code,
            key_input=step.key_input,
            product=step.product,
            largest_before_g=runs.largest_batch_g,
            labour_h=None if step.labour is None else step.labour.base(),
            elapsed_h=None if step.elapsed is None else step.elapsed.base(),
            unknown_needs={
                each.material: each.need.reason or "its need is not known"
                for each in this.inputs
                if _maker(each, first, fed_by) is None and each.need.per_g is None
            },
        )


def _maker(each: Input, first: int, fed_by: Mapping[str, Maker | None]) -> Maker | None:
    """Place of the step that makes an input, and grams of its product for a gram of need; None where it is bought."""
    if each.maker is not None:
        return first + each.maker, 1.0
    return None if each.need.per_g is None else fed_by.get(each.material)


def _share(this: StepModel, each: Input, code: str) -> float:
    """Grams of need a gram of key input; what a batch takes is spread over a typical one."""
    if each.need.per_g is None:
        raise NotComputable(f"step {code!r} cannot be planned: {each.need.reason}", code="no-mass-flow")
    typical = this.runs.typical_batch_g
    return each.need.per_g + ((each.need.per_batch_g or 0.0) / typical if typical else 0.0)


def _step_cost(
    cost: StepCost,
    code: str,
    upstream: Mapping[int, float],
    fed_by: Mapping[str, Maker | None],
    bought: list[BoughtInput],
) -> StepCost:
    """The step as the standard cost sees it, fed by the steps of other routes in place of a price for their product."""
    made = {material for material, maker in fed_by.items() if maker is not None}

    def stays(line: CostLine) -> bool:
        return line.kind != "material" or line.name not in made

    return replace(cost, code=code, lines=tuple(filter(stays, cost.lines)), upstream=tuple(upstream.items()))


def _mean_ratio(model: StepModel) -> float | None:
    """Grams of product a gram of key input at the mean yield of the counted runs; what lies above 1 counts as 0.98."""
    runs = model.runs
    if not len(runs.yields) or model.factor_g_per_g is None:
        return None
    return float(runs.capped_yields.mean()) * model.factor_g_per_g


def _prices(costing: Costing) -> dict[str, float]:
    """Money per gram of need of every bought material that has a price."""
    return {
        material: price.per_g / costing.model.worth(material, price.strength)
        for material, price in costing.prices.items()
    }


def _offers(costing: Costing) -> list[PackOffer]:
    materials = {*costing.model.bought, *(step.product for step in costing.model.order)}
    return costing.shop.pack_offers(materials, costing.model.worth)


def _first(parts: Iterable[Mapping[str, float]]) -> dict[str, float]:
    """What is said of each material; where several routes say it, the planned one goes first."""
    found: dict[str, float] = {}
    for part in parts:
        found |= part
    return found
