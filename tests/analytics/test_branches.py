"""Branches that meet at the ratio that costs least, against every ratio of a grid and against the bill's own."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analytics.forecast.draws import seed_for, step_draws
from service.analytics.forecast.next_run import forecast_step
from service.analytics.planning.branches import MOST_OVER, cheapest_over, flow_cost
from service.analytics.planning.campaign import Campaigns
from service.analytics.planning.graph import BoughtInput, PlanStep
from service.analytics.planning.plan import plan_route
from service.analytics.planning.planned import Plan
from service.analytics.planning.search import Search

TRIALS = 2048


def leg(code: str, yields: list[float], cost: float | None, upstream: tuple[tuple[int, float], ...] = ()) -> PlanStep:
    bought = () if upstream else (BoughtInput(f"{code}-ore", 1.0, key=True),)
    forecast = forecast_step(yields, 0, mass_ratio=False, pi0=0.01)
    return PlanStep(code, forecast, 1.0, upstream, bought, cost_per_g=cost, product_cost_per_g=cost)


def meeting(dear: float | None = 8.0, cheap: float = 0.2, tail: float = 0.5) -> list[PlanStep]:
    return [
        leg("dear", [0.62, 0.55, 0.70], dear),
        leg("cheap", [0.3, 0.45, 0.25, 0.4], cheap),
        leg("join", [0.8, 0.85, 0.82], tail, ((0, 1.0), (1, 0.5))),
    ]


def plan_of(steps: list[PlanStep], confidence: float = 0.85, target_g: float = 10.0) -> Plan:
    return plan_route(steps, target_g, confidence, seed_words=("meet",), trials=TRIALS)


def cost_of(plan: Plan, steps: list[PlanStep]) -> float:
    """What the planned feeds, batches and stock cost, counted anew."""
    return sum(
        planned.key_input_g * (step.cost_per_g or 0.0)
        + planned.batches * step.cost_per_batch
        + planned.from_stock_g * (step.product_cost_per_g or 0.0)
        for step, planned in zip(steps, plan.campaign.steps, strict=True)
    )


def cheapest_on_a_grid(steps: list[PlanStep], confidence: float, edges: list[tuple[int, int]]) -> float:
    """The whole search for every ratio of the branches on a grid of 4 %."""
    draws = [step_draws(s.forecast, seed_for("meet", s.code, "yield"), TRIALS) for s in steps]
    campaigns = Campaigns(steps, len(steps) - 1, draws)
    best = np.inf
    grid = np.exp(np.arange(0.0, np.log(6.0), 0.04))
    for shares in itertools.product(grid, repeat=len(edges) - 1):
        for least in range(len(edges)):
            placed = [*shares[:least], 1.0, *shares[least:]]
            over = dict(zip(edges, placed, strict=True))
            search = Search(steps, len(steps) - 1, campaigns, 10.0, confidence, (0,) * len(steps), over)
            best = min(best, flow_cost(steps, search.least_flow()))  # type: ignore[type-var]
    return float(best)


@pytest.mark.parametrize(
    ("dear", "cheap", "tail"), [(8.0, 0.2, 0.5), (0.2, 8.0, 0.5), (1.0, 1.0, 0.0), (3.0, 0.0, 9.0)]
)
def test_no_ratio_of_two_branches_is_cheaper(dear: float, cheap: float, tail: float) -> None:
    steps = meeting(dear, cheap, tail)
    plan = plan_of(steps)
    assert plan.branches is not None
    assert plan.branches.cost is not None
    assert plan.branches.cost == pytest.approx(cost_of(plan, steps), rel=1e-9)
    assert plan.branches.cost <= cheapest_on_a_grid(steps, 0.85, [(2, 0), (2, 1)]) * 1.002
    assert plan.campaign.p_reach >= 0.85


def test_the_cheap_branch_is_the_one_over_provided() -> None:
    plan = plan_of(meeting())
    assert plan.branches is not None
    shares = {maker: share for _, maker, share in plan.branches.over}
    assert shares["dear"] == 1.0 < 1.2 < shares["cheap"]
    bare = plan_of(meeting(dear=None))
    assert plan.campaign.starting["dear-ore"].need_g < 0.9 * bare.campaign.starting["dear-ore"].need_g
    turned = plan_of(meeting(dear=0.01, cheap=50.0))
    assert turned.branches is not None
    shares = {maker: share for _, maker, share in turned.branches.over}
    assert shares["cheap"] == 1.0 < shares["dear"]


def test_three_branches_against_a_grid() -> None:
    rng = np.random.default_rng(3)
    levels = np.exp(rng.normal(0.0, [[0.2], [0.5], [0.4]], (3, TRIALS)))
    tail, costs, rest = np.exp(rng.normal(0.0, 0.2, TRIALS)), [5.0, 0.3, 1.0], 2.0
    found = cheapest_over(levels, tail, 0.9, costs, rest)

    def cost(over: tuple[float, ...]) -> float:
        reached = tail * np.min(np.array(over)[:, None] * levels, axis=0)
        place = TRIALS - int(np.ceil(0.9 * TRIALS))
        return (rest + float(np.dot(over, costs))) / float(np.sort(reached)[place])

    grid = np.exp(np.arange(0.0, np.log(6.0), 0.05))
    tried = [over for a, b in itertools.product(grid, grid) for over in ((1.0, a, b), (a, 1.0, b), (a, b, 1.0))]
    assert min(found) == 1.0
    assert max(found) <= MOST_OVER
    assert cost(found) <= min(map(cost, tried)) * 1.002


def test_without_a_cost_the_ratio_of_the_bill_is_kept() -> None:
    steps = meeting(dear=None)
    plan = plan_of(steps)
    assert plan.branches is not None
    assert (plan.branches.over, plan.branches.cost) == ((), None)
    dear, cheap = (plan.campaign.steps[at].expected_product_g for at in (0, 1))
    assert cheap == pytest.approx(0.5 * dear, rel=0.01)
    assert plan_of(steps[:1]).branches is None


prices = st.floats(0.0, 20.0)


@settings(max_examples=40, deadline=None)
@given(
    st.tuples(prices, prices, prices),
    st.floats(0.5, 0.9),
    st.lists(st.sampled_from([None, 5.0, 12.0, 40.0]), min_size=3, max_size=3),
    st.lists(st.floats(0.0, 8.0), min_size=2, max_size=2),
    st.floats(0.0, 5.0),
)
def test_never_dearer_than_the_ratio_of_the_bill(
    costs: tuple[float, float, float],
    confidence: float,
    largest: list[float | None],
    stock: list[float],
    per_batch: float,
) -> None:
    """At the same probability: with limits on batches, a cost a batch, and something in stock of either branch."""
    steps = [
        replace(step, largest_g=limit, stock_g=held, cost_per_batch=per_batch)
        for step, limit, held in zip(meeting(*costs), largest, [*stock, 0.0], strict=True)
    ]
    plan = plan_of(steps, confidence)
    blind = [replace(step, cost_per_g=None) for step in steps]
    assert cost_of(plan, steps) <= cost_of(plan_of(blind, confidence), steps) * (1 + 1e-9)
    assert plan.campaign.p_reach >= confidence - 1e-9
    assert plan == plan_of(steps, confidence)


def test_a_step_that_feeds_two_branches_is_planned_for_both() -> None:
    # a feeds b and c, which meet: what is over-provided at c is made of a too.
    steps = [
        leg("a", [0.6, 0.7], 1.0),
        leg("b", [0.5, 0.55, 0.52], 5.0, ((0, 1.0),)),
        leg("c", [0.3, 0.5, 0.2], 0.1, ((0, 0.3),)),
        leg("d", [0.8, 0.85], 0.1, ((1, 1.0), (2, 0.2))),
    ]
    plan = plan_of(steps)
    assert plan.branches is not None
    assert plan.branches.cost == pytest.approx(cost_of(plan, steps), rel=1e-9)
    assert plan.branches.cost <= (plan.branches.cost_at_the_bill or 0.0)
    a, b, c, _ = plan.campaign.steps
    assert b.key_input_g + 0.3 * c.key_input_g == pytest.approx(a.expected_product_g, rel=0.02)
