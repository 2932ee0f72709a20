"""Control chart, Grubbs' test, slope and variance components against what their sources print."""

from __future__ import annotations

from itertools import chain
from typing import Any

import numpy as np
import pytest

from service.analytics.statistics.control_chart import control_chart
from service.analytics.statistics.outliers import grubbs
from service.analytics.statistics.random_effects import RandomEffects, random_effects
from service.analytics.statistics.slopes import slope_of
from tests.published.records import all_records, half_digit, retrieved

NIST = retrieved("nist_stats")
YIELDS = {record["id"]: record for record in all_records("repeated_yields")}


def fitted(name: str) -> tuple[dict[str, Any], RandomEffects]:
    data = YIELDS[name]["inputs"]["data"]
    values = list(chain.from_iterable(data.values()))
    group = np.repeat(np.arange(len(data)), [len(each) for each in data.values()])
    return YIELDS[name]["expected"], random_effects(values, group)


def test_individuals_chart_of_the_handbook() -> None:
    record = NIST["EHB-6.3.2.2-IMR"]
    chart = control_chart(record["inputs"]["x"])
    printed = record["expected"]
    assert chart.centre == pytest.approx(printed["center"], abs=half_digit(printed["center"]))
    assert chart.mean_moving_range == pytest.approx(printed["mean_moving_range"], abs=5e-5)
    assert chart.upper == pytest.approx(printed["UCL_X"], abs=5.1e-5)
    assert chart.lower == pytest.approx(printed["LCL_X"], abs=5.1e-5)
    # "The process is in control, since none of the plotted points fall outside either the UCL or LCL."
    assert not chart.beyond.any()


def test_grubbs_of_the_handbook() -> None:
    record = NIST["EHB-1.3.5.17.1-GRUBBS"]
    x, printed = record["inputs"]["x"], record["expected"]
    found = grubbs(x, alpha=2 * record["inputs"]["alpha"])  # printed one-sided, which is two-sided at twice the level
    assert found.place is not None
    assert x[found.place] == printed["outlier"]
    assert found.g == pytest.approx(printed["G"], abs=1e-4)
    assert found.critical == pytest.approx(printed["critical_one_sided"], abs=5e-4)
    assert found.outlying


def test_certified_slope_of_norris() -> None:
    record = NIST["STRD-Norris"]
    found = slope_of(record["inputs"]["x"], record["inputs"]["y"])
    assert found.runs == record["inputs"]["n"]
    assert found.slope == pytest.approx(record["expected"]["slope"], rel=1e-13)
    assert found.intercept == pytest.approx(record["expected"]["intercept"], rel=1e-11)
    assert found.se == pytest.approx(record["expected"]["slope_sd"], rel=1e-11)


def test_published_variances_of_dyestuff() -> None:
    expected, found = fitted("DS-DYESTUFF")
    printed = expected["REML"]
    assert found.between == pytest.approx(printed["batch_variance"], abs=0.5)
    assert found.within == pytest.approx(printed["residual_variance"], abs=0.5)
    assert found.mean == pytest.approx(printed["intercept"], abs=0.05)
    assert found.mean_se == pytest.approx(printed["se"], abs=0.005)
    assert found.criterion == pytest.approx(printed["criterion"], abs=0.05)


def test_made_data_without_a_difference_between_batches() -> None:
    expected, found = fitted("DS-DYESTUFF2")
    assert found.between == expected["ML"]["batch_variance"] == 0.0
    values = list(chain.from_iterable(YIELDS["DS-DYESTUFF2"]["inputs"]["data"].values()))
    assert found.within == pytest.approx(np.var(values, ddof=1), rel=1e-12)
    assert found.effects is not None
    assert not found.effects.any()
    # None found is not none there: batches may still differ by something.
    assert found.low is not None
    assert found.high is not None
    assert (found.low < -0.5).all()
    assert (found.high > 0.5).all()
