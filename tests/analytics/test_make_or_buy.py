"""Make or buy by the gram and with packs, and the second best order: against every choice that there is."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.analytics.money.make_or_buy import make_or_buy
from service.analytics.money.packs import OrderTerms, PackOffer, cheapest_packs
from service.analytics.money.runner_up import runner_up
from service.analytics.money.standard_cost import CostLine, StepCost, standard_cost
from service.analytics.planning.entries import bought_instead, entries_of
from service.analytics.planning.inputs import PlanInputs, PlanQuestion
from service.analytics.planning.whole import plan_from
from tests.analytics.test_backwards import ASKED, EURO, inputs
from tests.analytics.test_packs import cheapest_by_trying, small_case


def test_the_choice_turns_at_the_price_and_at_the_yield_that_are_told() -> None:
    steps = [StepCost("a", 0.7, (CostLine("ore", 0.02),)), StepCost("b", 0.3, (CostLine("acid", 0.05),), ((0, 1.0),))]
    made, _ = make_or_buy(steps, {})
    assert (made.decision, made.buy_per_g) == ("make", None)
    assert made.make_per_g == pytest.approx(0.02 / 0.7)
    for price in (0.01, 0.05):
        choice, after = make_or_buy(steps, {0: price})
        assert choice.decision == ("buy" if price < 0.02 / 0.7 else "make")
        assert after.make_per_g == pytest.approx((min(price, 0.02 / 0.7) + 0.05) / 0.3)
        assert choice.flips_at_ratio is not None
        for factor, decision in ((0.999, "buy"), (1.001, "make")):
            turned = replace(steps[0], ratio_per_g=choice.flips_at_ratio * factor)
            assert make_or_buy([turned, steps[1]], {0: price})[0].decision == decision
            assert choice.flips_at_price_per_g is not None
            at = {0: choice.flips_at_price_per_g * factor}
            assert make_or_buy(steps, at)[0].decision == ("buy" if factor < 1 else "make")


def test_what_has_no_price_and_no_seller_has_no_choice() -> None:
    steps = [StepCost("a", 0.7, (CostLine("ore", None),)), StepCost("b", 0.3, (), ((0, 1.0),))]
    first, second = make_or_buy(steps, {1: 0.5})
    assert (first.decision, first.make_per_g) == (None, None)
    assert (second.decision, second.make_per_g, second.flips_at_ratio) == ("buy", None, None)
    none = make_or_buy([StepCost("a", None, (CostLine("ore", 1.0),))], {0: 0.5})[0]
    assert (none.decision, none.make_per_g) == ("buy", None)


@given(st.data())
def test_the_least_of_all_ways_of_buying_and_making(data: st.DataObject) -> None:
    """Two roads: V by its recursion, and the standard cost of every set of purchases."""
    ratios, prices = st.floats(0.1, 1.5), st.floats(0.01, 5.0)
    steps = []
    for at in range(data.draw(st.integers(1, 5))):
        upstream = {at - 1: 1.0} if at else {}
        if at > 1 and data.draw(st.booleans()):
            upstream[data.draw(st.integers(0, at - 2))] = data.draw(st.floats(0.1, 2.0))
        line = CostLine("own", data.draw(prices))
        steps.append(StepCost(f"s{at}", data.draw(ratios), (line,), tuple(upstream.items())))
    buy = {at: data.draw(prices) for at in range(len(steps)) if data.draw(st.booleans())}
    found = make_or_buy(steps, buy)
    best = math.inf
    for bought in itertools.product((False, True), repeat=len(steps)):
        if any(chosen and at not in buy for at, chosen in enumerate(bought)):
            continue
        way = [
            StepCost(step.code, 1.0, (CostLine("bought", buy[at]),)) if bought[at] else step
            for at, step in enumerate(steps)
        ]
        best = min(best, standard_cost(way).cost_per_g or math.inf)
    last = found[-1]
    assert min(cost for cost in (last.make_per_g, last.buy_per_g) if cost is not None) == pytest.approx(best)


@pytest.mark.parametrize("block", range(5))
def test_the_runner_up_is_the_cheapest_that_does_without_something(block: int) -> None:
    """Each of 250 small cases: of all orders that could be placed, those that lack an offer of the best one."""
    differed = 0
    for seed in range(block * 50, block * 50 + 50):
        needs, offers, terms = small_case(seed)
        best = cheapest_packs(needs, offers, terms)
        found = runner_up(best, needs, offers, terms)
        others = []
        for code in best.packs:
            left = [offer for offer in offers if offer.code != code]
            if {offer.material for offer in left} >= set(needs):
                others.append(cheapest_by_trying(needs, left, terms))
        if not others:
            assert found is None
            continue
        differed += 1
        assert found is not None
        assert found.purchase.cash_micro == min(others) == best.cash_micro + found.more_micro, seed
        assert found.more_micro >= 0
        assert found.without not in found.purchase.packs
    assert differed >= 10


def test_the_second_supplier_is_told_with_what_it_costs_more() -> None:
    salt = [PackOffer("near", "salt", "corner", 100.0, 4 * EURO), PackOffer("far", "salt", "post", 100.0, 3 * EURO)]
    terms = {"post": OrderTerms(2 * EURO)}
    found = runner_up(cheapest_packs({"salt": 150.0}, salt, terms), {"salt": 150.0}, salt, terms)
    # 2 × 3 + 2 = 8 from the post, 2 × 4 = 8 at the corner: whichever is taken, the other costs nothing more.
    assert found is not None
    assert found.more_micro == 0
    alone = cheapest_packs({"salt": 150.0}, salt[:1], terms)
    assert runner_up(alone, {"salt": 150.0}, salt[:1], terms) is None


def half_way(price_micro: int) -> PlanInputs:
    offers = (*inputs().offers, PackOffer("mid", "a-product", "corner", 10.0, price_micro))
    return inputs(offers=offers)


def test_the_route_is_entered_half_way_where_that_costs_less() -> None:
    for price, decision in ((EURO // 10, "buy"), (40 * EURO, "make")):
        book = half_way(price)
        whole = plan_from(book, ASKED_25)
        found = entries_of(book, whole)
        assert found.choices[0].decision == decision
        made, bought = found.ways
        assert (made.buy, bought.buy) == ((), ("a",))
        assert made.cash_micro == whole.shopping.purchase.cash_micro
        assert bought.cash_micro is not None
        assert made.cash_micro is not None
        assert (bought.cash_micro < made.cash_micro) == (decision == "buy")
        assert bought.p_reach is not None
        assert bought.p_reach >= ASKED_25.confidence


ASKED_25 = PlanQuestion(25.0, 0.85, 1024)


def test_a_purchase_takes_the_place_of_all_that_leads_to_it() -> None:
    book = half_way(EURO)
    found = bought_instead(book, ["a"])
    assert [step.code for step in found.steps] == ["b"]
    (key,) = (each for each in found.steps[0].plan.bought if each.key)
    assert (key.material, key.g_per_g) == ("a-product", 1.0)
    plan = plan_from(found, ASKED_25)
    assert set(plan.plan.campaign.materials) == {"a-product", "acid"}
    assert plan.plan.campaign.starting["a-product"].need_g > 25.0 / 0.8
    assert plan.consumed is not None
    # What is in stock of it is used before any is bought.
    stocked = replace(book.steps[0], plan=replace(book.steps[0].plan, stock_g=1000.0))
    held = bought_instead(replace(book, steps=(stocked, book.steps[1])), ["a"])
    assert plan_from(held, ASKED_25).shopping.to_buy_g["a-product"] == 0.0
    assert bought_instead(book, ["b"]) == book


def test_a_product_that_is_sold_stands_beside() -> None:
    offers = (*inputs().offers, PackOffer("b-pack", "b-product", "corner", 10.0, 2 * EURO))
    book = inputs(offers=offers)
    found = entries_of(book, plan_from(book, ASKED))
    assert [way.buy for way in found.ways] == [(), ("b",)]
    assert found.ways[-1].cash_micro == 2 * EURO
    assert found.ways[-1].consumed == pytest.approx(0.2)
