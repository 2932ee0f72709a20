"""Grubbs' test, slopes, and the correction for many questions, against scipy.stats and statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from service.analytics.statistics.outliers import grubbs
from service.analytics.statistics.slopes import corrected, slope_of


@pytest.mark.parametrize("n", [3, 8, 40])
def test_grubbs_calls_one_in_twenty_an_outlier_where_there_is_none(n: int) -> None:
    source = np.random.default_rng(n)
    told = np.mean([grubbs(source.normal(size=n)).outlying for _ in range(1500)])
    assert told == pytest.approx(0.05, abs=0.017)


def test_p_and_critical_value_agree() -> None:
    source = np.random.default_rng(5)
    for _ in range(200):
        found = grubbs(source.standard_t(3, size=12))
        assert found.p is not None
        assert found.outlying == (found.p < 0.05)


@pytest.mark.parametrize(
    ("values", "reason"), [([0.5, 0.6], "fewer than three runs"), ([0.5] * 6, "all runs are alike")]
)
def test_what_cannot_be_tested_says_why(values: list[float], reason: str) -> None:
    found = grubbs(values)
    assert (found.g, found.critical, found.p, found.outlying) == (None, None, None, False)
    assert set(found.reasons.values()) == {reason}


def test_slope_agrees_with_scipy() -> None:
    source = np.random.default_rng(2)
    x = source.normal(size=30)
    y = 0.3 * x + source.normal(size=30)
    found, other = slope_of(x, y, 0.90), stats.linregress(x, y)
    assert found.slope == pytest.approx(other.slope, rel=1e-12)
    assert found.se == pytest.approx(other.stderr, rel=1e-12)
    assert found.p == pytest.approx(other.pvalue, rel=1e-9)
    reach = stats.t.ppf(0.95, 28) * other.stderr
    assert (found.low, found.high) == (pytest.approx(other.slope - reach), pytest.approx(other.slope + reach))


def test_a_slope_through_nothing_says_why() -> None:
    assert slope_of([1.0, 2.0], [1.0, 2.0]).reasons["p"] == "fewer than three runs"
    assert slope_of([3.0] * 5, [1.0, 2.0, 3.0, 4.0, 5.0]).reasons["slope"] == "all runs are at one place"
    exact = slope_of([0.0, 1.0, 2.0], [0.0, 2.0, 4.0])
    assert exact.p == pytest.approx(0.0, abs=1e-6)
    assert slope_of([0.0, 1.0, 2.0], [4.0, 4.0, 4.0]).p == 1.0


@pytest.mark.filterwarnings("ignore")
def test_holm_agrees_with_statsmodels() -> None:
    from statsmodels.stats.multitest import multipletests

    p = np.random.default_rng(4).random(9) ** 3
    assert corrected(p.tolist()) == pytest.approx(multipletests(p, method="holm")[1].tolist(), rel=1e-12)
    assert corrected([None, 0.02]) == [None, 0.02]
    assert corrected([]) == []
