"""The luck of a difference is what it is said to be: workshops alike but for their draws, put side by side."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from service.analytics.forecast.draws import SharedDraws
from service.analytics.money.packs import OrderTerms, PackOffer
from service.analytics.planning.backwards import most_from
from service.analytics.planning.inputs import PlanInputs, PlanQuestion
from service.analytics.planning.luck import Figures
from service.analytics.planning.scenarios import with_limits, with_price, with_yield
from service.analytics.planning.side_by_side import (
    Carried,
    carried,
    consumed_difference,
    luck_between,
    per_g_difference,
    starting_differences,
)
from service.analytics.planning.whole import plan_from
from tests.analytics.test_scenarios import chain
from tests.benchmarks.plan_answer import branched

MANY = 60
QUESTION = PlanQuestion(10.0, 0.85, 2048)
FIGURES: dict[str, Callable[[Figures], float | None]] = {
    "cash": lambda each: (each.cash_micro or 0) / 1e6,
    "batches": lambda each: each.batches,
    "hours": lambda each: each.hands_on_h,
    "target": lambda each: each.target_g,
}


def small_packs(inputs: PlanInputs) -> PlanInputs:
    """The same with ore in packs of 3 g for 0.06, and an hour's work a batch."""
    ore = PackOffer("ore-3g", "ore", "corner", 3.0, 60_000)
    steps = tuple(replace(step, labour_h=1.0) for step in inputs.steps)
    return replace(inputs, offers=(ore,), steps=steps)


def in_small_batches(inputs: PlanInputs) -> PlanInputs:
    return with_limits(small_packs(inputs), "step-0", None, 10.0)


def reseeded(inputs: PlanInputs, route: str) -> PlanInputs:
    """The same inputs with draws of their own."""
    steps = tuple(replace(s, plan=replace(s.plan, seed_words=(route, s.code))) for s in inputs.steps)
    return replace(inputs, route=route, steps=steps)


def worse(inputs: PlanInputs) -> PlanInputs:
    return with_yield(inputs, "step-1", times=0.85)


def pairs(
    inputs: PlanInputs,
    changed: Callable[[PlanInputs], PlanInputs],
    question: PlanQuestion = QUESTION,
    budget_micro: int | None = None,
    *,
    backwards: bool = False,
) -> list[tuple[Carried, Carried]]:
    found = []
    for number in range(MANY):
        today, shared = reseeded(inputs, f"route-{number}"), SharedDraws()

        def put(each: PlanInputs, draws: SharedDraws) -> Carried:
            whole = most_from(each, question, budget_micro).whole if backwards else plan_from(each, question, draws)
            return carried(each, whole, draws, backwards=backwards)

        found.append((put(today, shared), put(changed(today), SharedDraws(shared))))
    return found


def scatter(found: list[tuple[Carried, Carried]], key: str) -> tuple[float, float]:
    """How far a figure's differences scatter over the workshops, and how far they say they do."""
    figure = FIGURES[key]
    values, said = [], []
    for today, other in found:
        u = luck_between(today, other, figure)
        assert today.luck is not None
        assert other.luck is not None
        assert u is not None
        values.append((figure(other.luck[1]) or 0.0) - (figure(today.luck[1]) or 0.0))
        said.append(u)
    return float(np.std(values)), math.sqrt(float(np.mean(np.square(said))))


@pytest.mark.parametrize("stock_g", [0.0, 6.0])
@pytest.mark.parametrize("made", [small_packs, in_small_batches])
def test_amounts_and_money(stock_g: float, made: Callable[[PlanInputs], PlanInputs]) -> None:
    """A standard deviation of sixty is good to 9 %, and an uncertainty from two places of an order to some more."""
    found = pairs(made(chain("r", stock_g=stock_g)), worse)
    amounts, money, per_g, alone = [], [], [], []
    for today, other in found:
        amounts.append(starting_differences(today, other)["ore"])
        money.append(consumed_difference(today, other))
        per_g.append(per_g_difference(today, other))
        alone.append(today.whole.plan.campaign.starting["ore"].planned_g)
    for differences in (amounts, money):
        values = np.array([each.value for each in differences])  # type: ignore[union-attr]
        said = np.array([each.monte_carlo_u for each in differences], dtype=float)  # type: ignore[union-attr]
        assert values.std() == pytest.approx(math.sqrt(float(np.mean(said**2))), rel=0.4)
    assert np.std([each.value for each in amounts]) < np.std(alone) or made is in_small_batches


