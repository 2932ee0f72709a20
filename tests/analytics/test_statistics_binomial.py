"""Exact binomial intervals against scipy's own."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from service.analytics.statistics.binomial import binomial_interval


@given(st.integers(1, 400), st.floats(0, 1), st.floats(0.5, 0.999))
def test_the_exact_interval_is_that_of_scipy(trials: int, share: float, confidence: float) -> None:
    held = round(share * trials)
    wanted = stats.binomtest(held, trials).proportion_ci(confidence, "exact")
    assert binomial_interval(held, trials, confidence) == pytest.approx((wanted.low, wanted.high), abs=1e-9)


def test_what_makes_no_sense_is_refused() -> None:
    for held, trials in ((0, 0), (2, 1), (-1, 3)):
        with pytest.raises(ValueError, match="at least one trial"):
            binomial_interval(held, trials)
    with pytest.raises(ValueError, match="confidence"):
        binomial_interval(1, 2, 1.0)
