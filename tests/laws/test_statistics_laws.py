"""What holds for every set of runs: order, scale, and agreement with a second road."""

from __future__ import annotations

import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.analytics.statistics.describe import describe
from service.analytics.statistics.ratio import ratio_of_totals

YIELDS = st.lists(st.floats(0.001, 1.5), min_size=2, max_size=40)
RUNS = st.lists(st.tuples(st.floats(0, 90), st.floats(1, 100)), min_size=3, max_size=20)
FACTORS = st.floats(1e-3, 1e3)


@given(YIELDS)
def test_figures_stand_in_order(yields: list[float]) -> None:
    found = describe(yields)
    ordered = [found.minimum, found.q1, found.median, found.q3, found.maximum]
    assert ordered == sorted(value for value in ordered if value is not None)
    assert found.minimum <= found.mean <= found.maximum  # type: ignore[operator]
    assert found.sd >= 0  # type: ignore[operator]


@given(YIELDS)
def test_agrees_with_exact_fractions_and_with_numpy(yields: list[float]) -> None:
    found = describe(yields)
    assert found.mean == pytest.approx(statistics.fmean(yields), rel=1e-13)
    assert found.sd == pytest.approx(statistics.stdev(yields), rel=1e-9, abs=1e-15)
    assert (found.q1, found.median, found.q3) == pytest.approx(tuple(np.quantile(yields, [0.25, 0.5, 0.75])), rel=1e-13)


@given(YIELDS, st.randoms(use_true_random=False))
def test_order_of_runs_does_not_matter(yields: list[float], shuffler: object) -> None:
    shuffled = list(yields)
    shuffler.shuffle(shuffled)  # type: ignore[attr-defined]
    assert describe(shuffled) == describe(yields)


@given(YIELDS, FACTORS)
def test_figures_scale_with_the_unit(yields: list[float], factor: float) -> None:
    plain, scaled = describe(yields), describe([factor * value for value in yields])
    assert scaled.mean == pytest.approx(factor * plain.mean, rel=1e-12)  # type: ignore[operator]
    assert scaled.sd == pytest.approx(factor * plain.sd, rel=1e-6, abs=1e-12 * factor)  # type: ignore[operator]


@given(RUNS, FACTORS)
def test_a_ratio_scales_and_lies_within_its_limits(runs: list[tuple[float, float]], factor: float) -> None:
    contained_g, theoretical_g = zip(*runs, strict=True)
    found = ratio_of_totals(contained_g, theoretical_g)
    scaled = ratio_of_totals(np.multiply(contained_g, factor), np.multiply(theoretical_g, factor))
    assert scaled.ratio == pytest.approx(found.ratio, rel=1e-12)
    assert scaled.se == pytest.approx(found.se, rel=1e-6, abs=1e-12)
    if found.low is not None and found.high is not None and found.ratio is not None:
        assert 0 < found.low <= found.ratio <= found.high
        assert found.low * found.high == pytest.approx(found.ratio**2, rel=1e-9)
    else:
        assert found.reasons


@given(st.lists(st.floats(0, 1), min_size=3, max_size=20), st.floats(1, 100))
def test_equal_batches_give_the_mean_yield_and_its_standard_error(yields: list[float], theoretical_g: float) -> None:
    found = ratio_of_totals(np.multiply(yields, theoretical_g), [theoretical_g] * len(yields))
    described = describe(yields)
    assert found.ratio == pytest.approx(described.mean, rel=1e-12, abs=1e-300)
    assert found.se == pytest.approx(described.sd / len(yields) ** 0.5, rel=1e-6, abs=1e-12)  # type: ignore[operator]