@pytest.mark.parametrize(
    ("made", "key", "within"),
    [
        # A pack is 0.06 and the ore moves by a tenth of one: which end of a pack it lies at is luck.
        (small_packs, "cash", (0.005, 0.04)),
        (in_small_batches, "cash", (0.005, 0.04)),
        (in_small_batches, "batches", (0.2, 0.7)),
        (in_small_batches, "hours", (0.2, 0.7)),
    ],
)
def test_what_is_counted_whole(made: Callable[[PlanInputs], PlanInputs], key: str, within: tuple[float, float]) -> None:
    """Steps of packs and batches: over sixty workshops the mean square of what is said is near what is seen."""
    seen, said = scatter(pairs(made(chain("r")), worse), key)
    low, high = within
    assert low < seen < high
    assert seen / 1.8 < said < seen * 1.8


def test_two_branches_with_packs_of_two_suppliers() -> None:
    found = pairs(branched(), lambda each: with_yield(each, "step-1", times=1.1), PlanQuestion(25.0, 0.6, 2048))
    seen, said = scatter(found, "cash")
    assert seen / 1.8 < said < seen * 1.8
    money = [consumed_difference(*pair) for pair in found]
    values = [each.value for each in money if each is not None]
    u = [each.monte_carlo_u for each in money if each is not None]
    assert np.std(values) == pytest.approx(math.sqrt(float(np.mean(np.square(u)))), rel=0.5)  # type: ignore[arg-type]
    # The ratio of the branches is luck too, and more of it than the amounts at one ratio say: nothing is said.
    assert all(each.monte_carlo_u is None for each in starting_differences(*found[0]).values())


@pytest.mark.parametrize("stock_g", [0.0, 6.0])
@pytest.mark.parametrize("budget_micro", [600_000, None])
def test_the_most_that_a_budget_or_the_shelf_reaches(stock_g: float, budget_micro: int | None) -> None:
    inputs = small_packs(chain("r", stock_g=stock_g))
    if budget_micro is None:
        inputs = replace(inputs, on_hand_g={"ore": 30.0}, on_hand_counts_as_g={"ore": 30.0})
    found = pairs(inputs, worse, budget_micro=budget_micro, backwards=True)
    seen, said = scatter(found, "target")
    assert seen == pytest.approx(said, rel=0.4)
    # What is bought is what the budget pays for, whatever the trials say.
    for key in ("cash", "batches"):
        assert scatter(found, key) == (0.0, 0.0)


def test_what_rests_on_no_draw_has_none() -> None:
    inputs = small_packs(chain("r"))
    shared = SharedDraws()
    today = carried(inputs, plan_from(inputs, QUESTION, shared), shared)
    dearer = with_price(replace(inputs, terms={"corner": OrderTerms(1_000_000)}), "ore", 0.03)
    other = carried(dearer, plan_from(dearer, QUESTION, shared), shared)
    assert [luck_between(today, other, figure) for figure in FIGURES.values()] == [0.0] * 4
    # All of it from stock: nothing is drawn at all.
    full = chain("r", stock_g=1e3)
    sure = carried(full, plan_from(full, QUESTION, shared), shared)
    assert sure.luck is not None
    assert sure.luck[0].begun == sure.luck[2].begun


def test_an_amount_that_hangs_on_a_few_trials_says_nothing() -> None:
    """98 % of 64 trials: luck would have it at a place beyond the last."""
    inputs, shared = chain("r"), SharedDraws()
    whole = plan_from(inputs, PlanQuestion(10.0, 0.98, 64), shared)
    few = carried(inputs, whole, shared)
    assert few.luck is None
    assert luck_between(few, few, FIGURES["cash"]) is None
