"""What holds for every forecast: order in what is asked, in failures, in scale, and in the number of batches."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.analytics.forecast.draws import step_draws
from service.analytics.forecast.next_run import forecast_step
from service.analytics.forecast.spread import off_scale, onto_scale, shared_prior
from service.analytics.planning.chain import p_max, reach_probability, starting_amount

YIELDS = st.lists(st.floats(0.01, 0.97), min_size=0, max_size=12)
SOME_YIELDS = st.lists(st.floats(0.01, 0.97), min_size=1, max_size=12)
ASKED = st.floats(0.01, 0.99)
FAILURES = st.integers(0, 10)
PRODUCTS = st.lists(st.one_of(st.just(0.0), st.floats(1e-4, 2.0)), min_size=1, max_size=200).map(np.array)


@given(YIELDS, FAILURES, ASKED, ASKED)
def test_asking_for_more_certainty_never_raises_the_bound(
    yields: list[float], failures: int, asked: float, more: float
) -> None:
    forecast = forecast_step(yields, failures, mass_ratio=False)
    low, high = sorted((asked, more))
    assert 0 <= forecast.at_least(high) <= forecast.at_least(low) <= 1


@given(YIELDS, FAILURES, ASKED)
def test_another_failure_never_raises_the_bound(yields: list[float], failures: int, asked: float) -> None:
    before = forecast_step(yields, failures, mass_ratio=False)
    after = forecast_step(yields, failures + 1, mass_ratio=False)
    assert after.at_least(asked) <= before.at_least(asked)
    assert after.mean_failure > before.mean_failure


@given(SOME_YIELDS, ASKED, st.randoms(use_true_random=False))
def test_order_of_runs_does_not_matter(yields: list[float], asked: float, shuffler: object) -> None:
    shuffled = list(yields)
    shuffler.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = (forecast_step(values, 0, mass_ratio=False).at_least(asked) for values in (yields, shuffled))
    assert one == pytest.approx(other, rel=1e-9)


@given(SOME_YIELDS, ASKED, st.floats(0.1, 50))
def test_a_mass_ratio_scales_with_its_unit(yields: list[float], asked: float, factor: float) -> None:
    plain = forecast_step(yields, 0, mass_ratio=True).at_least(asked)
    scaled = forecast_step([factor * value for value in yields], 0, mass_ratio=True).at_least(asked)
    assert scaled == pytest.approx(factor * plain, rel=1e-9)


@given(SOME_YIELDS, st.floats(1, 12))
def test_runs_of_shared_lots_count_for_less(yields: list[float], runs_per_lot: float) -> None:
    forecast = forecast_step(yields, 0, mass_ratio=False, runs_per_lot=runs_per_lot, new_lot=True)
    assert 1 <= forecast.effective_runs <= len(yields)
    assert forecast.dof >= 3


@given(st.floats(0.0005, 0.98))
def test_the_scales_lead_back(value: float) -> None:
    assert float(off_scale(onto_scale(value, "logit"), "logit")) == pytest.approx(value, rel=1e-12)
    assert float(off_scale(onto_scale(value, "ln"), "ln")) == pytest.approx(value, rel=1e-12)


@given(st.lists(st.tuples(st.floats(0, 50), st.integers(0, 20)), max_size=15), st.sampled_from(["logit", "ln"]))
def test_a_shared_prior_stays_in_its_range(groups: list[tuple[float, int]], scale: str) -> None:
    prior = shared_prior(groups, scale)  # type: ignore[arg-type]
    assert 2 <= prior.nu0 <= 20
    assert 0.15 <= prior.s0 <= 1.2


@given(YIELDS, FAILURES, st.integers(0, 2**32), st.integers(1, 12))
def test_one_more_batch_takes_no_product_away(yields: list[float], failures: int, seed: int, batches: int) -> None:
    draws = step_draws(forecast_step(yields, failures, mass_ratio=False), seed, 256)
    fewer, more = batches * draws.success(batches), (batches + 1) * draws.success(batches + 1)
    assert (more >= fewer * (1 - 1e-12)).all()


@given(YIELDS, st.integers(0, 2**32), st.integers(1, 6))
def test_the_same_question_has_the_same_answer(yields: list[float], seed: int, batches: int) -> None:
    forecast = forecast_step(yields, 1, mass_ratio=False)
    assert (step_draws(forecast, seed, 64).success(batches) == step_draws(forecast, seed, 64).success(batches)).all()


@given(PRODUCTS, st.floats(0.1, 1000), ASKED)
def test_a_starting_amount_reaches_and_is_the_least(
    product: np.ndarray[tuple[int], np.dtype[np.float64]], target_g: float, confidence: float
) -> None:
    amount_g = starting_amount(product, target_g, confidence)
    if amount_g is None:
        assert float(np.mean(product > 0)) < confidence
        return
    assert reach_probability(product, amount_g, target_g)[0] >= confidence - 1e-9
    assert reach_probability(product, amount_g * (1 - 1e-6), target_g)[0] < confidence
    assert starting_amount(product, 2 * target_g, confidence) == pytest.approx(2 * amount_g)


@given(st.lists(st.tuples(st.floats(0, 20), st.floats(1, 50), st.integers(1, 20)), max_size=8), st.data())
def test_a_spare_batch_never_lowers_the_ceiling(steps: list[tuple[float, float, int]], data: st.DataObject) -> None:
    before = p_max(steps)
    assert 0 <= before <= 1
    if steps:
        place = data.draw(st.integers(0, len(steps) - 1))
        a, b, batches = steps[place]
        assert p_max([*steps[:place], (a, b, batches + 1), *steps[place + 1 :]]) >= before
