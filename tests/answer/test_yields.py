"""Yields against the truth of generated books, worked out from the text of the records by the standard library.

The interval of a ratio of totals is worked out once more with scipy.stats (Cochran, Sampling Techniques: the ratio
estimator; from memory).
"""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from service.analytics.forecast.next_run import forecast_step
from service.analytics.forecast.spread import shared_prior, spread_of
from tests.answer.desk import TODAY, Desk, named
from tests.store.book import CARBONATE_RUN, altered
from tests.world import RunTruth, World, make_world

EXACT = 1e-9


def runs_of(world: World, route: str, step: str) -> list[RunTruth]:
    return [run for run in world.truth.runs.values() if (run.route, run.step) == (route, step)]


def tried(world: World, route: str, step: str) -> list[RunTruth]:
    """The runs that a ratio of totals counts."""
    return [r for r in runs_of(world, route, step) if r.counted or (r.status == "failed" and not r.excluded)]


def check_step(found: dict[str, Any], world: World, route: str) -> int:
    """Compare one step with its truth; return how many runs it has."""
    step = found["step"]
    truth, runs = world.truth.statistics(route, step), runs_of(world, route, step)
    counts = found["runs"]
    assert [counts[key] for key in ("counted", "failed", "abandoned", "open")] == [
        truth.counted,
        truth.failed,
        truth.abandoned,
        truth.open,
    ]
    assert counts["left_out"] == [{"run": r.code, "reason": "another vessel"} for r in runs if r.excluded]
    for name in ("mean", "sd", "median", "q1", "q3", "ratio_of_totals", "ratio_usable", "failure_rate"):
        wanted = getattr(truth, name)
        assert found[name] == (None if wanted is None else pytest.approx(wanted, rel=EXACT)), name
        assert (found[name] is None) == (name in found["reasons"]), (name, found["reasons"])
    yields = [run.contained_g / run.theoretical_g for run in runs if run.counted]
    if yields:
        assert [found["min"], found["max"]] == pytest.approx([min(yields), max(yields)], rel=EXACT)
    low, high = interval(world, route, step)
    if low is None:
        assert found["ratio_low"] is found["ratio_high"] is None
        assert found["reasons"].keys() >= {"ratio_low", "ratio_high"}
    else:
        assert [found["ratio_low"], found["ratio_high"]] == pytest.approx([low, high], rel=1e-7)
    return len(runs)


def interval(world: World, route: str, step: str) -> tuple[float | None, float | None]:
    """90 % limits of the ratio of totals."""
    counted = tried(world, route, step)
    n, given = len(counted), np.array([r.theoretical_g for r in counted])
    got = np.array([r.contained_g if r.counted else 0.0 for r in counted])
    if n < 3 or got.sum() == 0.0:
        return None, None
    ratio = got.sum() / given.sum()
    se = np.std(got - ratio * given, ddof=1) / math.sqrt(n) / given.mean()
    reach = stats.t.ppf(0.95, n - 1) * se / ratio
    return ratio * math.exp(-reach), ratio * math.exp(reach)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_sixty_runs(seed: int, desk: Desk) -> None:
    world = make_world(seed, routes=4, steps_per_route=3, runs_per_step=5, short=0.2, excluded=0.1, abandoned=0.1)
    desk.load(world)
    answers = {route: desk.yields(route) for route in ("r0", "r1", "r2", "r3")}
    assert sum(check_step(step, world, route) for route, got in answers.items() for step in got["steps"]) == 60
    for got in answers.values():
        assert got["rests_on"]["state"] == desk.state()
        assert got["rests_on"]["as_of"] == TODAY.isoformat()
        assert got["rests_on"]["runs"] == sum(step["runs"]["counted"] for step in got["steps"])


def test_five_thousand_runs(large: Desk, large_world: World) -> None:
    routes = {route for route, _ in large_world.truth.steps}
    checked = [check_step(step, large_world, r) for r in routes for step in large.yields(r)["steps"]]
    assert sum(checked) == 5000


