"""The ratio of totals and its interval."""

from __future__ import annotations

import math

import pytest

from service.analytics.statistics.ratio import ratio_of_totals


def test_worked_example_to_the_digits_it_prints() -> None:
    # Worked by hand: d = 12 − 30r, 11.5 − 22r, 13, 12.2 − 27r with r = 48.7/79; t of 3 degrees at 0.95 is 2.3534
    # (tables print 2.353, from memory).
    found = ratio_of_totals([12, 11.5, 13, 12.2], [30, 22, 0, 27])
    assert found.ratio == pytest.approx(48.7 / 79, rel=1e-14)
    assert found.se == pytest.approx(0.22415, abs=5e-6)
    assert found.low == pytest.approx(0.2620, abs=5e-5)
    assert found.high == pytest.approx(1.4505, abs=5e-5)


def test_a_failed_run_stays_in_as_zero() -> None:
    with_failure = ratio_of_totals([8.0, 7.0, 0.0], [10.0, 10.0, 10.0])
    without = ratio_of_totals([8.0, 7.0], [10.0, 10.0])
    assert (with_failure.ratio, without.ratio) == (pytest.approx(0.5), pytest.approx(0.75))
    assert with_failure.se is not None
    assert without.se is not None
    assert with_failure.se > without.se


def test_a_wider_confidence_has_wider_limits() -> None:
    narrow = ratio_of_totals([6.0, 7.0, 8.0], [10.0, 10.0, 10.0], 0.80)
    wide = ratio_of_totals([6.0, 7.0, 8.0], [10.0, 10.0, 10.0], 0.95)
    assert wide.low is not None
    assert narrow.low is not None
    assert wide.low < narrow.low


@pytest.mark.parametrize(
    ("contained_g", "theoretical_g", "missing", "reason"),
    [
        ([], [], {"ratio", "se", "low", "high"}, "no runs"),
        ([1.0, 2.0], [0.0, 0.0], {"ratio", "se", "low", "high"}, "nothing to divide by"),
        ([6.0], [10.0], {"se", "low", "high"}, "one run"),
        ([6.0, 7.0], [10.0, 10.0], {"low", "high"}, "two runs carry no interval"),
        ([0.0, 0.0, 0.0], [10.0, 10.0, 10.0], {"low", "high"}, "every total is zero"),
    ],
)
def test_what_the_runs_cannot_carry_has_a_reason(
    contained_g: list[float], theoretical_g: list[float], missing: set[str], reason: str
) -> None:
    found = ratio_of_totals(contained_g, theoretical_g)
    assert {name for name in ("ratio", "se", "low", "high") if getattr(found, name) is None} == missing
    assert found.reasons == dict.fromkeys(missing, reason)


def test_an_interval_without_end_is_no_interval() -> None:
    found = ratio_of_totals([9.0, 0.0, 0.0], [10.0, 10.0, 10.0], 0.999999)
    assert (found.low, found.high) == (None, None)
    assert found.reasons["high"] == "too wide to state"


@pytest.mark.parametrize(
    ("contained_g", "theoretical_g", "confidence"),
    [([1.0], [1.0, 2.0], 0.9), ([-1.0], [1.0], 0.9), ([1.0], [math.nan], 0.9), ([1.0], [1.0], 1.0)],
)
def test_wrong_amounts_are_refused(contained_g: list[float], theoretical_g: list[float], confidence: float) -> None:
    with pytest.raises(ValueError, match=r"received|finite"):
        ratio_of_totals(contained_g, theoretical_g, confidence)
