"""What if: today's plan and up to twenty others beside it, all on the same draws."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Any

from service.analytics.forecast.draws import SharedDraws
from service.analytics.planning.inputs import PlanQuestion
from service.analytics.planning.luck import Figures
from service.analytics.planning.side_by_side import (
    Carried,
    Difference,
    carried,
    consumed_difference,
    luck_between,
    p_reach_difference,
    per_g_difference,
    starting_differences,
)
from service.answer.book import Book
from service.answer.plan_bounds import Ask, Bounded, bounded_plan
from service.answer.plan_inputs import Gathered, plan_inputs
from service.answer.plan_lines import Layout
from service.answer.prices import Exchange
from service.answer.scenario_bills import altered_routes, not_in_grams
from service.answer.scenario_changes import Altered, Changing
from service.answer.scenario_names import unknown_name
from service.answer.shelf import lots_put
from service.domain import what_if
from service.domain.money import Money, from_micro, to_micro
from service.domain.what_if import Asked, Change, Scenario, WhatIf
from service.errors import Fault, InvalidInput, NotComputable

METHOD = "what-if/1"
DEFAULT_CONFIDENCE = 0.90

FIGURES = ("starting_materials", "p_reach", "p_max", "monte_carlo_u", "target_g", "confidence", "cost", "steps")
TIMES = ("hands_on_h", "elapsed_h")
Base = tuple[str, str, tuple[tuple[str, bool], ...]]
"""What is read from the book: a route, what of the shelf may be taken, and the lots that are named."""


def question_of(asked: Asked) -> PlanQuestion:
    """Return what is asked of a plan's inputs; of a question asked backwards the target is any."""
    target_g = 1.0 if asked.target is None else asked.target.base()
    confidence = DEFAULT_CONFIDENCE if asked.confidence is None else asked.confidence.base()
    return PlanQuestion(target_g, confidence, asked.trials)


def ask_of(asked: Asked, exchange: Exchange) -> Ask:
    """Return how a plan is asked for."""
    budget = None if asked.budget is None else to_micro(exchange.of(asked.budget))
    return Ask(asked.target is None, budget, asked.acknowledge)


def what_if_of(book: Book, route_code: str, asked: WhatIf, as_of: dt.date) -> dict[str, Any]:
    """Return today's plan, and every scenario's beside it with its differences from today's.

    A step's draws hang on its route and code alone, so that two plans differ by what was changed and not by luck; what
    is left of luck stands beside each difference as its Monte Carlo uncertainty, from the trials taken pair by pair. A
    scenario that cannot be planned has nulls with the reason, and the others stand.

    Raises UnknownRecord for an unknown route, InvalidInput with every name in every scenario that nothing here has and
    every change that cannot be made, NotComputable where the route itself cannot be read.
    """
    return _WhatIf(book, route_code, asked, as_of).answer()


