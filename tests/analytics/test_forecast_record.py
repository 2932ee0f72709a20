"""The record of past forecasts: the same as asking for each run's forecast anew, and how often the bounds held."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from service.analytics.forecast.kept import FACTORS, LEAST_FORECASTS, promises_kept
from service.analytics.forecast.next_run import forecast_step
from service.analytics.forecast.record import PastRuns, past_forecasts
from service.analytics.forecast.spread import default_prior, scale_of, shared_prior, spread_of

ASKED = (0.80, 0.90, 0.95)


def book(seed: int, runs: int, steps: int, days: int) -> PastRuns:
    """Runs of every kind: failures, wet yields, mass ratios, shared lots, batches of many sizes, busy days."""
    rng = np.random.default_rng(seed)
    step = rng.integers(0, steps, runs)
    mass_ratio = rng.random(steps) < 0.2
    level, spread = rng.normal(0.4, 1.0, steps), rng.choice([0.0, 0.2, 0.6, 1.2], steps)
    points = level[step] + spread[step] * rng.standard_normal(runs)
    yields = np.where(mass_ratio[step], np.exp(points), 1 / (1 + np.exp(-points)))
    yields = np.where(rng.random(runs) < np.where(step == 1, 0.3, 0.02), 1.07 * (1 + rng.random(runs) / 9), yields)
    yields[rng.random(runs) < 0.1] = np.nan
    yields[rng.random(runs) < 0.02] = 0.0
    batch_g = np.where(rng.random(runs) < 0.1, np.nan, rng.lognormal(3, 0.8, runs))
    lot = np.where(rng.random(runs) < 0.2, -1, rng.integers(0, 8, runs))
    return PastRuns(step, rng.integers(700_000, 700_000 + days, runs), yields, batch_g, lot, mass_ratio)


def asked_anew(runs: PastRuns, place: int) -> tuple[int, list[float]]:
    """The bounds that the forecast itself gives for one run, from the runs of earlier days."""
    earlier = runs.day < runs.day[place]
    usable = earlier & ~np.isnan(runs.yields)
    own = runs.step == runs.step[place]
    mine = runs.yields[usable & own]
    mass_ratio = bool(runs.mass_ratio[runs.step[place]])
    if not len(mine):
        return 0, []
    scale = scale_of(mine, mass_ratio=mass_ratio)
    groups = []
    for step, by_ratio in enumerate(runs.mass_ratio):
        yields = runs.yields[usable & (runs.step == step)]
        if len(yields) and scale_of(yields, mass_ratio=bool(by_ratio)) == scale:
            groups.append(spread_of(yields, scale))
    lots = runs.lot[usable & own]
    lots = lots[lots >= 0]
    sizes = runs.batch_g[usable & own]
    sizes = sizes[np.isfinite(sizes)]
    largest = sizes.max() if len(sizes) else math.inf
    size = runs.batch_g[place]
    forecast = forecast_step(
        mine,
        int((earlier & own & np.isnan(runs.yields)).sum()),
        mass_ratio=mass_ratio,
        other_runs=int((earlier & ~own).sum()),
        other_failures=int((earlier & ~own & np.isnan(runs.yields)).sum()),
        prior=shared_prior(groups, scale) if groups else default_prior(scale),
        runs_per_lot=len(lots) / len(set(lots)) if len(lots) else 1.0,
        new_lot=runs.lot[place] >= 0 and runs.lot[place] not in lots,
        ln_batch_beyond=math.log(size / largest) if size > largest else 0.0,
    )
    return len(mine), [forecast.at_least(asked) for asked in ASKED]


@pytest.mark.parametrize(("seed", "steps", "days"), [(1, 1, 40), (2, 5, 60), (3, 9, 12), (4, 12, 400)])
def test_every_run_is_forecast_as_if_it_were_asked_for_on_the_day(seed: int, steps: int, days: int) -> None:
    runs = book(seed, 150, steps, days)
    found = past_forecasts(runs)
    bounds = [found.at_least(asked) for asked in ASKED]
    rank = found.rank()
    forecasts = 0
    for place in range(len(runs.step)):
        before, wanted = asked_anew(runs, place)
        assert found.runs_before[place] == before
        got = [float(each[place]) for each in bounds]
        if not before:
            assert np.isnan(got).all()
            continue
        forecasts += 1
        assert got == pytest.approx(wanted, rel=1e-9)
        for asked, bound in zip(ASKED, wanted, strict=True):
            assert found.bounded(asked)[place] == (bound > 0)
            reached = bound > 0 and runs.yields[place] >= bound
            assert found.reached(asked, rank)[place] == reached
    assert forecasts > 50


def test_a_later_run_changes_no_earlier_forecast() -> None:
    runs = book(5, 120, 6, 50)
    whole = past_forecasts(runs).at_least(0.9)
    until = runs.day <= 700_030
    part = PastRuns(*(getattr(runs, name)[until] for name in ("step", "day", "yields", "batch_g", "lot")),
                    mass_ratio=runs.mass_ratio)  # fmt: skip
    assert past_forecasts(part).at_least(0.9) == pytest.approx(whole[until], rel=1e-9, nan_ok=True)


def test_no_run_has_no_record() -> None:
    empty = book(6, 0, 3, 9)
    assert past_forecasts(empty).rank().shape == (0,)


def test_a_step_without_runs_changes_nothing() -> None:
    runs = book(7, 60, 3, 30)
    mass_ratio = np.zeros(7, dtype=bool)
    mass_ratio[1::2] = runs.mass_ratio
    among = PastRuns(runs.step * 2 + 1, runs.day, runs.yields, runs.batch_g, runs.lot, mass_ratio)
    alone, beside = (past_forecasts(each).at_least(0.9) for each in (runs, among))
    assert beside == pytest.approx(alone, rel=1e-12, nan_ok=True)


def steps_of(
    rng: np.random.Generator, runs: int, steps: int, *, drift: float = 0.0, fall: float = 0.0, failing: float = 0.0
) -> PastRuns:
    """One run a day of each of several steps of spread 0.4; the level wanders by ``drift``, and falls, run by run."""
    level = rng.normal(0.4, 0.8, (steps, 1)) + np.cumsum(drift * rng.standard_normal((steps, runs)) - fall, axis=1)
    yields = 1 / (1 + np.exp(-(level + 0.4 * rng.standard_normal((steps, runs)))))
    yields[rng.random((steps, runs)) < failing] = np.nan
    step, day = np.repeat(np.arange(steps), runs), np.tile(np.arange(runs), steps)
    unknown = np.full(steps * runs, np.nan)
    return PastRuns(step, day, yields.ravel(), unknown, np.full(steps * runs, -1), np.zeros(steps, dtype=bool))


@pytest.mark.parametrize("failing", [0.0, 0.05])
@pytest.mark.parametrize("runs", [8, 30, 100])
def test_steady_steps_are_hardly_ever_widened(runs: int, failing: float) -> None:
    rng = np.random.default_rng([runs, round(100 * failing)])
    factors: list[float] = []
    for _ in range(12):
        book = steps_of(rng, runs, 10, failing=failing)
        factors += promises_kept(past_forecasts(book), book.step, 10).factors
    assert np.mean(np.array(factors) > 1) <= 0.04


def test_steady_bounds_hold_as_often_as_was_asked() -> None:
    book = steps_of(np.random.default_rng(9), 60, 30)
    overall = promises_kept(past_forecasts(book), book.step, 30).overall
    assert overall.forecasts == 30 * 59
    for kept in overall.kept:
        assert kept.share == pytest.approx(kept.asked / 100, abs=0.02)
        assert kept.holds


def test_wandering_steps_are_widened_until_their_past_would_have_held() -> None:
    book = steps_of(np.random.default_rng(10), 200, 12, drift=0.3)
    past = past_forecasts(book)
    found = promises_kept(past, book.step, 12)
    assert sum(factor > 1 for factor in found.factors) >= 6
    for number, (factor, record) in enumerate(zip(found.factors, found.steps, strict=True)):
        mine = (book.step == number) & (past.runs_before > 0)
        assert factor in FACTORS
        assert (factor == 1) == bool(record.holds)
        for kept in record.kept:
            before, after = (int(past.reached(kept.asked / 100, past.rank(each))[mine].sum()) for each in (1.0, factor))
            assert kept.held == before <= after


def test_the_least_factor_is_worked_out_again_by_counting_bounds() -> None:
    # One step: counted by the bounds as they are shown, and by scipy's own exact interval.
    book = steps_of(np.random.default_rng(13), 80, 1, fall=0.05)
    past = past_forecasts(book)
    found = promises_kept(past, book.step, 1)
    wanted = None
    for factor in FACTORS:
        ceilings = []
        for asked in ASKED:
            bounds = past.at_least(asked, factor)[1:]
            shown = bounds > 0
            test = stats.binomtest(int((book.yields[1:] >= bounds)[shown].sum()), int(shown.sum()))
            ceilings.append(test.proportion_ci(0.99, "exact").high >= asked)
        if all(ceilings):
            wanted = factor
            break
    assert wanted is not None
    assert found.factors == (wanted,)
    assert wanted > 1


def test_a_run_that_failed_reaches_no_bound_however_wide_the_spread() -> None:
    book = steps_of(np.random.default_rng(11), 240, 1)
    book.yields[180:] = np.nan  # all at once every run fails: the chance of failure lags behind
    past = past_forecasts(book)
    for factor in FACTORS:
        assert not past.reached(0.8, past.rank(factor))[180:].any()
    found = promises_kept(past, book.step, 1)
    assert found.steps[0].holds is False
    assert found.factors[0] > 1


def test_a_step_with_few_forecasts_is_judged_by_all() -> None:
    rng = np.random.default_rng(12)
    long, short = steps_of(rng, 150, 4, fall=0.03), steps_of(rng, LEAST_FORECASTS, 1)
    book = PastRuns(
        *(np.concatenate([getattr(long, name), getattr(short, name) + (4 if name == "step" else 0)])
          for name in ("step", "day", "yields", "batch_g", "lot")),
        mass_ratio=np.zeros(5, dtype=bool),
    )  # fmt: skip
    found = promises_kept(past_forecasts(book), book.step, 5)
    assert found.by_all == (False,) * 4 + (True,)
    assert found.overall.holds is False
    assert found.factors[4] > 1


def test_a_zero_bound_is_counted_apart() -> None:
    # After one usable run the chance of failure is 0.5/11, with one to three failures 1.5/12, 2.5/13 and 3.5/14; there
    # is a bound above 0 where the rest is more than what was asked: for 80 % until the third, for 95 % at first only.
    yields = np.array([0.6, np.nan, np.nan, np.nan, 0.5])
    book = PastRuns(np.zeros(5, dtype=int), np.arange(5), yields, np.full(5, np.nan), np.full(5, -1), np.zeros(1, bool))
    kept = promises_kept(past_forecasts(book), book.step, 1).overall.kept
    assert [each.bounded + each.zero_bounds for each in kept] == [4, 4, 4]
    assert kept[0].bounded == 3
    assert kept[0].held == 0
    assert kept[2].zero_bounds == 3


def test_a_wider_spread_lowers_every_bound_and_the_forecast_says_so() -> None:
    plain = forecast_step([0.5, 0.6, 0.55], 0, mass_ratio=False)
    wider = forecast_step([0.5, 0.6, 0.55], 0, mass_ratio=False, spread_factor=1.5)
    assert wider.spread_low == pytest.approx(1.5 * plain.spread_low)
    assert wider.notes == ("spread-inflated",)
    assert wider.spread_factor == 1.5
    assert all(wider.at_least(asked) < plain.at_least(asked) for asked in ASKED)
    assert wider.median_if_usable == plain.median_if_usable
    with pytest.raises(ValueError, match="spread factor"):
        forecast_step([0.5], 0, mass_ratio=False, spread_factor=0.9)


def test_sorting_is_most_of_the_work() -> None:
    # 8 steps of 1,000 runs: no forecast is made one by one, or this would take minutes.
    book = steps_of(np.random.default_rng(14), 1000, 8)
    assert promises_kept(past_forecasts(book), book.step, 8).overall.forecasts == 8 * 999