def grams_per_gram(world: World, route: str, step: str) -> float:
    """Expected g of product as weighed a gross g of key input, from what was written of the runs."""
    counted = [run for run in tried(world, route, step) if run.counted]
    ratio = world.truth.statistics(route, step).ratio_of_totals
    assert ratio is not None
    charged = tried(world, route, step)
    theoretical = math.fsum(r.theoretical_g for r in charged) / math.fsum(r.batch_g for r in charged)
    return ratio * theoretical * math.fsum(r.net_g for r in counted) / math.fsum(r.contained_g for r in counted)


def test_the_whole_line_and_each_branch(large: Desk, large_world: World) -> None:
    branches = 0
    for route in sorted({route for route, _ in large_world.truth.steps}):
        steps = {step.code: step for step in large_world.truth.steps_of(route)}
        makers = {step.product: step.code for step in steps.values()}
        overall = large.yields(route)["overall"]
        assert overall["reasons"] == {}
        for line in overall["lines"]:
            last = steps[line["steps"][-1]]
            assert last == large_world.truth.steps_of(route)[-1]
            ratio, grams = 1.0, 1.0
            for code, following in zip(line["steps"], [*line["steps"][1:], None], strict=True):
                ratio *= large_world.truth.statistics(route, code).ratio_of_totals or math.nan
                grams *= grams_per_gram(large_world, route, code)
                branch = steps[following].branch if following else None
                if branch is not None and makers[branch[0]] == code:
                    grams /= branch[1]
                    branches += 1
            assert line["ratio_of_totals"] == pytest.approx(ratio, rel=EXACT)
            assert line["product_per_key_input_g_per_g"] == pytest.approx(grams, rel=1e-7)
            assert line["from"] == steps[line["steps"][0]].key
        (main,) = (line for line in overall["lines"] if line["main"])
        assert overall["ratio_of_totals"] == main["ratio_of_totals"]
        assert overall["product_per_key_input_g_per_g"] == main["product_per_key_input_g_per_g"]
    assert branches >= 6


def test_the_true_grams_per_gram_are_met(large: Desk, large_world: World) -> None:
    """Against the distribution that yields were drawn from, at five standard errors of 50 runs a step."""
    for route in sorted({route for route, _ in large_world.truth.steps}):
        (main,) = (line for line in large.yields(route)["overall"]["lines"] if line["main"])
        steps = [large_world.truth.steps[route, code] for code in main["steps"]]
        # Relative variance of one run's yield, failures at 0, over the runs; batches of uneven size add a little.
        variances = [((1 + (s.sd / s.mean) ** 2) / (1 - s.failing) - 1) * math.exp(0.25**2) / 50 for s in steps]
        off = math.log(main["product_per_key_input_g_per_g"] / math.prod(step.ratio for step in steps))
        # Key inputs are up to 2 % stronger or weaker than nominal, lot by lot.
        assert abs(off) < 5 * math.sqrt(math.fsum(variances)) + 0.02, route


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_a_date_leaves_later_runs_out(desk: Desk) -> None:
    world = make_world(5, routes=1, steps_per_route=2, runs_per_step=8)
    desk.load(world)
    days = sorted(run.finished_on or run.started_on for run in world.truth.runs.values())
    for day in (days[0], days[7], days[-1]):
        found = desk.yields("r0", as_of=dt.date.fromisoformat(day))
        for step in found["steps"]:
            runs = [r for r in runs_of(world, "r0", step["step"]) if (r.finished_on or r.started_on) <= day]
            assert step["runs"]["counted"] == sum(run.counted for run in runs)
            assert len(step["runs"]["left_out"]) == sum(run.excluded for run in runs)
    early = desk.yields("r0", as_of=dt.date(2020, 1, 1))
    assert early["steps"][0]["mean"] is None
    assert early["steps"][0]["reasons"].keys() >= {"mean", "sd", "ratio_of_totals", "ratio_usable", "failure_rate"}
    assert early["overall"]["ratio_of_totals"] is None


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_the_forecast_is_told_of_all_other_steps(desk: Desk) -> None:
    world = make_world(8, routes=3, steps_per_route=3, runs_per_step=7, excluded=0.1)
    desk.load(world)
    kept = [run for run in world.truth.runs.values() if not run.excluded]
    failed = [run for run in kept if run.status == "failed"]
    groups: dict[tuple[str, str], list[float]] = {}
    for run in kept:
        if run.written_yield is not None:
            groups.setdefault((run.route, run.step), []).append(run.written_yield)
    ratios = {key for key, step in world.truth.steps.items() if step.basis == "mass-ratio"}
    assert not any(np.mean(np.array(found) > 1) > 0.1 for key, found in groups.items() if key not in ratios)
    prior = shared_prior([spread_of(found, "logit") for key, found in groups.items() if key not in ratios])
    for (route, code), yields in groups.items():
        mine = sum((run.route, run.step) == (route, code) for run in failed)
        if (route, code) in ratios:
            continue
        forecast = forecast_step(
            yields,
            mine,
            mass_ratio=False,
            other_runs=sum(map(len, groups.values())) + len(failed) - len(yields) - mine,
            other_failures=len(failed) - mine,
            prior=prior,
        )
        found = named(desk.yields(route)["steps"], step=code)["next_run"]["at_least"]
        assert found == pytest.approx({str(p): forecast.at_least(p / 100) for p in (50, 80, 90, 95)}, rel=1e-9)


