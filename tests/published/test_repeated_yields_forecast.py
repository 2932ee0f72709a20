"""The record of past forecasts over published repeated yields: real runs, in the order in which they are printed.

Dyestuff: 6 batches of 5 preparations, grams of standard colour (Davies and Goldsmith, Statistical Methods in Research
and Production, 4th ed. 1972, 6.4). No theoretical amount is printed: the yields are taken as a ratio of masses, whose
forecast has no natural size, over 1,600 g. Gasoline: fractions of crude oil at several end points (Prater, Petroleum
Refiner 1956, 35(5), 236); the end point varies within a crude, so that its runs are not repeats of one step, and its
inputs are checked as data only. What is asserted is what any forecast owes: bounds that hold as often as was asked.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from service.analytics.forecast.kept import promises_kept
from service.analytics.forecast.record import PastRuns, past_forecasts
from tests.published.records import all_records

RECORDS = {record["id"]: record for record in all_records("repeated_yields")}
FULL_G = 1600.0


def runs_of(groups: dict[str, list[float]], *, mass_ratio: bool, one_step: bool) -> PastRuns:
    """Each group as a step of its own, or all as one step whose groups are lots of key input; a run a day."""
    yields = np.array([value for group in groups.values() for value in group])
    number = np.repeat(np.arange(len(groups)), [len(group) for group in groups.values()])
    steps = 1 if one_step else len(groups)
    return PastRuns(
        step=np.zeros_like(number) if one_step else number,
        day=np.arange(len(yields)),
        yields=yields,
        batch_g=np.full(len(yields), np.nan),
        lot=number if one_step else np.full(len(yields), -1),
        mass_ratio=np.full(steps, mass_ratio),
    )


def dyestuff() -> dict[str, list[float]]:
    groups = RECORDS["DS-DYESTUFF"]["inputs"]["data"]
    return {name: [gram / FULL_G for gram in grams] for name, grams in groups.items()}


@pytest.mark.parametrize("one_step", [True, False], ids=["batches are lots", "batches are steps"])
def test_bounds_of_real_preparations_hold_as_often_as_was_asked(one_step: bool) -> None:
    runs = runs_of(dyestuff(), mass_ratio=True, one_step=one_step)
    past = past_forecasts(runs)
    found = promises_kept(past, runs.step, len(runs.mass_ratio))
    assert found.overall.forecasts == (29 if one_step else 24)
    assert set(found.factors) == {1.0}
    for kept in found.overall.kept:
        bounds = past.at_least(kept.asked / 100)[past.runs_before > 0]
        given = runs.yields[past.runs_before > 0]
        assert kept.held == int((given >= bounds)[bounds > 0].sum())
        # So few held would have a chance of under 1 % if the bounds kept their promise.
        assert stats.binom.cdf(kept.held, kept.bounded, kept.asked / 100) > 0.01


def test_the_last_preparation_by_hand() -> None:
    # Thirty preparations in one step; the last is forecast from 29 of six batches, itself of a batch already begun.
    groups = dyestuff()
    runs = runs_of(groups, mass_ratio=True, one_step=True)
    x = np.log(runs.yields[:-1])
    squares, nu = float(((x - x.mean()) ** 2).sum()), 3 + 28
    s2 = (3 * 0.35**2 + squares) / nu  # above the runs' own variance, which the default does not narrow
    assert s2 > squares / 28
    failing = 0.5 / (29 + 10)
    q = 1 - 0.9 / (1 - failing)
    wanted = math.exp(x.mean() + math.sqrt(s2 * (1 + 1 / 29)) * stats.t.ppf(q, nu))
    assert past_forecasts(runs).at_least(0.9)[-1] == pytest.approx(wanted, rel=1e-9)


def test_tidy_steps_lend_each_other_their_spread() -> None:
    # Six steps of five runs within 3 % of their means. The first has nothing lent: its last bound rests on the default,
    # 0.35 in ln. By the sixth, four steps and more have shown spreads of 0.02 to 0.04, which are lent as 0.15 at least.
    runs = runs_of(dyestuff(), mass_ratio=True, one_step=False)
    past = past_forecasts(runs)
    last_of_each = np.flatnonzero(np.append(np.diff(runs.step) > 0, True))
    first, *_, sixth = past.spread[last_of_each]
    assert first > 0.2
    assert 0.1 < sixth <= 0.15
    bounds, given = past.at_least(0.9)[last_of_each], runs.yields[last_of_each]
    assert bounds[-1] / given[-1] > bounds[0] / given[0]
    assert (bounds < given).all()


def test_the_gasoline_data_are_those_that_were_printed() -> None:
    record = RECORDS["DS-GASOLINE-YIELD"]
    values = np.array([value for group in record["inputs"]["data"].values() for value in group])
    assert len(values) == record["expected"]["n"]
    assert values.mean() == pytest.approx(record["expected"]["mean"], abs=1e-6)
    assert values.std(ddof=1) == pytest.approx(record["expected"]["sd"], abs=1e-6)


def test_a_trend_within_a_step_is_told_by_its_record() -> None:
    # Printed by rising end point, each crude's yields climb: lower bounds hold in every case, being always passed.
    groups = RECORDS["DS-GASOLINE-YIELD"]["inputs"]["data"]
    runs = runs_of(groups, mass_ratio=False, one_step=False)
    found = promises_kept(past_forecasts(runs), runs.step, len(groups))
    assert found.overall.forecasts == 22
    assert [kept.held for kept in found.overall.kept] == [kept.bounded for kept in found.overall.kept]
    # Turned round, they fall, and fewer are reached than were asked: so few of 22 by a chance of under 1 %.
    falling = runs_of({name: group[::-1] for name, group in groups.items()}, mass_ratio=False, one_step=False)
    at_80 = promises_kept(past_forecasts(falling), falling.step, len(groups)).overall.kept[0]
    assert stats.binom.cdf(at_80.held, at_80.bounded, 0.8) < 0.01
