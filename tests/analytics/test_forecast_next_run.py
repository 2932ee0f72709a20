"""The forecast of the next run: values fixed beforehand, and what each rule of the method does."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from service.analytics.forecast.next_run import forecast_step
from service.analytics.forecast.spread import SpreadPrior
from service.errors import NotComputable

ASKED = (0.50, 0.80, 0.90, 0.95)


@pytest.mark.parametrize(
    ("yields", "failures", "pi0", "bounds"),
    [
        # Fixed when the method was chosen and before it was written as code; four decimals.
        ([0.60], 0, 0.0, (0.6000, 0.3954, 0.2721, 0.1692)),
        ([0.62, 0.55, 0.70], 0, 0.0, (0.6254, 0.4933, 0.4126, 0.3387)),
        ([0.62, 0.55, 0.70], 0, 0.02, (0.6226, 0.4854, 0.3960, 0.3031)),
        ([0.41, 0.50, 0.38, 0.45], 1, 0.05, (0.4166, 0.2792, 0.0, 0.0)),
    ],
)
def test_bounds_to_the_digits_fixed_beforehand(
    yields: list[float], failures: int, pi0: float, bounds: tuple[float, float, float, float]
) -> None:
    forecast = forecast_step(yields, failures, mass_ratio=False, pi0=pi0)
    assert [forecast.at_least(asked) for asked in ASKED] == pytest.approx(bounds, abs=5e-5)


def test_a_step_without_anything_is_said_to_rest_on_nothing() -> None:
    forecast = forecast_step([], 0, mass_ratio=False, pi0=0.0)
    assert forecast.kind == "none"
    assert [forecast.at_least(asked) for asked in ASKED] == pytest.approx((0.599, 0.316, 0.173, 0.081), abs=5e-4)


def test_the_formula_by_another_road() -> None:
    yields, prior = [0.3, 0.4, 0.35, 0.5], SpreadPrior(5.0, 0.4)
    points = np.log(np.array(yields) / (1 - np.array(yields)))
    dof = 5 + 4 - 1
    spread = math.sqrt((5 * 0.4**2 + points.var() * 4) / dof)
    failure = (0 + 10 * 3.5 / 50) / (4 + 10)
    expected = stats.t.ppf(1 - 0.8 / (1 - failure), dof, points.mean(), spread * math.sqrt(1.25))
    forecast = forecast_step(yields, 0, mass_ratio=False, prior=prior, other_runs=40, other_failures=3)
    assert forecast.mean_failure == pytest.approx(failure)
    assert forecast.at_least(0.8) == pytest.approx(1 / (1 + math.exp(-expected)), rel=1e-12)


def test_failures_shift_the_whole_question() -> None:
    forecast = forecast_step([0.6, 0.7], 2, mass_ratio=False)
    assert (forecast.failures_a, forecast.failures_b) == (pytest.approx(2.5), pytest.approx(11.5))
    assert forecast.at_least(0.8) > 0
    assert forecast.at_least(0.85) == 0.0


def test_only_failures_so_far_leave_the_yield_to_the_opinion() -> None:
    forecast = forecast_step([], 3, mass_ratio=False, opinion=(0.4, 0.6, 0.7))
    assert forecast.kind == "opinion"
    assert forecast.mean_failure == pytest.approx(3.5 / 13)


def test_an_opinion_is_widened_on_each_side() -> None:
    forecast = forecast_step([], 0, mass_ratio=False, opinion=(0.4, 0.6, 0.7), pi0=0.0)
    assert forecast.at_least(0.5) == pytest.approx(0.6)
    low = math.log(0.6 / 0.4) - 1.6 * (math.log(0.6 / 0.4) - math.log(0.4 / 0.6))
    high = math.log(0.6 / 0.4) + 1.6 * (math.log(0.7 / 0.3) - math.log(0.6 / 0.4))
    assert forecast.at_least(0.9) == pytest.approx(1 / (1 + math.exp(-low)), rel=1e-6)
    assert forecast.at_least(0.1) == pytest.approx(1 / (1 + math.exp(-high)), rel=1e-6)


def test_the_first_run_ends_the_opinion() -> None:
    with_opinion = forecast_step([0.3], 0, mass_ratio=False, opinion=(0.8, 0.9, 0.95))
    assert with_opinion == forecast_step([0.3], 0, mass_ratio=False)


def test_a_mass_ratio_is_forecast_in_the_logarithm_without_a_cap() -> None:
    forecast = forecast_step([2.4, 2.6], 0, mass_ratio=True, pi0=0.0)
    assert forecast.scale == "ln"
    assert forecast.at_least(0.5) == pytest.approx(math.sqrt(2.4 * 2.6))
    spread = math.sqrt((3 * 0.35**2 + math.log(2.6 / 2.4) ** 2 / 2) / 4)
    assert forecast.spread_low == pytest.approx(spread)


def test_a_mass_ratio_without_anything_cannot_be_forecast() -> None:
    with pytest.raises(NotComputable, match="low, likely and high"):
        forecast_step([], 0, mass_ratio=True)
    assert forecast_step([], 0, mass_ratio=True, opinion=(1.0, 1.5, 2.0)).at_least(0.1) > 1


def test_yields_above_one_are_capped_when_rare_and_doubted_when_common() -> None:
    rare = forecast_step([0.9] * 10 + [1.2], 0, mass_ratio=False)
    assert (rare.scale, rare.notes) == ("logit", ("above-one",))
    assert rare == forecast_step([0.9] * 10 + [1.01], 0, mass_ratio=False)
    common = forecast_step([0.9, 1.2], 0, mass_ratio=False)
    assert (common.scale, common.notes) == ("ln", ("often-above-one",))
    assert common.at_least(0.1) > 1
    assert forecast_step([0.9, 1.2], 0, mass_ratio=True).notes == ()


def test_runs_of_one_lot_say_less_of_the_next_lot() -> None:
    yields = [0.62, 0.55, 0.70, 0.66]
    same = forecast_step(yields, 0, mass_ratio=False, runs_per_lot=4)
    other = forecast_step(yields, 0, mass_ratio=False, runs_per_lot=4, new_lot=True)
    assert same == forecast_step(yields, 0, mass_ratio=False)
    assert other.effective_runs == pytest.approx(4 / 2.5)
    assert other.dof == pytest.approx(3 + 1.6 - 1)
    points = np.log(np.array(yields) / (1 - np.array(yields)))
    squares = points.var() * 4 * 0.6 / 3
    assert other.spread_low == pytest.approx(math.sqrt((3 * 0.36 + squares) / 3.6))
    assert other.at_least(0.9) < same.at_least(0.9)
    assert "shared-lot" in other.notes
    assert forecast_step([0.6], 0, mass_ratio=False, runs_per_lot=1, new_lot=True).effective_runs == 1


def test_a_batch_beyond_the_record_is_less_certain() -> None:
    plain = forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False)
    beyond = forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, ln_batch_beyond=math.log(10))
    assert beyond.beyond_variance == pytest.approx((0.2 * math.log(10)) ** 2)
    assert beyond.at_least(0.9) < plain.at_least(0.9)
    assert beyond.notes == ("beyond-largest-batch",)


@pytest.mark.parametrize(
    "wrong",
    [
        {"yields": [math.nan]},
        {"yields": [-0.1]},
        {"failures": -1},
        {"other_runs": 1, "other_failures": 2},
        {"runs_per_lot": 0.5},
        {"ln_batch_beyond": -1.0},
        {"pi0": 1.0},
        {"yields": [], "opinion": (0.6, 0.5, 0.7)},
        {"yields": [], "opinion": (0.0, 0.5, 0.7)},
    ],
)
def test_values_out_of_range_are_refused(wrong: dict[str, object]) -> None:
    given: dict[str, object] = {"yields": [0.6], "failures": 0, "mass_ratio": False} | wrong
    with pytest.raises(ValueError, match="received"):
        forecast_step(**given)  # type: ignore[arg-type]


@pytest.mark.parametrize("probability", [0.0, 1.0, math.nan])
def test_certainty_is_refused(probability: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        forecast_step([0.6], 0, mass_ratio=False).at_least(probability)


def test_a_default_prior_widens_and_never_narrows() -> None:
    # logit 0.2, 0.5, 0.9: own standard deviation 1.80, against the default of 0.60 with three degrees of freedom.
    yields = [0.2, 0.5, 0.9]
    own = float(np.std(np.log(np.array(yields) / (1 - np.array(yields))), ddof=1))
    alone = forecast_step(yields, 0, mass_ratio=False)
    assert alone.spread_low == pytest.approx(own)
    assert alone.dof == 5
    lent = forecast_step(yields, 0, mass_ratio=False, prior=SpreadPrior(nu0=4.0, s0=0.5))
    assert lent.spread_low == pytest.approx(math.sqrt((4 * 0.25 + 2 * own**2) / 6))
    assert forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False).spread_low == pytest.approx(0.5079, abs=5e-5)
