"""The trend of a step against the truth of generated books, worked out here once more from the text of the records."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from service.answer.run_filter import RunFilter
from service.answer.trend import trend_of
from service.errors import UnknownRecord
from tests.answer.desk import TODAY, Desk
from tests.answer.small import run
from tests.world import World, make_world

EXACT = 1e-9


def trend(desk: Desk, route: str, step: str, **asked: Any) -> dict[str, Any]:
    with desk.opened() as book:
        return trend_of(book, route, step, **{"as_of": TODAY, **asked})


def in_time(world: World, route: str, step: str) -> list[Any]:
    runs = [r for r in world.truth.runs.values() if (r.route, r.step) == (route, step) and r.counted]
    return sorted(runs, key=lambda each: (each.finished_on, each.code))


def check(found: dict[str, Any], world: World, route: str, step: str) -> None:
    runs = in_time(world, route, step)
    yields = np.array([each.written_yield for each in runs])
    assert [(point["run"], point["finished_on"]) for point in found["points"]] == [
        (r.code, r.finished_on) for r in runs
    ]
    assert [point["yield"] for point in found["points"]] == pytest.approx(yields.tolist(), rel=EXACT)
    assert [point["batch_g"] for point in found["points"]] == pytest.approx([r.batch_g for r in runs], rel=EXACT)
    sigma = np.abs(np.diff(yields)).mean() / 1.128
    low, high = yields.mean() - 3 * sigma, yields.mean() + 3 * sigma
    if world.truth.steps[route, step].basis != "mass-ratio":
        low, high = max(low, 0.0), min(high, 1.0)
    assert [found["centre"], found["lower"], found["upper"]] == pytest.approx([yields.mean(), low, high], rel=EXACT)
    assert [point["beyond"] for point in found["points"]] == [bool(y < low or y > high) for y in yields]
    assert found["provisional"] == (len(runs) < 8)
    for name, x in (("ln_batch_size", [math.log(r.batch_g) for r in runs]), ("order", range(len(runs)))):
        line = stats.linregress(list(x), yields)
        told = found["slopes"][name]
        assert [told["slope"], told["p"]] == pytest.approx([line.slope, line.pvalue], rel=1e-6)
        reach = stats.t.ppf(0.95, len(runs) - 2) * line.stderr
        assert [told["low"], told["high"]] == pytest.approx([line.slope - reach, line.slope + reach], rel=1e-6)
        assert told["p"] <= told["p_corrected"] <= 2 * told["p"] + EXACT
    assert found["rests_on"]["runs"] == len(runs)


def test_a_small_book_on_every_database(desk: Desk) -> None:
    world = make_world(3, routes=1, steps_per_route=4, runs_per_step=14)
    desk.load(world)
    for step in world.truth.steps_of("r0"):
        found = trend(desk, "r0", step.code)
        check(found, world, "r0", step.code)
        left_out = [r.code for r in world.truth.runs.values() if r.step == step.code and r.excluded]
        assert [left["run"] for left in found["rests_on"]["left_out"]] == sorted(left_out)


def test_a_large_book(large: Desk, large_world: World) -> None:
    for route, step in list(large_world.truth.steps)[::9]:
        check(trend(large, route, step), large_world, route, step)


def test_a_planted_slope_on_batch_size_is_found_and_none_where_none_was_planted(
    desk: Desk, large: Desk, large_world: World
) -> None:
    desk.load(make_world(5, routes=1, steps_per_route=1, runs_per_step=90, batch_slope=1.2))
    planted = trend(desk, "r0", "step-1")["slopes"]["ln_batch_size"]
    assert planted["p_corrected"] < 0.05
    assert planted["low"] > 0.0
    steps = list(large_world.truth.steps)
    told = [trend(large, *step)["slopes"] for step in steps]
    alarms = sum(any(slope["p_corrected"] < 0.05 for slope in slopes.values()) for slopes in told)
    assert alarms <= 11  # of 100 steps; at 5 % more than 11 come once in 250 books


def test_a_slip_in_the_book_is_beyond_and_named(desk: Desk) -> None:
    world = make_world(11, routes=1, steps_per_route=1, runs_per_step=40, slips=0.06, slip_kinds=("x1000",))
    desk.load(world)
    found = trend(desk, "r0", "step-1")
    check(found, world, "r0", "step-1")
    planted = {code for code, _ in world.truth.slips().items() if world.truth.runs[code].counted}
    after_three = {point["run"] for point in found["points"][3:]}
    assert planted & after_three
    assert set(found["likely_slips"]) & after_three == planted & after_three
    (outlier,) = found["outliers"]
    assert outlier["run"] in planted
    assert outlier["run"] in outlier["detail"]


def test_filters_leave_the_rest_out(desk: Desk) -> None:
    world = make_world(3, routes=1, steps_per_route=1, runs_per_step=30)
    desk.load(world)
    runs = in_time(world, "r0", "step-1")
    day = runs[12].finished_on
    late = trend(desk, "r0", "step-1", asked=RunFilter(first=dt.date.fromisoformat(day)))
    assert [point["run"] for point in late["points"]] == [r.code for r in runs if r.finished_on >= day]
    early = trend(desk, "r0", "step-1", asked=RunFilter(last=dt.date.fromisoformat(day)))
    assert [point["run"] for point in early["points"]] == [r.code for r in runs if r.finished_on <= day]
    of_one = trend(desk, "r0", "step-1", asked=RunFilter(operator="m2"))
    assert [point["run"] for point in of_one["points"]] == [r.code for r in runs if r.operator == "m2"]
    assert of_one["rests_on"]["filters"]["operator"] == "m2"
    assert {point["operator"] for point in of_one["points"]} == {"m2"}
    with pytest.raises(UnknownRecord):
        trend(desk, "r0", "step-1", asked=RunFilter(project="nobody"))
    earlier = trend(desk, "r0", "step-1", as_of=dt.date.fromisoformat(day))
    assert [point["run"] for point in earlier["points"]] == [r.code for r in runs if r.finished_on <= day]


def test_few_runs_say_what_they_cannot_carry(desk: Desk) -> None:
    desk.fill()
    before = trend(desk, "oxide", "carbonate")
    assert before["points"] == []
    assert (before["centre"], before["provisional"]) == (None, True)
    assert before["reasons"]["centre"] == "no runs"
    run(desk, "A-1")
    alone = trend(desk, "oxide", "carbonate")
    assert alone["centre"] == alone["points"][0]["yield"]
    assert (alone["lower"], alone["reasons"]["lower"]) == (None, "one run has no moving range")
    assert alone["reasons"]["outliers"] == "fewer than three runs"
    assert alone["slopes"]["order"]["reasons"]["p_corrected"] == "fewer than three runs"
    assert alone["points"][0]["moving_range"] is None


def test_an_unknown_step_is_refused(desk: Desk) -> None:
    desk.fill()
    with pytest.raises(UnknownRecord, match="its steps are"):
        trend(desk, "oxide", "distil")
    with pytest.raises(UnknownRecord):
        trend(desk, "nowhere", "distil")
