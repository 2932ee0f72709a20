"""Where to push, by two roads: savings by the closed form, variance shares by that of a lognormal chain."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace

import numpy as np
import pytest

from service.analytics.forecast.draws import SharedDraws
from service.analytics.forecast.next_run import StepForecast
from service.analytics.money.standard_cost import CostLine, StepCost
from service.analytics.planning.graph import BoughtInput, PlanStep
from service.analytics.planning.inputs import PlanInputs, PlanQuestion, StepInputs
from service.analytics.planning.plan import draws_of
from service.analytics.planning.push import PRICE_SWING, levers, price_sensitivities, tornado
from service.analytics.planning.scenarios import with_price
from service.analytics.planning.side_by_side import campaigns_of
from service.analytics.planning.variance import variance_shares
from service.analytics.planning.whole import WholePlan, plan_from

SPREADS, RUNS = (0.10, 0.30, 0.20), (4.0, 2.0, 9.0)
COSTS, RATIOS, BEST = (0.02, 0.05, 0.01), (0.7, 0.3, 0.8), (0.8, 0.5, 0.85)


def lognormal(spread: float, runs: float, centre: float = 0.0, failures: float = 0.0) -> StepForecast:
    """Student's t of so many degrees is a normal; nothing fails unless said."""
    return StepForecast("ln", "runs", centre, spread, spread, 1e9, runs, failures, 10.0 - failures)


def chain(failures: float = 0.0, largest_g: float | None = None) -> PlanInputs:
    """A line of three lognormal steps, each with a price of its own."""
    steps = []
    for place, (spread, runs, cost, ratio, best) in enumerate(zip(SPREADS, RUNS, COSTS, RATIOS, BEST, strict=True)):
        code, name = f"step-{place}", f"input-{place}"
        upstream = ((place - 1, 1.0),) if place else ()
        forecast = lognormal(spread, runs, math.log(ratio), failures)
        plan = PlanStep(code, forecast, 1.0, upstream, (BoughtInput(name, 1.0, key=not place),), largest_g=largest_g)
        line = StepCost(code, ratio, (CostLine(name, cost),), upstream, ratio_best=best, ratio_limit=1.0)
        steps.append(StepInputs(plan, line, "r", code, f"made-{place}" if place else name, f"made-{place + 1}"))
    prices = {f"input-{place}": cost for place, cost in enumerate(COSTS)}
    return PlanInputs("r", "made-3", dt.date(2026, 1, 1), "EUR", tuple(steps), price_per_g=prices)


def planned(inputs: PlanInputs, trials: int = 16_384) -> tuple[WholePlan, SharedDraws]:
    shared = SharedDraws()
    return plan_from(inputs, PlanQuestion(10.0, 0.8, trials), shared), shared


def test_variance_shares_of_a_lognormal_chain() -> None:
    whole, shared = planned(chain(), 65_536)
    campaigns = campaigns_of(whole.plan, "r", shared)
    found = variance_shares(whole, campaigns, draws_of(whole.plan.steps, ("r",), 65_536, shared))
    squares = [spread**2 for spread in SPREADS]
    variance = sum(square * (1 + 1 / runs) for square, runs in zip(squares, RUNS, strict=True))
    assert found.ln_variance == pytest.approx(variance, rel=0.03)
    for share, square, runs in zip(found.shares, squares, RUNS, strict=True):
        # The variance of a variance of 65,536 trials is 0.6 %; a share of trials in bins is good to about 0.01.
        assert share.total == pytest.approx(square * (1 + 1 / runs) / variance, abs=0.015)
        assert share.level == pytest.approx(square / runs / variance, abs=0.015)
        assert share.scatter == pytest.approx(square / variance, abs=0.02)
        assert share.failure == 0.0
        assert share.one_more_run == pytest.approx(share.level / (runs + 1))
    assert sum(share.total for share in found.shares) + found.interaction == pytest.approx(1.0)
    assert found.interaction == pytest.approx(0.0, abs=0.02)
    assert found.without_product == 0.0


def test_batches_average_the_scatter_and_leave_the_level() -> None:
    def shares(failures: float, largest_g: float | None) -> tuple[float, float, float]:
        whole, shared = planned(chain(failures, largest_g))
        draws = draws_of(whole.plan.steps, ("r",), whole.plan.trials, shared)
        found = variance_shares(whole, campaigns_of(whole.plan, "r", shared), draws)
        second = found.shares[1]
        return second.level / second.total, second.failure, found.without_product

    one, many = shares(0.0, None), shares(0.0, 20.0)
    # A level known from two runs owes a third of a single batch's variance, and more of the mean of several.
    assert one[0] == pytest.approx(1 / 3, abs=0.03)
    assert many[0] > 1.2 * one[0]
    one, many = shares(0.5, None), shares(0.5, 20.0)
    assert many[1] > 0.05 > one[1] == 0.0
    assert many[2] < one[2]