class _WhatIf:
    """One question with its scenarios."""

    def __init__(self, book: Book, route_code: str, asked: WhatIf, as_of: dt.date) -> None:
        self.book, self.asked, self.as_of = book, asked, as_of
        self.route = route_code
        self.exchange = Exchange(book, asked.currency or book.workshop.currency, as_of)
        self.ask = ask_of(asked, self.exchange)
        self.gathered: dict[Base, Gathered] = {}
        self.faults: list[Fault] = []
        self.shared = SharedDraws()

    def answer(self) -> dict[str, Any]:
        gathered = self._gathered((self.route, self.asked.stock, ()))
        today = Altered(gathered, gathered.inputs, question_of(self.asked))
        altered = [
            self._altered(scenario, today, f"/scenarios/{at}") for at, scenario in enumerate(self.asked.scenarios)
        ]
        if self.faults:
            raise InvalidInput(self.faults, _said(self.faults))
        told, base = self._told(today, self.ask, self.shared)
        scenarios = []
        for scenario, found in zip(self.asked.scenarios, altered, strict=True):
            if isinstance(found, str):
                line = without_plan(found)
            else:
                ask = self.ask
                if any(change.kind == what_if.TARGET for change in scenario.changes):
                    ask = Ask(False, None, ask.acknowledge)
                line, mine = self._told(found, ask, SharedDraws(self.shared))
                if base is not None and mine is not None:
                    line["difference"] = self._difference(told, base, line, mine)
                elif base is None:
                    line["reasons"]["difference"] = "there is no plan of today to compare with"
            scenarios.append({"name": scenario.name, **line})
        return {
            "route": self.route,
            "product": gathered.inputs.product,
            "as_of": self.as_of.isoformat(),
            "currency": self.exchange.currency,
            "planned_for": "target" if self.asked.target else "budget" if self.asked.budget else "from_stock",
            "trials": self.asked.trials,
            "today": {key: value for key, value in told.items() if key != "difference"},
            "scenarios": scenarios,
            "reasons": {},
            "rests_on": self.book.rests_on(
                self.as_of,
                METHOD,
                filters={"route": self.route, "stock": self.asked.stock, "trials": self.asked.trials},
                **gathered.rests_on(),
            ),
        }

    def _gathered(self, base: Base) -> Gathered:
        if base not in self.gathered:
            route, stock, lots = base
            self.gathered[base] = plan_inputs(
                self.book, route, self.exchange, stock=stock, project=self.asked.project, lots=dict(lots)
            )
        return self.gathered[base]

    def _altered(self, scenario: Scenario, today: Altered, pointer: str) -> Altered | str:
        """The scenario's inputs and question; in words why there are none. Its faults join the others."""
        placed = [(f"{pointer}/changes/{at}", change) for at, change in enumerate(scenario.changes)]
        try:
            base = self._base(placed, today.gathered) or (self.route, self.asked.stock, ())
            gathered = self._billed(base, [each for each in placed if each[1].kind == what_if.BILL])
        except NotComputable as refused:
            return refused.detail
        changing = Changing(self.book, gathered, today.question, self.exchange)
        try:
            changing.make([each for each in placed if each[1].kind != what_if.BILL])
        except NotComputable as refused:
            return refused.detail
        self.faults += changing.faults
        return changing.found

    def _billed(self, base: Base, placed: list[tuple[str, Change]]) -> Gathered:
        """What a scenario reads from the book, its bills as it has them."""
        gathered = self._gathered(base)
        if not placed:
            return gathered
        routes, faults = altered_routes(self.book, gathered, placed)
        self.faults += faults
        if faults:
            return gathered
        route, stock, lots = base
        gathered = plan_inputs(
            self.book, route, self.exchange, stock=stock, project=self.asked.project, lots=dict(lots), routes=routes
        )
        self.faults += not_in_grams(gathered, placed)
        return gathered

    def _base(self, placed: list[tuple[str, Change]], today: Gathered) -> Base | None:
        """What a scenario reads from the book in place of what today's plan does; None where it is the same."""
        route, stock, lots = self.route, self.asked.stock, dict[str, bool]()
        for pointer, change in placed:
            if change.route is not None:
                known = self.book.records("routes")
                if change.route in known:
                    route = change.route
                else:
                    self.faults.append(unknown_name("route", change.route, known, f"{pointer}/route"))
            elif change.stock is not None:
                stock = change.stock
            elif change.kind == what_if.STOCK and change.material is not None and change.on:
                left_out = today.inputs.stock_left_out
                lots |= {each["lot"]: True for each in left_out if each["material"] == change.material}
            elif change.lot is not None:
                known_lots = self._lots(today)
                if change.lot in known_lots:
                    lots[change.lot] = change.on
                else:
                    self.faults.append(unknown_name("lot", change.lot, known_lots, f"{pointer}/lot"))
        base = (route, stock, tuple(sorted(lots.items())))
        return None if base == (self.route, self.asked.stock, ()) else base

    def _lots(self, gathered: Gathered) -> set[str]:
        """The lots of what the plan takes and makes."""
        found: set[str] = set()
        for model in {id(model): model for model, _ in gathered.models}.values():
            materials = {*model.bought, *(step.product for step in model.order)}
            found |= {each.lot.code for each in lots_put(self.book, materials, model.materials)}
        return found

    def _told(self, altered: Altered, ask: Ask, shared: SharedDraws) -> tuple[dict[str, Any], Carried | None]:
        """The figures of one plan, and what it gives in every trial."""
        inputs = altered.inputs
        try:
            bounded = bounded_plan(self.book, altered.gathered, inputs, altered.question, ask, shared)
        except NotComputable as refused:
            return without_plan(refused.detail), None
        whole = bounded.whole
        layout = Layout(inputs, whole, altered.gathered.costing.shop.offers, self.exchange)
        found = figures_of(layout, bounded)
        return found, carried(inputs, whole, shared, backwards=ask.backwards)

    def _difference(
        self, before: Mapping[str, Any], today: Carried, after: Mapping[str, Any], other: Carried
    ) -> dict[str, Any]:
        """What the other has more than today, and by how much that may be luck."""
        bought, instead = today.whole.shopping.purchase, other.whole.shopping.purchase
        more = Money(from_micro(instead.cash_micro - bought.cash_micro), self.exchange.currency)
        found = {
            "starting_materials": [
                {"material": name, "amount_g": each.value, "monte_carlo_u": each.monte_carlo_u}
                for name, each in starting_differences(today, other).items()
            ],
            "p_reach": _shown(p_reach_difference(today, other)),
            "consumed_estimate": _shown(consumed_difference(today, other)),
            "per_g_expected": _shown(per_g_difference(today, other)),
            "cash": None if bought.not_offered or instead.not_offered else more.trimmed().as_dict(),
            **{key: _less(after[key], before[key]) for key in ("target_g", "batches", *TIMES)},
            "monte_carlo_u": self._luck(today, other),
            "currency": self.exchange.currency,
        }
        return {**found, "reasons": _why_null(found, today, other, before, after)}

    @staticmethod
    def _luck(today: Carried, other: Carried) -> dict[str, float | None]:
        """Of what has a plain value: its Monte Carlo uncertainty, 0 where nothing of it rests on the draws."""
        dry = other.dry_fraction
        counted: dict[str, Callable[[Figures], float | None]] = {
            "cash": lambda each: None if each.cash_micro is None else each.cash_micro / 1e6,
            "target_g": lambda each: each.target_g * dry,
            "batches": lambda each: each.batches,
            "hands_on_h": lambda each: each.hands_on_h,
            "elapsed_h": lambda each: each.elapsed_h,
        }
        return {key: luck_between(today, other, figure) for key, figure in counted.items()}


