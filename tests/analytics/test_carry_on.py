"""In the middle of the work: by closed form, by brute force, and by the laws that hold whatever the draws are."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analytics.forecast.draws import seed_for, step_draws
from service.analytics.forecast.next_run import StepForecast, forecast_step
from service.analytics.planning.carry_on import Stages, carry, least_to_carry, most_to_carry, one_more_batch
from service.analytics.planning.chain import all_fail, reach_probability, starting_amount
from service.analytics.planning.graph import PlanStep

KNOWN = forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, pi0=0.02)
TRIALS = 4096


def stages(
    count: int = 2,
    *,
    route: str = "r",
    forecast: StepForecast = KNOWN,
    trials: int = TRIALS,
    largest: Sequence[float | None] = (),
) -> Stages:
    steps = [
        PlanStep(
            f"step-{place}",
            forecast,
            1.0,
            ((place - 1, 1.0),) if place else (),
            largest_g=largest[place] if largest else None,
            cost_per_g=0.0 if place else 1.0,
            product_cost_per_g=2.0,
        )
        for place in range(count)
    ]
    return Stages(steps, [step_draws(forecast, seed_for(route, step.code, "yield"), trials) for step in steps])


def reached(final_g: np.ndarray, target_g: float) -> float:
    return reach_probability(final_g, 1.0, target_g)[0]


@pytest.mark.parametrize("confidence", [0.5, 0.8, 0.9])
def test_what_is_enough_by_the_closed_form(confidence: float) -> None:
    """P(a·R ≥ target) of one step is that of the next run's bound: a = target/bound."""
    found = stages(trials=65_536)
    bound = KNOWN.at_least(confidence)
    _, p = most_to_carry(found, [10.0 / bound, 0.0], 10.0)
    assert p == pytest.approx(confidence, abs=4 * math.sqrt(confidence * (1 - confidence) / 65_536))
    enough = least_to_carry(found, [10_000.0, 0.0], 10.0, confidence)
    assert enough is not None
    assert enough[0] == pytest.approx(10.0 / bound, rel=0.02)
    # And exactly the order statistic of the same draws.
    assert enough[0] == pytest.approx(starting_amount(found.ratio(1, 1), 10.0, confidence), rel=1e-4)


@settings(deadline=None, max_examples=25)
@given(
    hand=st.tuples(st.floats(0.0, 60.0), st.floats(0.0, 30.0), st.floats(0.0, 8.0)),
    more=st.floats(0.01, 50.0),
    at=st.integers(0, 2),
)
def test_more_in_hand_never_lowers_the_chance(hand: tuple[float, float, float], more: float, at: int) -> None:
    found = stages(3, trials=1024)
    richer = list(hand)
    richer[at] += more
    assert most_to_carry(found, richer, 10.0)[1] >= most_to_carry(found, list(hand), 10.0)[1]


@settings(deadline=None, max_examples=15)
@given(hand=st.floats(10.0, 100.0), more=st.floats(0.01, 40.0))
def test_nor_where_it_takes_one_more_batch(hand: float, more: float) -> None:
    """Two batches that are both needed fail more often than one: what is over is then left."""
    found = stages(2, trials=1024, largest=(None, 30.0))
    assert most_to_carry(found, [hand + more, 0.0], 12.0)[1] >= most_to_carry(found, [hand, 0.0], 12.0)[1] - 1e-12


def test_what_is_shared_and_what_meets() -> None:
    """Two branches of one intermediate that meet: each has the part that the bill gives it, the least decides."""
    sure = StepForecast("ln", "runs", math.log(0.5), 1e-9, 1e-9, 1e9, 1e9, 0.0, 10.0)
    steps = [
        PlanStep("a", sure, 1.0),
        PlanStep("b", sure, 1.0, ((0, 1.0),)),
        PlanStep("c", sure, 1.0, ((0, 1.0),)),
        PlanStep("d", sure, 1.0, ((1, 1.0), (2, 3.0))),
    ]
    found = Stages(steps, [step_draws(sure, seed_for("m", step.code, "yield"), 64) for step in steps])
    # 40 g: a quarter to b and three to c, 5 g and 15 g, which meet 1 : 3 and give 2.5 g.
    assert carry(found, [40.0, 0.0, 0.0, 0.0]).final_g == pytest.approx(2.5, rel=1e-6)
    # With more of the one in hand the other decides; without either nothing is run.
    assert carry(found, [40.0, 100.0, 0.0, 0.0]).final_g == pytest.approx(2.5, rel=1e-6)
    assert carry(found, [0.0, 100.0, 0.0, 1.0]).batches == (0, 0, 0, 0)
    assert carry(found, [0.0, 100.0, 30.0, 1.0]).final_g == pytest.approx(6.0, rel=1e-6)


def test_further_batches_are_those_of_the_same_workshop() -> None:
    forecast = forecast_step([0.5, 0.6], 2, mass_ratio=False)
    draws = step_draws(forecast, seed_for("r", "s", "yield"), 65_536)
    first, then = draws.success(1), draws.further(1, 1)
    a, b = forecast.failures_a, forecast.failures_b
    error = 4 * math.sqrt(0.25 / 65_536)
    assert float(((first == 0) & (then == 0)).mean()) == pytest.approx(all_fail(a, b, 2), abs=error)
    assert float((then == 0).mean()) == pytest.approx(all_fail(a, b, 1), abs=error)
    usable = (first > 0) & (then > 0)
    together = draws.success(2)
    both = np.corrcoef(first[usable], then[usable])[0, 1]
    assert both > 0.1  # one level
    assert float(((first + then) / 2).std()) == pytest.approx(float(together.std()), rel=0.02)
    three = draws.further(2, 3)
    assert float(three.mean()) == pytest.approx(float(draws.success(3).mean()), abs=4 * float(three.std()) / 256)


def test_one_more_batch_by_hand() -> None:
    """On the same draws: a batch of the first step at 1 a gram, what is missing at 5 a gram."""
    found = stages(2)
    more = one_more_batch(found, [10.0, 0.0], 0, 20.0, 8.0, 5.0)
    assert more is not None
    before, after = 10.0 * found.ratio(1, 1), (10.0 + 20.0 * found.ratio(0, 1)) * found.ratio(1, 1)
    spared = np.maximum(8.0 - before, 0.0) - np.maximum(8.0 - after, 0.0)
    assert more.cost == pytest.approx(20.0)
    assert more.spared == pytest.approx(5.0 * float(spared.mean()))
    assert more.p_reach == reached(after, 8.0) > reached(before, 8.0)
    assert more.pays is bool(more.spared > 20.0)
    dear = one_more_batch(found, [10.0, 0.0], 0, 20.0, 8.0, 50.0)
    assert dear is not None
    assert (more.pays, dear.pays) == (False, True)
    # A batch of the second step takes 2 a gram of what the first makes.
    second = one_more_batch(found, [10.0, 0.0], 1, 20.0, 8.0, 5.0)
    assert second is not None
    assert second.cost == pytest.approx(40.0)
    assert one_more_batch(found, [10.0, 0.0], 0, 20.0, 8.0, None).pays is None  # type: ignore[union-attr]
