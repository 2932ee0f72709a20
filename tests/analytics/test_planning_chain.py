"""Sums over a chain of steps, and the same chain by numeric convolution."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from service.analytics.forecast.draws import QUOTED_TRIALS, Trials, seed_for, step_draws
from service.analytics.forecast.next_run import StepForecast, forecast_step
from service.analytics.planning.chain import (
    all_fail,
    p_max,
    product_per_gram,
    reach_probability,
    shares_by_amount,
    starting_amount,
)

GRID = 0.01


@pytest.mark.parametrize(("batches", "expected"), [(1, 0.9112), (2, 0.9921), (3, 0.9988)])
def test_ceiling_of_six_steps(batches: int, expected: float) -> None:
    # By hand for one batch: (1 − 0.2/13)⁶ = 0.91117.
    assert p_max([(0.2, 12.8, batches)] * 6) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize("batches", [1, 2, 7, 200])
def test_all_fail_is_a_moment_of_the_beta_distribution(batches: int) -> None:
    ln_moment = math.lgamma(1.3 + batches) + math.lgamma(10.8) - math.lgamma(1.3) - math.lgamma(10.8 + batches)
    assert all_fail(1.3, 9.5, batches) == pytest.approx(math.exp(ln_moment), rel=1e-10)


def test_all_fail_agrees_with_the_draws() -> None:
    forecast = forecast_step([0.6], 2, mass_ratio=False)
    lost = float(np.mean(step_draws(forecast, 5, QUOTED_TRIALS).success(2) == 0))
    expected = all_fail(forecast.failures_a, forecast.failures_b, 2)
    assert lost == pytest.approx(expected, abs=4 * math.sqrt(expected / QUOTED_TRIALS))


def test_no_step_and_no_failure_are_certain() -> None:
    assert p_max([]) == 1.0
    assert p_max([(0.0, 10.0, 1)]) == 1.0
    with pytest.raises(ValueError, match="at least one batch"):
        p_max([(1.0, 10.0, 0)])


def test_the_order_statistic_is_not_interpolated_across_failures() -> None:
    trials = np.array([0.0] * 10 + [0.5] * 90)
    assert starting_amount(trials, 1.0, 0.90) == 2.0
    assert starting_amount(trials, 1.0, 0.91) is None
    assert starting_amount(np.zeros(10), 1.0, 0.5) is None


@pytest.mark.parametrize("confidence", [0.5, 0.8, 0.9, 0.95])
def test_the_amount_reaches_its_own_confidence_and_a_little_less_does_not(confidence: float) -> None:
    trials = np.random.default_rng(3).lognormal(-1, 0.4, 4096)
    amount = starting_amount(trials, 25.0, confidence)
    assert amount is not None
    assert reach_probability(trials, amount, 25.0)[0] >= confidence
    assert reach_probability(trials, amount * (1 - 1e-6), 25.0)[0] < confidence


def test_a_probability_states_its_error_even_where_all_trials_agree() -> None:
    p, monte_carlo_u = reach_probability(np.ones(400), 2.0, 1.0)
    assert p == 1.0
    assert 0 < monte_carlo_u < 0.01
    p, monte_carlo_u = reach_probability(np.repeat([0.0, 1.0], [1000, 3096]), 1.0, 1.0)
    assert monte_carlo_u == pytest.approx(math.sqrt(p * (1 - p) / 4096), rel=0.01)


@pytest.mark.parametrize(("target_g", "confidence"), [(0.0, 0.9), (math.nan, 0.9), (1.0, 0.0), (1.0, 1.0)])
def test_targets_and_confidences_out_of_range_are_refused(target_g: float, confidence: float) -> None:
    with pytest.raises(ValueError, match="received"):
        starting_amount(np.ones(4), target_g, confidence)


def test_steps_batches_and_ratios_come_in_equal_number() -> None:
    with pytest.raises(ValueError, match="longer"):
        product_per_gram([step_draws(forecast_step([0.6], 0, mass_ratio=False), 1, 8)], [1, 2], [1.0])


STEPS = [
    (forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False), 0.55),
    (forecast_step([0.41, 0.50, 0.38, 0.45], 1, mass_ratio=False), 1.2),
    (forecast_step([1.1, 0.9, 1.3, 1.2, 1.0], 0, mass_ratio=True), 1.0),
    (forecast_step([], 0, mass_ratio=False, opinion=(0.4, 0.7, 0.8)), 0.8),
]
WIDENED = [
    (forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, spread_factor=1.5), 0.55),
    (forecast_step([0.4, 0.5, 0.3, 0.6], 0, mass_ratio=False, runs_per_lot=2, new_lot=True), 1.2),
]


def ln_yield_masses(forecast: StepForecast) -> NDArray[np.float64]:
    """The probabilities of ln(yield), if usable, in bins centred on multiples of the grid step from −12 to 12."""
    edges = (np.arange(-1200, 1202) - 0.5) * GRID
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        points = edges if forecast.scale == "ln" else np.where(edges < 0, edges - np.log1p(-np.exp(edges)), np.inf)
    away = points - forecast.centre
    if forecast.kind == "runs":
        spread = np.full_like(away, forecast.spread_low * math.sqrt(1 + 1 / forecast.effective_runs))
    else:
        spread = np.where(away < 0, forecast.spread_low, forecast.spread_high)
    cumulated = stats.t.cdf(away / spread, forecast.dof)
    cumulated[0], cumulated[-1] = 0.0, 1.0
    return np.diff(cumulated)


def convolved(steps: Sequence[tuple[StepForecast, float]], amount_per_target: float) -> float:
    """The probability that an amount reaches its target through one batch a step, by convolution of ln(yield).

    Its own error is that of the grid: half a step of 0.01 in the logarithm of the amount, interpolated within a bin.
    """
    masses = np.ones(1)
    usable = 1.0
    for forecast, _ in steps:
        masses = np.convolve(masses, ln_yield_masses(forecast))
        usable *= 1 - forecast.mean_failure
    # The sum of bin centres needed; half a bin below a centre still rounds to it.
    needed = -math.log(amount_per_target) - sum(math.log(per_gram) for _, per_gram in steps)
    place = needed / GRID + 1200 * len(steps) + 0.5
    first = math.ceil(place)
    return usable * float(masses[first:].sum() + (first - place) * masses[first - 1])


def drawn(steps: Sequence[tuple[StepForecast, float]]) -> Trials:
    """Grams of product a gram begun with, by the draws of a quoted plan."""
    draws = [
        step_draws(forecast, seed_for("convolution", str(number), "yield"), QUOTED_TRIALS)
        for number, (forecast, _) in enumerate(steps)
    ]
    return product_per_gram(draws, [1] * len(steps), [per_gram for _, per_gram in steps])


GRID_ERROR = 1e-3
"""What the grid of 0.01 adds to a probability at the most, against steps of half that."""


@pytest.mark.parametrize("steps", [STEPS[:1], STEPS[:2], STEPS[:3], STEPS, STEPS + STEPS])
@pytest.mark.parametrize("amount_g", [30.0, 60.0, 120.0, 300.0])
def test_one_batch_a_step_agrees_with_numeric_convolution(
    steps: list[tuple[StepForecast, float]], amount_g: float
) -> None:
    p, monte_carlo_u = reach_probability(drawn(steps), amount_g, 10.0)
    assert p == pytest.approx(convolved(steps, amount_g / 10.0), abs=4 * monte_carlo_u + GRID_ERROR)


@pytest.mark.parametrize("confidence", [0.5, 0.7, 0.8])
@pytest.mark.parametrize("steps", [STEPS[:1], STEPS[:3], WIDENED])
def test_the_planned_amount_has_its_confidence_by_convolution(
    steps: list[tuple[StepForecast, float]], confidence: float
) -> None:
    amount = starting_amount(drawn(steps), 10.0, confidence)
    assert amount is not None
    error = math.sqrt(confidence * (1 - confidence) / QUOTED_TRIALS)
    assert convolved(steps, amount / 10.0) == pytest.approx(confidence, abs=4 * error + GRID_ERROR)


def test_the_grid_is_fine_enough() -> None:
    # Against the closed form of one step: what half a bin could move is below the stated error.
    (forecast, per_gram) = STEPS[0]
    for asked in (0.5, 0.8, 0.9, 0.95):
        amount_per_target = 1 / (per_gram * forecast.at_least(asked))
        assert convolved(STEPS[:1], amount_per_target) == pytest.approx(asked, abs=GRID_ERROR)


@given(st.lists(st.floats(0.0, 100.0), min_size=1, max_size=60), st.floats(0.5, 50.0))
def test_what_reaches_is_what_lies_beyond_the_target(final: list[float], target_g: float) -> None:
    final_g = np.array(final)
    edges, shares = shares_by_amount(final_g, target_g)
    assert len(edges) == len(shares) + 1
    (place,) = [place for place, edge in enumerate(edges) if edge == pytest.approx(target_g, rel=1e-9)]
    assert len(shares) <= 40
    assert math.fsum(shares) == pytest.approx(1.0)
    assert math.fsum(shares[place:]) == pytest.approx(reach_probability(final_g, 1.0, target_g)[0])
