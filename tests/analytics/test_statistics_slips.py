"""The odds of slips: what they find, what they leave in peace, and that one slip does not hide the next."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from service.analytics.statistics.slips import (
    ANY_RUN,
    ASKS_ABOVE,
    GRAMS_PER_OUNCE,
    TARE_FACTORS,
    WINDOW,
    cannot_ask,
    slip_of,
    slips_of,
)

BEFORE = [0.62, 0.55, 0.70, 0.61]
yields_before = st.lists(st.floats(0.01, 1.2), min_size=1, max_size=12)


def test_odds_are_those_of_student_s_t() -> None:
    logs = np.log(BEFORE)
    nu = 3 + 4 - 1
    s = math.sqrt((3 * 0.35**2 + ((logs - logs.mean()) ** 2).sum()) / nu * (1 + 1 / 4))
    density = lambda shift: stats.t.pdf((math.log(6.1) - shift - logs.mean()) / s, nu)
    expected = [
        0.02 / len(ANY_RUN) * np.mean([density(math.log(each)) for each in factors]) / (0.98 * density(0.0))
        for factors in ANY_RUN.values()
    ]
    found = slip_of(BEFORE, 6.1)
    assert found.by_kind[0] == pytest.approx(expected, rel=1e-9)
    assert found.odds[0] == pytest.approx(sum(expected), rel=1e-12)
    assert found.typical[0] == pytest.approx(stats.gmean(BEFORE))


@pytest.mark.parametrize(
    ("factor", "kind"),
    [
        (1000.0, "times-1000"),
        (0.001, "over-1000"),
        (10.0, "times-10"),
        (0.1, "over-10"),
        (1 / GRAMS_PER_OUNCE, "ounces"),
        (453.59237, "pounds"),
    ],
)
def test_a_planted_factor_is_found_and_named(factor: float, kind: str) -> None:
    found = slip_of(BEFORE * 2, 0.6 * factor)
    assert found.asks()[0]
    assert found.likeliest(0) == kind


def test_an_ordinary_run_is_left_in_peace() -> None:
    assert not slip_of(BEFORE, 0.45).asks()[0]
    assert not slip_of(BEFORE[:1], 0.3).asks()[0]


def test_an_unknown_tare_is_found_only_where_one_may_be_left_in() -> None:
    factors = {**ANY_RUN, "tare": TARE_FACTORS}
    found = slip_of(BEFORE * 3, 0.6 * 5.0, factors)
    assert found.asks()[0]
    assert found.likeliest(0) == "tare"
    without = slip_of(BEFORE * 3, 0.6 * 5.0, {**ANY_RUN, "tare": [math.nan]})
    assert without.by_kind[0, -1] == 0.0
    # A kind that a run cannot have takes no part of the prior.
    assert without.by_kind[0, :-1] == pytest.approx(slip_of(BEFORE * 3, 0.6 * 5.0).by_kind[0])


def test_one_slip_does_not_hide_the_next() -> None:
    found = slip_of([*BEFORE, 600.0, 0.58, 0.66], 640.0)
    assert found.asks()[0]
    assert found.compared[0] == 6


def test_a_step_that_really_changed_is_the_new_measure_once_most_runs_agree() -> None:
    changed = [0.061, 0.055, 0.070, 0.066, 0.052, 0.063, 0.059]
    found = slips_of([*BEFORE, *changed])
    assert found.asks()[5:7].any()
    assert not found.asks()[-1]


def test_only_the_newest_runs_are_compared_with() -> None:
    source = np.random.default_rng(1)
    old, new = 0.02 * np.exp(0.1 * source.normal(size=30)), 0.6 * np.exp(0.1 * source.normal(size=WINDOW))
    found = slip_of([*old, *new], 0.6)
    assert found.compared[0] == WINDOW
    assert found.typical[0] == pytest.approx(0.6, rel=0.1)


def test_all_runs_at_once_say_what_each_alone_says() -> None:
    source = np.random.default_rng(9)
    yields = 0.5 * np.exp(0.3 * source.normal(size=130))
    yields[[20, 50, 51, 90]] *= [1000.0, 0.1, 10.0, 28.35]
    yields[[7, 60]] = [0.0, math.nan]
    found = slips_of(yields)
    usable = np.isfinite(yields) & (yields > 0)
    for place in range(130):
        before = yields[:place][usable[:place]]
        if not usable[place] or not before.size:
            assert math.isnan(found.odds[place])
            continue
        alone = slip_of(before, yields[place])
        assert found.odds[place] == pytest.approx(alone.odds[0], rel=1e-9)
        assert found.by_kind[place] == pytest.approx(alone.by_kind[0], rel=1e-9)
        assert found.compared[place] == alone.compared[0]
    assert found.asks()[[20, 50, 51, 90]].all()
    assert found.asks().sum() == 4


def test_factors_of_each_run_are_its_own() -> None:
    yields = [*BEFORE, 0.6 / 1.8, 0.6 / 1.8]
    mine = np.array([[math.nan]] * 4 + [[1 / 1.8], [math.nan]])
    found = slips_of(yields, {**ANY_RUN, "hydrate": mine})
    assert found.by_kind[4, -1] > 0.0
    assert found.by_kind[5, -1] == 0.0


@given(yields_before, st.floats(1e-4, 100.0))
def test_what_is_passed_over_early_could_not_have_asked(before: list[float], observed: float) -> None:
    if cannot_ask(before, observed):
        assert slip_of(before, observed, {**ANY_RUN, "tare": TARE_FACTORS}).odds[0] <= ASKS_ABOVE + 1e-9


@given(yields_before, st.floats(1e-3, 10.0), st.floats(0.2, 5.0))
def test_odds_do_not_know_the_unit(before: list[float], observed: float, unit: float) -> None:
    one = slip_of(before, observed)
    other = slip_of([unit * each for each in before], unit * observed)
    assert other.odds[0] == pytest.approx(one.odds[0], rel=1e-6)


def test_a_yield_of_nothing_is_compared_with_nothing() -> None:
    with pytest.raises(ValueError, match="above 0"):
        slip_of(BEFORE, 0.0)
    assert math.isnan(slips_of([0.5, 0.0, 0.5]).odds[1])
    assert math.isnan(slip_of([], 0.5).odds[0])
