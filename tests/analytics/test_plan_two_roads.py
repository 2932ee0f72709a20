"""The probability of small plans by another road: failures enumerated exactly, branches convolved numerically."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import betabinom

from service.analytics.forecast.draws import QUOTED_TRIALS, seed_for, step_draws
from service.analytics.forecast.next_run import StepForecast
from service.analytics.planning.campaign import Campaigns
from service.analytics.planning.graph import PlannedFlow, PlanStep, planned_flow
from service.analytics.planning.plan import plan_route
from tests.analytics.test_plan import known, line, ore

TRIALS = 65_536


def failing(a: float, b: float) -> StepForecast:
    """A step that gives one half or nothing, its chance of failure Beta(a, b)."""
    return replace(known(0.5, 1e-9, 0.0), failures_a=a, failures_b=b)


def carried_out(steps: list[PlanStep], output_g: float, spares: list[int]) -> tuple[float, PlannedFlow]:
    campaigns = Campaigns(steps, len(steps) - 1, [step_draws(s.forecast, seed_for("r", s.code), TRIALS) for s in steps])
    flow = planned_flow(steps, campaigns.expected_ratio, len(steps) - 1, output_g, spares)
    final_g = np.broadcast_to(campaigns.carry_out(flow).final_g, (TRIALS,))
    return float((final_g >= 10.0 - 1e-9).mean()), flow


def enumerated(steps: list[PlanStep], flow: PlannedFlow) -> float:
    """P(10 g) over every number of failures of every step, each batch giving one half or nothing."""
    chances = []
    for step, count in zip(steps, flow.batches, strict=True):
        told = betabinom(count, step.forecast.failures_a, step.forecast.failures_b)
        chances.append([(failed, float(told.pmf(failed))) for failed in range(count + 1)] if count else [(0, 1.0)])
    total = 0.0
    for case in itertools.product(*chances):
        on_hand: list[float] = []
        for place, step in enumerate(steps):
            count = flow.batches[place]
            if not count:
                on_hand.append(flow.from_stock_g[place])
                continue
            feeds = [
                on_hand[earlier] * flow.feed_g[place] * flow.over.get((place, earlier), 1.0) / flow.product_g[earlier]
                for earlier, _ in step.upstream
            ]
            feed = min(feeds) if feeds else flow.feed_g[place]
            if step.largest_g is not None and feeds:
                feed = min(feed, count * step.largest_g)
            made = feed * 0.5 * (count - case[place][0]) / count
            on_hand.append(made + flow.from_stock_g[place])
        if on_hand[-1] >= 10.0 - 1e-9:
            total += math.prod(chance for _, chance in case)
    return total


@pytest.mark.parametrize("output_g", [11.0, 12.5, 14.0, 19.0, 27.0])
def test_a_line_in_batches_with_stock_by_enumeration(output_g: float) -> None:
    first, second = line(failing(0.6, 5.4), failing(0.9, 7.1))
    steps = [replace(first, largest_g=15.0, stock_g=4.0), replace(second, largest_g=12.0)]
    found, flow = carried_out(steps, output_g, [1, 0])
    exact = enumerated(steps, flow)
    assert found == pytest.approx(exact, abs=4 * math.sqrt(max(exact * (1 - exact), 1e-4) / TRIALS))


@pytest.mark.parametrize("output_g", [9.0, 13.0, 18.0, 25.0])
def test_branches_that_meet_and_share_by_enumeration(output_g: float) -> None:
    steps = [
        PlanStep("base", failing(0.5, 9.5), 1.0, bought=(ore(),), largest_g=60.0),
        PlanStep("left", failing(0.4, 5.6), 1.0, ((0, 1.0),), largest_g=20.0),
        PlanStep("right", failing(0.8, 5.2), 1.0, ((0, 0.5),), stock_g=2.0),
        PlanStep("join", failing(0.3, 7.7), 1.0, ((1, 1.0), (2, 0.4)), largest_g=25.0),
    ]
    found, flow = carried_out(steps, output_g, [0, 1, 1, 1])
    exact = enumerated(steps, flow)
    assert found == pytest.approx(exact, abs=4 * math.sqrt(max(exact * (1 - exact), 1e-4) / TRIALS))


def test_a_plan_of_meeting_branches_by_convolution() -> None:
    """P(min of the branches × tail reaches), each ln R on a grid of 0.005: the plan at its own ratio of branches."""
    legs = {"dear": (0.6, 0.5, 0.02), "cheap": (0.4, 0.7, 0.03), "join": (0.8, 0.4, 0.01)}
    forecasts = {code: known(*numbers) for code, numbers in legs.items()}
    steps = [
        PlanStep("dear", forecasts["dear"], 1.0, bought=(ore("copper"),), cost_per_g=6.0),
        PlanStep("cheap", forecasts["cheap"], 1.0, bought=(ore("soda"),), cost_per_g=0.1),
        PlanStep("join", forecasts["join"], 1.0, ((0, 1.0), (1, 0.5)), cost_per_g=0.2),
    ]
    plan = plan_route(steps, 10.0, 0.8, seed_words=("two",), trials=QUOTED_TRIALS)
    assert plan.branches is not None
    assert {maker: over for _, maker, over in plan.branches.over}["cheap"] > 1.1
    starts = {step.code: step.key_input_g for step in plan.campaign.steps}

    def beyond(code: str, ratio: np.ndarray) -> np.ndarray:
        """P(R > ratio), failures at 0."""
        median, spread, failure = legs[code]
        inside = np.clip(ratio, 1e-12, 1 - 1e-12)
        away = (np.log(inside / (1 - inside)) - math.log(median / (1 - median))) / spread
        return np.where(ratio >= 1, 0.0, (1 - failure) * (1 - ndtr(away)))

    # Feed of the join: the lesser of what the branches bring, in grams of its key input.
    width = 0.005
    logs = np.arange(-12.0, 5.0, width)
    feed = np.exp(logs)
    survival = beyond("dear", feed / starts["dear"]) * beyond("cheap", feed * 0.5 / starts["cheap"])
    mass = -np.diff(survival)
    middles = np.exp(logs[:-1] + width / 2)
    reached = float((mass * beyond("join", 10.0 / middles)).sum())
    assert reached == pytest.approx(plan.campaign.p_reach, abs=4 * plan.campaign.monte_carlo_u + 0.001)
    assert plan.campaign.p_reach == pytest.approx(0.8, abs=1e-3)
    # No ratio of a grid of five to one side or the other does it for less, reckoned by the convolution alone.
    chosen = 6.0 * starts["dear"] + 0.1 * starts["cheap"]
    for change in (0.5, 0.8, 1.25, 2.0):
        cheap = starts["cheap"] * change
        # So much more or less of the dear one as reaches as surely.
        low, high = 0.2 * starts["dear"], 5.0 * starts["dear"]
        for _ in range(40):
            dear = math.sqrt(low * high)
            survival = beyond("dear", feed / dear) * beyond("cheap", feed * 0.5 / cheap)
            sure = float((-np.diff(survival) * beyond("join", 10.0 / middles)).sum()) >= reached
            low, high = (low, dear) if sure else (dear, high)
        if high < 4.9 * starts["dear"]:
            assert 6.0 * high + 0.1 * cheap >= chosen * 0.995
