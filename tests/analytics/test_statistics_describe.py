"""The description of a step's runs: what few runs cannot carry, and figures worked out by hand."""

from __future__ import annotations

import math
import subprocess
import sys

import pytest

from service.analytics.statistics.describe import describe


def test_no_runs_have_no_figures() -> None:
    described = describe([])
    assert described.counted == 0
    figures = ("mean", "sd", "median", "q1", "q3", "minimum", "maximum")
    assert [getattr(described, name) for name in figures] == [None] * 7
    assert described.reasons == dict.fromkeys(figures, "no runs")


def test_one_run_has_a_mean_and_no_standard_deviation() -> None:
    described = describe([0.62])
    assert (described.mean, described.median, described.q1, described.q3) == (0.62, 0.62, 0.62, 0.62)
    assert described.sd is None
    assert described.reasons == {"sd": "one run"}


def test_two_runs_by_hand() -> None:
    described = describe([0.5, 0.7])
    assert described.sd == pytest.approx(0.2 / math.sqrt(2), rel=1e-14)
    assert (described.q1, described.q3) == (pytest.approx(0.55), pytest.approx(0.65))
    assert described.reasons == {}


def test_quartiles_are_of_type_7() -> None:
    # Positions (n − 1)p from 0, here 0.75 and 2.25; type 6 would give 0.125 and 0.375 (Hyndman and Fan 1996).
    described = describe([0.1, 0.2, 0.3, 0.4])
    assert (described.q1, described.q3) == (pytest.approx(0.175), pytest.approx(0.325))


@pytest.mark.parametrize("wrong", [[0.5, math.nan], [math.inf], [[0.5, 0.6]]])
def test_what_is_no_list_of_numbers_is_refused(wrong: list[float]) -> None:
    with pytest.raises(ValueError, match="finite"):
        describe(wrong)


def test_importing_analytics_leaves_scipy_out() -> None:
    modules = ["statistics.describe", "statistics.ratio", "forecast.spread", "forecast.next_run", "forecast.draws"]
    lines = [f"import service.analytics.{module}" for module in [*modules, "planning.chain"]]
    check = "assert not [name for name in sys.modules if name.startswith('scipy')]"
    subprocess.run([sys.executable, "-c", "\n".join(["import sys", *lines, check])], check=True)
