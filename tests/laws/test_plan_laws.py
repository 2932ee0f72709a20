"""What every plan obeys, whatever the route."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analytics.forecast.draws import seed_for, step_draws
from service.analytics.forecast.next_run import forecast_step
from service.analytics.planning.campaign import Campaigns
from service.analytics.planning.graph import BoughtInput, PlanStep, planned_flow
from service.analytics.planning.plan import plan_route
from service.analytics.planning.planned import Plan

fractions = st.floats(0.05, 0.95)
amounts = st.floats(0.1, 1e4)
confidences = st.floats(0.05, 0.85)


@st.composite
def routes(draw: st.DrawFn, *, stocked: bool = False) -> list[PlanStep]:
    """Up to four steps; each takes its key input from the shop or a step before, some a second input too."""
    steps: list[PlanStep] = []
    for at in range(draw(st.integers(1, 4))):
        yields = draw(st.lists(fractions, min_size=1, max_size=4))
        upstream = {at - 1: 1.0} if at else {}
        if at > 1 and draw(st.booleans()):
            upstream[draw(st.integers(0, at - 2))] = draw(st.floats(0.1, 3.0))
        steps.append(
            PlanStep(
                code=f"s{at}",
                forecast=forecast_step(yields, draw(st.integers(0, 1)), mass_ratio=False, pi0=0.02),
                factor_g_per_g=draw(st.floats(0.2, 3.0)),
                upstream=tuple(upstream.items()),
                bought=() if at else (BoughtInput("ore", 1.0, key=True),),
                stock_g=draw(st.floats(0.0, 50.0)) if stocked else 0.0,
            )
        )
    return steps


def plan_of(steps: list[PlanStep], target_g: float, confidence: float) -> Plan:
    return plan_route(steps, target_g, confidence, seed_words=("law",), trials=256)


def ore_g(plan: Plan) -> float:
    return plan.campaign.starting["ore"].need_g if plan.campaign.starting else 0.0


LAWS = settings(max_examples=60, deadline=None)


@LAWS
@given(routes(), amounts, confidences, st.floats(0.01, 100.0))
def test_twice_the_target_takes_twice_the_material(
    steps: list[PlanStep], target_g: float, confidence: float, times: float
) -> None:
    one, many = plan_of(steps, target_g, confidence), plan_of(steps, target_g * times, confidence)
    assert ore_g(many) == pytest.approx(times * ore_g(one), rel=1e-6)
    assert [s.batches for s in many.campaign.steps] == [s.batches for s in one.campaign.steps]


@LAWS
@given(routes(stocked=True), amounts, confidences)
def test_the_confidence_asked_for_is_reached_within_what_can_be(
    steps: list[PlanStep], target_g: float, confidence: float
) -> None:
    plan = plan_of(steps, target_g, confidence)
    assert plan.campaign.p_reach >= confidence - 1e-9
    assert plan.p_max >= plan.p_max_without_spares
    assert plan == plan_of(steps, target_g, confidence)
    for step, planned in zip(steps, plan.campaign.steps, strict=True):
        assert 0 <= planned.from_stock_g <= step.stock_g
        assert (planned.batches == 0) == (planned.key_input_g == 0)


@LAWS
@given(routes(), amounts, confidences, confidences)
def test_more_confidence_never_takes_less(steps: list[PlanStep], target_g: float, one: float, other: float) -> None:
    less, more = sorted((one, other))
    cautious, bold = plan_of(steps, target_g, more), plan_of(steps, target_g, less)
    if not any(step.spare_batches for step in cautious.campaign.steps):  # a spare batch shares the feed anew
        assert ore_g(cautious) >= ore_g(bold) * (1 - 1e-9)


@LAWS
@given(routes(), amounts, confidences, st.floats(0.0, 1.0), st.integers(0, 3))
def test_stock_never_makes_a_plan_dearer(
    steps: list[PlanStep], target_g: float, confidence: float, part: float, place: int
) -> None:
    bare = plan_of(steps, target_g, confidence)
    if any(step.spare_batches for step in bare.campaign.steps):
        return
    at = min(place, len(steps) - 1)
    stocked = list(steps)
    stocked[at] = replace(steps[at], stock_g=part * bare.campaign.steps[at].expected_product_g)
    assert ore_g(plan_of(stocked, target_g, confidence)) <= ore_g(bare) * (1 + 1e-9)


@LAWS
@given(routes(stocked=True), amounts, confidences, st.floats(1.0, 4.0), st.floats(0.02, 0.999))
def test_nothing_less_reaches(
    steps: list[PlanStep], target_g: float, confidence: float, batches: float, part: float
) -> None:
    bare = plan_of(steps, target_g, confidence)
    limited = [
        replace(step, largest_g=planned.key_input_g / batches if planned.batches else None)
        for step, planned in zip(steps, bare.campaign.steps, strict=True)
    ]
    plan = plan_of(limited, target_g, confidence)
    final = plan.campaign.steps[-1]
    if not final.batches or any(step.spare_batches for step in plan.campaign.steps):
        return
    draws = [step_draws(step.forecast, seed_for("law", step.code, "yield"), 256) for step in limited]
    campaigns = Campaigns(limited, len(limited) - 1, draws)
    output_g = final.from_stock_g + final.key_input_g * campaigns.expected_ratio[-1]
    flow = planned_flow(limited, campaigns.expected_ratio, len(limited) - 1, part * output_g, [0] * len(limited))
    final_g = np.broadcast_to(campaigns.carry_out(flow).final_g, (256,))
    assert np.count_nonzero(final_g >= target_g) < confidence * 256


@LAWS
@given(routes(), amounts, confidences, st.floats(1.0, 4.0))
def test_limits_are_kept(steps: list[PlanStep], target_g: float, confidence: float, batches: float) -> None:
    bare = plan_of(steps, target_g, confidence)
    limited = [
        replace(step, largest_g=planned.key_input_g / batches)
        for step, planned in zip(steps, bare.campaign.steps, strict=True)
    ]
    for step, planned in zip(limited, plan_of(limited, target_g, confidence).campaign.steps, strict=True):
        assert step.largest_g is not None
        assert planned.key_input_g <= planned.batches * step.largest_g * (1 + 1e-9)