def test_savings_are_those_of_the_closed_form() -> None:
    """K·φ·(1 - R/R') of methods 4.5, exactly where nothing is fixed per batch; and by the split of the cost."""
    inputs = chain()
    whole, shared = planned(inputs)
    campaigns = campaigns_of(whole.plan, "r", shared)
    costs = [0.0]
    for cost, ratio in zip(COSTS, RATIOS, strict=True):
        costs.append((costs[-1] + cost) / ratio)
    found = levers(inputs, whole, campaigns)
    for place, lever in enumerate(found):
        phi = math.prod(costs[later] / (costs[later] + COSTS[later]) for later in range(place + 1, 3))
        for push, to in ((lever.best, BEST[place]), (lever.limit, 1.0)):
            assert push.saving_per_g == pytest.approx(costs[3] * phi * (1 - RATIOS[place] / to))
            assert push.p_reach is not None
            assert push.p_reach_gain == pytest.approx(push.p_reach - whole.plan.campaign.p_reach)
            assert push.p_reach_gain > 0.0
        split = whole.costs.by_step[place]
        assert lever.best.saving_per_g == pytest.approx(split.attainable_per_g)
        assert lever.limit.saving_per_g == pytest.approx(split.leak_per_g)
    # A step that has no better run than what is expected of it has no such lever.
    steps = (
        inputs.steps[0],
        replace(inputs.steps[1], cost=replace(inputs.steps[1].cost, ratio_best=None)),
        inputs.steps[2],
    )
    assert levers(replace(inputs, steps=steps), whole, campaigns)[1].best.saving_per_g is None


def test_prices_followed_are_slopes_of_the_cost() -> None:
    inputs = chain()
    whole, _ = planned(inputs, 256)
    found = price_sensitivities(whole)
    assert found is not None
    assert sum(found.values()) == pytest.approx(1.0)
    for place in range(3):
        dearer = with_price(inputs, f"input-{place}", COSTS[place] * 1.001)
        more = planned(dearer, 256)[0].costs.cost_per_g
        assert more is not None
        assert whole.costs.cost_per_g is not None
        assert (more / whole.costs.cost_per_g - 1) / 0.001 == pytest.approx(found[f"input-{place}"], rel=1e-6)


def test_a_tornado_against_the_closed_form() -> None:
    inputs = chain()
    whole, shared = planned(inputs)
    campaigns = campaigns_of(whole.plan, "r", shared)
    found = {(swing.name, swing.part): swing for swing in tornado(inputs, whole, campaigns, "r")}
    assert set(found) == {(f"step-{p}", "level") for p in range(3)} | {(f"input-{p}", "price") for p in range(3)}
    z90 = 1.2815515655446004
    variance = sum(s**2 * (1 + 1 / n) for s, n in zip(SPREADS, RUNS, strict=True))
    for place, (spread, runs) in enumerate(zip(SPREADS, RUNS, strict=True)):
        swing = found[f"step-{place}", "level"]
        reach = z90 * spread / math.sqrt(runs)
        assert swing.at == pytest.approx((RATIOS[place] * math.exp(-reach), RATIOS[place] * math.exp(reach)), rel=1e-6)
        # Held at either end, the probability is a normal one of what is left of the variance.
        left = math.sqrt(variance - spread**2 / runs)
        amount = whole.plan.campaign.starting["input-0"].planned_g
        margin = math.log(amount * math.prod(RATIOS) / 10.0)
        for told, sign in zip(swing.p_reach, (-1, 1), strict=True):
            expected = 0.5 * (1 + math.erf((margin + sign * reach) / left / math.sqrt(2)))
            assert told == pytest.approx(expected, abs=0.015)
        assert swing.cost_per_g is not None
        assert swing.cost_per_g[0] / swing.cost_per_g[1] == pytest.approx(math.exp(2 * reach), rel=0.02)
    price = found["input-0", "price"]
    assert price.at == pytest.approx((COSTS[0] / PRICE_SWING, COSTS[0] * PRICE_SWING))
    assert price.cost_per_g is not None
    assert price.cost_per_g[0] < price.cost_per_g[1]
    assert price.p_reach == (whole.plan.campaign.p_reach,) * 2
    widths = [abs(np.subtract(*s.cost_per_g)) for s in tornado(inputs, whole, campaigns, "r") if s.cost_per_g]
    assert widths == sorted(widths, reverse=True)
