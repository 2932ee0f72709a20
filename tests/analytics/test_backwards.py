"""Plans asked for backwards: what a budget or the shelf reaches is what the same target would take, and no less."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analytics.forecast.draws import SharedDraws
from service.analytics.forecast.next_run import forecast_step
from service.analytics.money.packs import OrderTerms, PackOffer
from service.analytics.money.standard_cost import CostLine, StepCost
from service.analytics.planning import backwards
from service.analytics.planning.backwards import CLOSE, most_from
from service.analytics.planning.graph import BoughtInput, PlanStep
from service.analytics.planning.inputs import PlanInputs, PlanQuestion, StepInputs
from service.analytics.planning.whole import WholePlan, plan_from
from service.errors import NotComputable

EURO = 1_000_000
ASKED = PlanQuestion(1.0, 0.85, 1024)


def step(code: str, yields: list[float], key: str | None, *more: tuple[str, float], before: int = -1) -> StepInputs:
    bought = [BoughtInput(key, 1.0, key=True)] if key else []
    bought += [BoughtInput(material, grams) for material, grams in more]
    upstream = () if before < 0 else ((before, 1.0),)
    forecast = forecast_step(yields, 0, mass_ratio=False, pi0=0.01)
    plan = PlanStep(code, forecast, 1.0, upstream, tuple(bought), seed_words=("r", code))
    lines = tuple(CostLine(each.material, each.g_per_g * 0.01) for each in bought)
    cost = StepCost(code, sum(yields) / len(yields), lines, upstream, 50.0)
    return StepInputs(plan, cost, "r", code, key or "a-product", f"{code}-product")


def inputs(**more: object) -> PlanInputs:
    steps = (step("a", [0.6, 0.7, 0.65], "ore", ("soda", 0.5)), step("b", [0.8, 0.7], None, ("acid", 2.0), before=0))
    offers = (
        PackOffer("ore-100", "ore", "corner", 100.0, 5 * EURO),
        PackOffer("ore-25", "ore", "corner", 25.0, 2 * EURO),
        PackOffer("soda-50", "soda", "post", 50.0, 3 * EURO),
        PackOffer("acid-200", "acid", "corner", 200.0, 4 * EURO),
    )
    made = PlanInputs(
        route="r",
        product="b-product",
        as_of=dt.date(2026, 1, 1),
        currency="EUR",
        steps=steps,
        price_per_g={"ore": 0.05, "soda": 0.06, "acid": 0.02},
        offers=offers,
        terms={"post": OrderTerms(4 * EURO, free_from_micro=20 * EURO)},
    )
    return replace(made, **more)  # type: ignore[arg-type]


def on_hand(**grams: float) -> PlanInputs:
    return inputs(on_hand_g=grams, on_hand_counts_as_g=grams)


shelves = st.fixed_dictionaries({material: st.floats(1.0, 500.0) for material in ("ore", "soda", "acid")})


@settings(max_examples=25, deadline=None)
@given(shelves)
def test_what_the_shelf_reaches_uses_up_one_thing_and_nothing_beyond_it(grams: dict[str, float]) -> None:
    book = on_hand(**grams)
    found = most_from(book, ASKED, None)
    target_g = found.whole.question.target_g
    assert found.whole == plan_from(book, replace(ASKED, target_g=target_g))
    needs = {material: need.need_g for material, need in found.whole.plan.campaign.materials.items()}
    assert all(needs[material] <= grams[material] + 1e-5 for material in grams)
    assert needs[found.runs_out_first] == pytest.approx(grams[found.runs_out_first], rel=1e-4)
    more = plan_from(book, replace(ASKED, target_g=target_g * (1 + 2 * CLOSE))).plan.campaign.materials
    assert more[found.runs_out_first].need_g > grams[found.runs_out_first]
    assert found.whole.plan.campaign.p_reach >= 0.85


@settings(max_examples=25, deadline=None)
@given(st.integers(16, 200), st.floats(0.0, 100.0))
def test_what_a_budget_reaches_costs_no_more_and_a_hair_beyond_it_does(euros: int, ore_g: float) -> None:
    book = on_hand(ore=ore_g)
    found = most_from(book, ASKED, euros * EURO)
    target_g = found.whole.question.target_g
    assert found.whole.shopping.purchase.cash_micro <= euros * EURO
    beyond = plan_from(book, replace(ASKED, target_g=target_g * (1 + 2 * CLOSE)))
    assert beyond.shopping.purchase.cash_micro > euros * EURO
    # The packs of the order do not hold what a hair more would take.
    packs = {offer.code: offer for offer in book.offers}
    held = book.on_hand_counts_as_g.get(found.runs_out_first, 0.0) + sum(
        count * packs[code].pack_g
        for code, count in found.whole.shopping.purchase.packs.items()
        if packs[code].material == found.runs_out_first
    )
    assert beyond.plan.campaign.materials[found.runs_out_first].need_g > held


@pytest.mark.parametrize("budget_micro", [None, 30 * EURO, 50 * EURO, 200 * EURO])
def test_few_plans_are_tried(budget_micro: int | None, monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[float] = []

    def counted(asked_of: PlanInputs, question: PlanQuestion, shared: SharedDraws | None = None) -> WholePlan:
        tried.append(question.target_g)
        return plan_from(asked_of, question, shared)

    monkeypatch.setattr(backwards, "plan_from", counted)
    most_from(on_hand(ore=100.0, soda=40.0, acid=300.0), ASKED, budget_micro)
    assert len(tried) <= 5


def test_more_budget_and_more_stock_never_reach_less() -> None:
    reached = [most_from(inputs(), ASKED, euros * EURO).whole.question.target_g for euros in (20, 30, 50, 90, 200)]
    assert reached == sorted(reached)
    shelf = [
        most_from(on_hand(ore=grams, soda=40.0, acid=300.0), ASKED, None).whole.question.target_g
        for grams in (5.0, 20.0, 60.0, 500.0)
    ]
    assert shelf == sorted(shelf)
    assert most_from(on_hand(ore=500.0, soda=40.0, acid=300.0), ASKED, None).runs_out_first != "ore"


def test_an_intermediate_in_stock_is_used_as_far_as_it_goes() -> None:
    book = on_hand(acid=1000.0)
    stocked = replace(book.steps[0], plan=replace(book.steps[0].plan, stock_g=50.0))
    found = most_from(replace(book, steps=(stocked, book.steps[1])), ASKED, None)
    first, second = found.whole.plan.campaign.steps
    assert first.batches == 0
    assert second.key_input_g == pytest.approx(50.0, rel=1e-4)
    assert found.runs_out_first in {"ore", "soda"}


def test_tap_water_never_runs_out_and_what_nobody_sells_does() -> None:
    free = inputs(price_per_g={"ore": 0.05, "soda": 0.0, "acid": 0.0})
    found = most_from(free, ASKED, 20 * EURO)
    assert found.runs_out_first == "ore"
    assert set(found.whole.shopping.purchase.packs) <= {"ore-100", "ore-25"}
    nowhere = inputs(offers=inputs().offers[:2], on_hand_g={"acid": 10.0, "soda": 99.0})
    nowhere = replace(nowhere, on_hand_counts_as_g={"acid": 10.0, "soda": 99.0})
    assert most_from(nowhere, ASKED, 20 * EURO).runs_out_first == "acid"


def test_the_shelf_does_not_run_out_of_what_is_at_hand_but_a_budget_pays_for_it() -> None:
    book = replace(on_hand(ore=100.0, soda=500.0), at_hand=frozenset({"acid"}))
    assert most_from(book, ASKED, None).runs_out_first == "ore"
    assert "acid-200" in most_from(book, ASKED, 20 * EURO).whole.shopping.purchase.packs


def test_what_cannot_be_had_is_said() -> None:
    with pytest.raises(NotComputable, match="runs out first") as refused:
        most_from(on_hand(soda=5.0, acid=5.0), ASKED, None)
    assert (refused.value.code, refused.value.extra) == ("nothing-reachable", {"runs_out_first": "ore"})
    with pytest.raises(NotComputable) as refused:
        most_from(inputs(), ASKED, 3 * EURO)
    assert refused.value.code == "nothing-reachable"
    with pytest.raises(NotComputable) as refused:
        most_from(inputs(price_per_g=dict.fromkeys(("ore", "soda", "acid"), 0.0)), ASKED, None)
    assert refused.value.code == "nothing-runs-out"
    unknown = replace(inputs().steps[1], unknown_needs={"spirit": "no density"})
    with pytest.raises(NotComputable, match="no density") as refused:
        most_from(inputs(steps=(inputs().steps[0], unknown)), ASKED, 50 * EURO)
    assert refused.value.code == "need-not-known"
