"""A plan within what is on record: a stop that nobody has acknowledged keeps the batches of its step as large as they
were."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from service.analytics.forecast.draws import SharedDraws
from service.analytics.planning.backwards import most_from
from service.analytics.planning.inputs import PlanInputs, PlanQuestion
from service.analytics.planning.planned import Plan
from service.analytics.planning.whole import WholePlan, plan_from
from service.answer.book import Book
from service.answer.cautions import cautions_of
from service.answer.plan_inputs import Gathered


@dataclass(frozen=True, slots=True)
class Bounded:
    """A plan, what runs out first where it was asked for backwards, and the stops that kept its batches small."""

    whole: WholePlan
    runs_out_first: str | None
    kept_small: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Ask:
    """How a plan is asked for: forwards for its target, or ``backwards`` for the most that a budget, in millionths of
    the currency, reaches, or the shelf where it is None."""

    backwards: bool = False
    budget_micro: int | None = None
    acknowledge: tuple[str, ...] = ()


def bounded_plan(
    book: Book, gathered: Gathered, inputs: PlanInputs, question: PlanQuestion, ask: Ask, shared: SharedDraws
) -> Bounded:
    """Return the plan of ``inputs``, which are those of ``gathered`` or came from them by changes.

    Raises NotComputable as the plan does.
    """

    def planned(asked: PlanQuestion) -> tuple[WholePlan, str | None]:
        if not ask.backwards:
            return plan_from(inputs, asked, shared), None
        found = most_from(inputs, asked, ask.budget_micro)
        return found.whole, found.runs_out_first

    whole, runs_out_first = planned(question)
    stops = _stops(book, gathered, whole.plan, ask.acknowledge)
    records = {step.code: step.largest_before_g for step in inputs.steps}
    inside = {step: record for step, _ in stops if (record := records[step]) is not None}
    if not inside:
        return Bounded(whole, runs_out_first, ())
    whole, runs_out_first = planned(replace(question, largest_g=inside))
    return Bounded(whole, runs_out_first, tuple(dict.fromkeys(code for step, code in stops if step in inside)))


def _stops(book: Book, gathered: Gathered, plan: Plan, acknowledge: Collection[str]) -> list[tuple[str, str]]:
    """Steps whose planned batches are stopped, each with the code of the caution."""
    models = {own.code: pair for own, pair in zip(gathered.inputs.steps, gathered.models, strict=True)}
    found = []
    for step, size_g in plan.campaign.batch_g.items():
        cautions, _ = cautions_of(book, *models[step], size_g)
        found += [(step, each.code) for each in cautions if each.level == "stop" and each.code not in acknowledge]
    return found
