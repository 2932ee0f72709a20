"""The draws of a forecast: the same distribution as the closed form, exact failures, common random numbers."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from service.analytics.forecast.draws import MOST_BATCHES, SharedDraws, seed_for, step_draws
from service.analytics.forecast.next_run import StepForecast, forecast_step
from service.errors import NotComputable

TRIALS = 16_384
FORECASTS = {
    "one run": forecast_step([0.6], 0, mass_ratio=False),
    "three runs": forecast_step([0.62, 0.55, 0.70], 1, mass_ratio=False),
    "a mass ratio": forecast_step([2.4, 1.9, 2.6], 0, mass_ratio=True),
    "a new lot": forecast_step([0.3, 0.4, 0.35, 0.5], 0, mass_ratio=False, runs_per_lot=4, new_lot=True),
    "a skewed opinion": forecast_step([], 0, mass_ratio=False, opinion=(0.3, 0.6, 0.65)),
    "nothing": forecast_step([], 0, mass_ratio=False),
}
SURE = forecast_step([], 0, mass_ratio=False, opinion=(0.5, 0.5, 0.5))  # without spread: every usable batch gives 0.5


def within(share: float, probability: float, trials: int = TRIALS) -> bool:
    """Whether a share of trials lies within 4 binomial standard errors of its probability."""
    return abs(share - probability) <= 4 * math.sqrt(probability * (1 - probability) / trials)


@pytest.mark.parametrize("name", FORECASTS)
@pytest.mark.parametrize("asked", [0.2, 0.5, 0.8])
def test_one_batch_has_the_distribution_of_the_closed_form(name: str, asked: float) -> None:
    forecast = FORECASTS[name]
    drawn = step_draws(forecast, seed_for("law", name), TRIALS).success(1)
    assert within(float(np.mean(drawn >= forecast.at_least(asked))), asked)


def test_beyond_the_record_the_closed_form_is_close() -> None:
    # The bound takes a sum of a t and a normal variable for a t: allowed one point of probability more.
    forecast = forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, ln_batch_beyond=2.0)
    drawn = step_draws(forecast, seed_for("beyond"), TRIALS).success(1)
    assert float(np.mean(drawn >= forecast.at_least(0.9))) == pytest.approx(0.9, abs=0.02)
    plain = step_draws(forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False), seed_for("beyond"), TRIALS).success(1)
    assert np.quantile(drawn, 0.9) > np.quantile(plain, 0.9)


@pytest.mark.parametrize("batches", [1, 2, 5, 40, 200])
def test_failures_among_batches_are_beta_binomial(batches: int) -> None:
    forecast = StepForecast("logit", "opinion", 0.0, 0.0, 0.0, 3.0, 0.0, failures_a=1.5, failures_b=9.0)
    drawn = step_draws(forecast, seed_for("failures"), TRIALS).success(batches)
    failed = np.rint(batches * (1 - drawn / 0.5)).astype(int)
    expected = stats.betabinom(batches, 1.5, 9.0).cdf
    for count in {0, 1, batches // 5, batches // 2, batches - 1}:
        assert within(float(np.mean(failed <= count)), float(expected(count)))


@pytest.mark.parametrize("name", FORECASTS)
@pytest.mark.parametrize("changed", ["centre", "failures", "both", "spread"])
def test_draws_shared_with_another_forecast_are_those_drawn_anew(name: str, changed: str) -> None:
    forecast, seed = FORECASTS[name], seed_for("shared", name)
    other = replace(
        forecast,
        centre=forecast.centre + (0.2 if changed in ("centre", "both") else 0.0),
        failures_a=forecast.failures_a + (1.0 if changed in ("failures", "both") else 0.0),
        spread_high=forecast.spread_high * (1.5 if changed == "spread" else 1.0),
    )
    base = SharedDraws()
    first = base.of(forecast, seed, 512)
    first.success(2)
    own = SharedDraws(base).of(other, seed, 512)
    # In turn, and unlike numbers of batches: neither may see what the other drew last.
    for batches in (3, 1, 5):
        assert (own.success(batches) == step_draws(other, seed, 512).success(batches)).all()
        assert (first.success(batches + 1) == step_draws(forecast, seed, 512).success(batches + 1)).all()
    assert (own.further(2, 3) == step_draws(other, seed, 512).further(2, 3)).all()
    assert (own.levels == step_draws(other, seed, 512).levels).all()


def test_failures_far_beyond_a_double_are_still_counted() -> None:
    forecast = StepForecast("logit", "opinion", 0.0, 0.0, 0.0, 3.0, 0.0, failures_a=5e4, failures_b=9.0)
    drawn = step_draws(forecast, 1, 64).success(200)
    assert np.isfinite(drawn).all()
    assert drawn.max() < 0.01


def test_without_a_chance_of_failure_nothing_fails() -> None:
    forecast = forecast_step([0.6, 0.7], 0, mass_ratio=False, pi0=0.0)
    assert step_draws(forecast, 1, TRIALS).success(3).min() > 0


def test_batches_average_their_scatter_and_not_the_ignorance_of_the_level() -> None:
    # On the scale, Var(mean of N) = Var(level) + Var(run)/N. With ν = 100 the spread is nearly known, and a mass ratio
    # of small spread is nearly linear in its logarithm.
    forecast = StepForecast("ln", "runs", 0.0, 0.01, 0.01, 100.0, 4.0, failures_a=0.0, failures_b=10.0)
    draws = step_draws(forecast, seed_for("scatter"), TRIALS)
    for batches in (1, 4, 64):
        expected = 0.01 * math.sqrt((1 / 4 + 1 / batches) * 100 / 98)
        assert float(draws.success(batches).std()) == pytest.approx(expected, rel=0.03)


def test_the_order_of_questions_changes_no_answer() -> None:
    forecast = FORECASTS["three runs"]
    upwards, at_once = step_draws(forecast, 7, 512), step_draws(forecast, 7, 512)
    small = [upwards.success(batches) for batches in (1, 2, 5)]
    large = at_once.success(5)
    assert (small[2] == large).all()
    assert (at_once.success(1) == small[0]).all()
    assert (upwards.success(1) == small[0]).all()


def test_scenarios_share_their_draws() -> None:
    before = step_draws(forecast_step([0.60, 0.65], 0, mass_ratio=False), 11, 4096).success(1)
    after = step_draws(forecast_step([0.60, 0.65, 0.62], 0, mass_ratio=False), 11, 4096).success(1)
    assert float(np.corrcoef(before, after)[0, 1]) > 0.8


def test_seeds_are_the_same_on_every_machine() -> None:
    # Fixed so that a change of the seed, and with it of every quoted plan, is a decision and no accident.
    assert seed_for() == int("cae66941d9efbd404e4d88758ea67670", 16)  # BLAKE2b-128 of nothing, from memory
    assert len({seed_for("a", "b"), seed_for("b", "a"), seed_for("ab"), seed_for("a", "b", "")}) == 4
    assert seed_for("\ud800") != seed_for("?")


def test_different_seeds_are_independent() -> None:
    first = step_draws(FORECASTS["one run"], seed_for("r", "s1", "yield"), 4096).success(1)
    second = step_draws(FORECASTS["one run"], seed_for("r", "s2", "yield"), 4096).success(1)
    assert abs(float(np.corrcoef(first, second)[0, 1])) < 4 / math.sqrt(4096)


def test_logit_yields_never_exceed_one() -> None:
    forecast = forecast_step([0.97, 0.99, 1.0], 0, mass_ratio=False, prior=None)
    assert step_draws(forecast, 3, TRIALS).success(1).max() <= 1


def test_the_number_of_batches_and_trials_is_bounded() -> None:
    draws = step_draws(SURE, 1, 8)
    with pytest.raises(NotComputable, match="200"):
        draws.success(MOST_BATCHES + 1)
    with pytest.raises(ValueError, match="at least one batch"):
        draws.success(0)
    with pytest.raises(ValueError, match="at least one trial"):
        step_draws(SURE, 1, 0)
