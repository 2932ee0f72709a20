"""A stretch of constant batch counts in closed form, against the search that carries every trial out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analytics.forecast.draws import seed_for, step_draws
from service.analytics.forecast.next_run import forecast_step
from service.analytics.planning.campaign import Campaigns
from service.analytics.planning.chain import order_statistic
from service.analytics.planning.graph import BoughtInput, PlannedFlow, PlanStep, planned_flow
from service.analytics.planning.search import Search
from service.analytics.planning.stretch import Stretches
from service.errors import NotComputable

TRIALS = 512
fractions = st.floats(0.2, 0.95)
limits = st.sampled_from([None, 6.0, 15.0, 40.0])


@st.composite
def routes(draw: st.DrawFn) -> list[PlanStep]:
    """Up to five steps, some of which feed two others, most of which have a largest batch."""
    steps: list[PlanStep] = []
    for at in range(draw(st.integers(1, 5))):
        upstream = {} if at == 0 or (at == 1 and draw(st.booleans())) else {at - 1: 1.0}
        if at > 1 and draw(st.booleans()):
            upstream[draw(st.integers(0, at - 2))] = draw(st.floats(0.2, 2.0))
        bought = () if upstream else (BoughtInput(f"ore-{at}", 1.0, key=True),)
        forecast = forecast_step(draw(st.lists(fractions, min_size=2, max_size=4)), 0, mass_ratio=False, pi0=0.02)
        steps.append(PlanStep(f"s{at}", forecast, 1.0, tuple(upstream.items()), bought, largest_g=draw(limits)))
    needed = {len(steps) - 1}
    for place in range(len(steps) - 1, -1, -1):
        if place in needed:
            needed |= {earlier for earlier, _ in steps[place].upstream}
    return steps if len(needed) == len(steps) else steps[:1]


def campaigns_of(steps: list[PlanStep]) -> Campaigns:
    draws = [step_draws(step.forecast, seed_for("stretch", step.code), TRIALS) for step in steps]
    return Campaigns(steps, len(steps) - 1, draws)


def least_of(search: Search) -> PlannedFlow | str:
    """The flow that is found, or the code of the refusal."""
    try:
        return search.least_flow()
    except NotComputable as refused:
        return refused.code


@settings(max_examples=60, deadline=None)
@given(routes(), st.floats(1.0, 30.0), st.floats(0.3, 0.9))
def test_the_closed_form_finds_what_the_search_in_steps_finds(
    steps: list[PlanStep], target_g: float, confidence: float
) -> None:
    campaigns, none = campaigns_of(steps), (0,) * len(steps)
    closed = Search(steps, len(steps) - 1, campaigns, target_g, confidence, none)
    stepped = Search(steps, len(steps) - 1, campaigns, target_g, confidence, none)
    assert closed.stretches is not None
    stepped.stretches = None
    found, expected = least_of(closed), least_of(stepped)
    if isinstance(found, str) or isinstance(expected, str):
        assert found == expected
        return
    assert found.output_g == pytest.approx(expected.output_g, rel=1e-8)
    assert found.batches == expected.batches


@settings(max_examples=60, deadline=None)
@given(routes(), st.floats(1.0, 30.0), st.lists(st.floats(0.5, 3.0), min_size=1, max_size=6))
def test_a_stretch_tells_of_every_trial_whether_it_reaches(
    steps: list[PlanStep], target_g: float, outputs: list[float]
) -> None:
    """One stretch after another of the same keeper, whatever it kept of those before."""
    campaigns = campaigns_of(steps)
    stretches = Stretches(steps, len(steps) - 1, target_g, TRIALS, campaigns.ratio)
    for times in outputs:
        flow = planned_flow(steps, campaigns.expected_ratio, len(steps) - 1, times * target_g, (0,) * len(steps))
        if max(flow.batches) > 40:
            continue
        stretch = stretches.of(flow)
        reaches = stretch.per_output * flow.output_g
        final_g = np.broadcast_to(campaigns.carry_out(flow).final_g, TRIALS)
        apart = (abs(reaches / target_g - 1) > 1e-9) & (abs(final_g / target_g - 1) > 1e-9)
        told = (reaches >= target_g) & (True if stretch.let is None else stretch.let)
        assert ((told == (final_g >= target_g)) | ~apart).all()


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1, 20_000), st.integers(0, 2**32), st.floats(0, 1), st.sampled_from(["apart", "zeros", "few", "sorted"])
)
def test_the_order_statistic_is_the_one_of_the_sorted(size: int, seed: int, part: float, kind: str) -> None:
    values = np.random.default_rng(seed).normal(size=size)
    if kind == "zeros":
        values = np.maximum(values, 0.0)
    elif kind == "few":
        values = np.rint(values)
    elif kind == "sorted":
        values = np.sort(values)
    place = min(int(part * size), size - 1)
    before = values.copy()
    assert order_statistic(values, place) == np.sort(values)[place]
    assert (values == before).all()