def _why_null(
    found: Mapping[str, Any],
    today: Carried,
    other: Carried,
    before: Mapping[str, Any],
    after: Mapping[str, Any],
) -> dict[str, str]:
    """Why a difference, or its uncertainty, is null."""
    reasons: dict[str, str] = {}
    luckless = [plan for plan, each in (("today's plan", today), ("this plan", other)) if each.luck is None]
    hangs = f"the amounts of {' and of '.join(luckless)} hang on a few trials" if luckless else None
    if any(each["monte_carlo_u"] is None for each in found["starting_materials"]):
        reasons["starting_materials.monte_carlo_u"] = hangs or (
            "the ratio of branches that meet was searched for on the same trials and hangs on few of them; "
            "the cost hardly does"
        )
    for key, value in found["monte_carlo_u"].items():
        if value is None and found[key] is not None:
            reasons[f"monte_carlo_u.{key}"] = hangs or "not known"
    for key in ("cash", *TIMES):
        if found[key] is None:
            reasons[key] = next(
                reason
                for plan in (after, before)
                for name, reason in plan["reasons"].items()
                if name in (key, f"cost.{key}")
            )
    return reasons


def figures_of(layout: Layout, bounded: Bounded) -> dict[str, Any]:
    """Return what is shown of a plan beside others."""
    whole = layout.figures()
    steps = [
        {key: step[key] for key in ("step", "key_input_g", "batches", "spare_batches", "batch_g")}
        for step in whole["steps"]
    ]
    reasons = {key: reason for key, reason in whole["reasons"].items() if key.partition(".")[0] in ("cost", *TIMES)}
    return {
        "route": whole["route"],
        "product": whole["product"],
        **{key: whole[key] for key in FIGURES},
        **{key: whole[key] for key in TIMES},
        "steps": steps,
        "batches": sum(step["batches"] for step in steps),
        "runs_out_first": bounded.runs_out_first,
        "kept_small": list(bounded.kept_small),
        "near_edge": whole["near_edge"],
        "difference": None,
        "reasons": reasons,
    }


def without_plan(reason: str) -> dict[str, Any]:
    """Return the same figures of a plan that cannot be made: null, with the reason."""
    nulls = dict.fromkeys(("route", "product", *FIGURES, *TIMES, "batches", "runs_out_first", "near_edge"))
    return {**nulls, "kept_small": [], "difference": None, "reasons": {"plan": reason, "difference": reason}}


def _shown(found: Difference | None) -> dict[str, Any] | None:
    return None if found is None else {"value": found.value, "monte_carlo_u": found.monte_carlo_u}


def _less(after: float | None, before: float | None) -> float | None:
    return None if after is None or before is None else after - before


def _said(faults: list[Fault]) -> str | None:
    return None if len(faults) == 1 else f"the scenarios cannot be planned as they stand: {len(faults)} faults"