def test_one_run_by_hand(desk: Desk) -> None:
    """50.0 g of vitriol of 98 % (249.68 g/mol) may give 21.70 g of malachite (221.11 g/mol); 20.41 g of 96 % came."""
    desk.fill()
    desk.put("runs", "C-1", CARBONATE_RUN)
    (found,) = (step for step in desk.yields("oxide")["steps"] if step["step"] == "carbonate")
    theoretical_g = 50.0 * 0.98 / 249.677 / 2 * 221.114  # molar masses of the standard atomic weights of 2021
    assert found["mean"] == pytest.approx(20.41 * 0.96 / theoretical_g, rel=1e-4)
    # Two readings a charge in 0.1 g and a net of 0.01 g: each digit d is uncertain by d/√12.
    relative = math.hypot(0.1 / math.sqrt(6) / 50.0, 0.01 / math.sqrt(6) / 20.41)
    assert found["weighing_u"] == pytest.approx(found["mean"] * relative, rel=0.01)
    assert found["sd"] is None
    assert found["ratio_low"] is None
    assert found["reasons"] | {"sd": "one run", "ratio_low": "one run", "ratio_high": "one run"} == found["reasons"]


def test_what_counts_and_what_does_not(desk: Desk) -> None:
    desk.fill()
    body = altered(CARBONATE_RUN, outturns=[{"material": "malachite", "net": "18.00 g"}])
    for code in ("C-1", "C-2"):
        desk.put("runs", code, body)
    desk.put("runs", "C-3", altered(body, exclude={"reason": "wrong flask"}))
    desk.put("runs", "C-4", altered(body, status="failed", outturns=[]))
    desk.put("runs", "C-5", altered(body, status="failed", outturns=[], exclude={"reason": "power cut"}))
    desk.put("runs", "C-6", altered(body, status="abandoned", outturns=[]))
    still_open = altered(body, status="open", outturns=[])
    del still_open["finished_on"]
    desk.put("runs", "C-7", still_open)
    without_ash = altered(body, charges=body["charges"][:1])
    desk.put("runs", "C-8", without_ash)
    found = named(desk.yields("oxide")["steps"], step="carbonate")
    counts = found["runs"]
    assert {key: counts[key] for key in ("counted", "failed", "abandoned", "open")} == {
        "counted": 2,
        "failed": 1,
        "abandoned": 1,
        "open": 1,
    }
    assert [left["run"] for left in counts["left_out"]] == ["C-3", "C-5", "C-8"]
    assert [left["reason"] for left in counts["left_out"]][:2] == ["wrong flask", "power cut"]
    assert found["failure_rate"] == pytest.approx(1 / 3)
    assert found["ratio_of_totals"] == pytest.approx(found["ratio_usable"] * 2 / 3)
    desk.put("runs", "C-9", altered(body, outturns=[{"material": "malachite", "net": "30.00 g"}]))
    wet = named(desk.yields("oxide")["steps"], step="carbonate")
    assert wet["max"] > 1
    assert wet["above_one"] == ["C-9"]
