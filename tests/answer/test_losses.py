"""Losses by step against worked figures, against the truth of generated books, and two periods by two roads."""

from __future__ import annotations

import datetime as dt
import math
from copy import deepcopy
from typing import Any

import pytest

from service.answer.compared import Period
from tests.answer.desk import TODAY, Desk, named
from tests.answer.small import MALACHITE_M, eur, roast, run, shop
from tests.answer.test_cost_of_a_world import ONLY_SQLITE, Recursion
from tests.world import World, make_world

COSTS, RATIOS = ("0.02", "0.05", "0.01", "0.40"), (70, 30, 80, 50)


def leaky_line(desk: Desk) -> None:
    """Four purifications in a line: what a gram of feed takes costs COSTS, of 100 g of feed come RATIOS."""
    desk.put("projects", "p", {"name": "p"})
    desk.put("suppliers", "corner", {"name": "corner shop"})
    desk.put("materials", "pure", {"name": "pure", "formula": "CaCO3"})
    for place in range(5):
        desk.put("materials", f"m{place}", {"name": f"stage {place}", "analyte": "pure"})
    for place in range(1, 4):
        desk.put("materials", f"wash{place}", {"name": f"wash {place}"})
    for material, price in zip(("m0", "wash1", "wash2", "wash3"), COSTS, strict=True):
        body = {"material": material, "supplier": "corner", "pack": "100 g"}
        desk.put("offers", material, body | {"price": eur(str(float(price) * 100))})
    steps: list[dict[str, Any]] = []
    for place in range(4):
        step = {"code": f"s{place}", "name": f"step {place}", "basis": "recovery", "key_input": f"m{place}"}
        bill = [{"material": f"wash{place}", "per_key_input": "1 g/g"}] if place else []
        steps.append(step | {"product": f"m{place + 1}", "bill": bill})
    desk.put("routes", "line", {"name": "line", "product": "m4", "steps": steps})
    for place, out_g in enumerate(RATIOS):
        charges = [{"material": f"m{place}", "amount": "100.0 g"}]
        charges += [{"material": f"wash{place}", "amount": "100.0 g"}] if place else []
        body = {"route": "line", "step": f"s{place}", "status": "finished", "finished_on": "2026-04-02"}
        outturns = [{"material": f"m{place + 1}", "net": f"{out_g}.0 g"}]
        desk.put("runs", f"r{place}", body | {"charges": charges, "outturns": outturns})


def test_the_thirty_percent_step_is_not_the_dearest_leak(desk: Desk) -> None:
    # Worked by hand from K = (K before + c)/R: ledger 0.071, 0.458, 0.136, 0.740 a gram of a product at 1.4798.
    leaky_line(desk)
    found = desk.losses("line")
    shares = [step["share"] for step in desk.cost("line")["by_step"]]
    assert shares == pytest.approx([0.161, 0.442, 0.459, 1.0], abs=0.0005)
    assert found["cost_per_g"] == pytest.approx(1.4798, abs=0.00005)
    limits = [step["against_limit"] for step in found["steps"]]
    assert [loss["cost_per_g"] for loss in limits] == pytest.approx([0.071, 0.458, 0.136, 0.740], abs=0.0005)
    assert [loss["lost_g"] for loss in limits] == pytest.approx([30, 70, 20, 50])
    moles = [lost_g / 100.09 for lost_g in (30, 70, 20, 50)]
    assert [loss["lost_mol"] for loss in limits] == pytest.approx(moles, rel=1e-4)
    # 100 g of feed of the last step cost 100·(0.3399 + 0.40), and half of it is lost.
    assert limits[3]["cost"] == pytest.approx(50 * (0.33988 + 0.40), rel=1e-4)
    assert limits[3]["lost_g_per_g"] == pytest.approx(1.0)
    # One run each: the best so far is the run itself, and nothing more is attainable.
    assert [step["against_best"]["cost_per_g"] for step in found["steps"]] == [0.0] * 4


# Generated books.


def check_losses(found: dict[str, Any], world: World, route: str) -> None:
    """Against what was written, and the cost against that of a recursion in which one step reaches its limit."""
    recursion = Recursion(world, route)
    cost = recursion.cost()
    assert found["cost_per_g"] == pytest.approx(cost, rel=1e-7)
    dry = recursion.fractions(world.truth.steps_of(route)[-1].code)[1]
    for line in found["steps"]:
        contained, given = recursion.got(line["step"])
        runs = recursion.runs(line["step"])
        failed_g = math.fsum(each.theoretical_g for each in runs if not each.counted)
        whole = line["against_limit"]
        assert line["theoretical_g"] == pytest.approx(given.sum())
        if line["basis"] == "mass-ratio":
            assert whole["lost_g"] is None
            assert line["reasons"]["against_limit"] == "the basis of the step sets no limit"
            yields = [each.written_yield or 0.0 for each in runs]
        else:
            lost_g = given.sum() - contained.sum()
            assert whole["lost_g"] == pytest.approx(lost_g, rel=1e-6)
            assert whole["failed_runs"]["lost_g"] == pytest.approx(failed_g, rel=1e-6)
            assert whole["low_yields"]["lost_g"] == pytest.approx(lost_g - failed_g, rel=1e-6, abs=1e-9)
            reached = Recursion(world, route, {line["step"]: math.log(given.sum() / contained.sum())})
            assert whole["cost_per_g"] == pytest.approx(cost - reached.cost(), rel=1e-6, abs=1e-12)
            assert whole["failed_runs"]["cost_per_g"] + whole["low_yields"]["cost_per_g"] == pytest.approx(
                whole["cost_per_g"], rel=1e-9
            )
            yields = [each.written_yield or 0.0 for each in runs if (each.written_yield or 0.0) <= 1.0]
        assert line["best_yield"] == pytest.approx(max(yields), rel=1e-6)
        ratio = contained.sum() / given.sum()
        if max(yields) > ratio:
            best = Recursion(world, route, {line["step"]: math.log(max(yields) / ratio)}).cost()
            assert line["against_best"]["cost_per_g"] == pytest.approx(cost - best, rel=1e-6, abs=1e-12)
    last = found["steps"][-1]
    if last["basis"] != "mass-ratio":
        # Of the last step, what is lost a final gram is in the proportion of what was lost to what was made.
        contained, given = recursion.got(last["step"])
        per_dry = recursion.fractions(last["step"])[0] / dry
        expected = (given.sum() / contained.sum() - 1) * per_dry
        assert last["against_limit"]["lost_g_per_g"] == pytest.approx(expected, rel=1e-6)


@ONLY_SQLITE
def test_sixty_runs(desk: Desk) -> None:
    world = make_world(4, routes=4, steps_per_route=3, runs_per_step=5, short=0.0)
    desk.load(world)
    for route in ("r0", "r1", "r2", "r3"):
        check_losses(desk.losses(route), world, route)


def test_five_thousand_runs(large: Desk, large_world: World) -> None:
    for route in sorted({route for route, _ in large_world.truth.steps})[::4]:
        check_losses(large.losses(route), large_world, route)


# Two periods.


def parts_sum_to_the_change(found: dict[str, Any]) -> None:
    told = found["comparison"]
    parts = math.fsum(part["cost_per_g"] for part in found["change"])
    assert parts == pytest.approx(told["change_per_g"], rel=1e-12)
    assert told["change_per_g"] == pytest.approx(told["after"]["cost_per_g"] - told["before"]["cost_per_g"], rel=1e-10)
    assert math.fsum(told["by_kind"].values()) == pytest.approx(told["change_per_g"], rel=1e-12)


@ONLY_SQLITE
def test_two_periods_of_a_book(desk: Desk, database: Any) -> None:
    world = make_world(11, routes=1, steps_per_route=4, runs_per_step=30, short=0.0)
    days = sorted(each.finished_on or each.started_on for each in world.truth.runs.values())
    cut = dt.date.fromisoformat(days[len(days) // 2])
    desk.load(world)
    after, before = Period(cut + dt.timedelta(days=1), TODAY), Period(None, cut)
    found = desk.losses("r0", period=after, compare=before)
    parts_sum_to_the_change(found)
    assert {part["kind"] for part in found["change"]} >= {"yield", "price", "use", "strength"}
    # The earlier period is the answer of its last day; the later that of a book whose earlier runs are left out.
    assert found["comparison"]["before"]["cost_per_g"] == desk.cost("r0", as_of=cut)["cost_per_g"]
    assert found["cost_per_g"] == found["comparison"]["after"]["cost_per_g"]
    other = Desk(database, "later-runs")
    later = deepcopy(world)
    for line in later.records:
        record = line["record"]
        if line["kind"] == "run" and (record.get("finished_on") or record["started_on"]) <= cut.isoformat():
            record["exclude"] = {"reason": "of the earlier period"}
    other.load(later)
    assert found["cost_per_g"] == pytest.approx(other.cost("r0")["cost_per_g"], rel=1e-12)
    # Asked the other way round, every part changes its sign.
    turned = desk.losses("r0", period=before, compare=after)
    parts_sum_to_the_change(turned)
    assert turned["comparison"]["change_per_g"] == pytest.approx(-found["comparison"]["change_per_g"], rel=1e-12)
    # The best run so far may be of an earlier period than the one asked about; none later counts.
    for line in found["steps"]:
        whole = named(desk.losses("r0")["steps"], step=line["step"])
        assert line["best_run"] == whole["best_run"]


APRIL, MAY = Period(dt.date(2026, 4, 1), dt.date(2026, 4, 30)), Period(dt.date(2026, 5, 1), dt.date(2026, 5, 31))


def test_a_price_that_rose_is_all_that_changed(desk: Desk) -> None:
    desk.fill()
    shop(desk)
    for month in ("04", "05"):
        day = f"2026-{month}-11"
        run(desk, f"C-{month}", started_on=day, finished_on=day)
        roast(desk, f"R-{month}", finished_on=f"2026-{month}-20")
    dearer = {"material": "blue-vitriol", "supplier": "corner", "pack": "100 g", "price": eur("3"), "assay": "0.98"}
    desk.put("offers", "vitriol-dearer", dearer | {"valid_from": "2026-05-10"})
    found = desk.losses("oxide", period=MAY, compare=APRIL)
    parts_sum_to_the_change(found)
    moved = [part for part in found["change"] if abs(part["cost_per_g"]) > 1e-12]
    assert [(part["step"], part["kind"], part["of"]) for part in moved] == [("carbonate", "price", "blue-vitriol")]
    assert (moved[0]["before"], moved[0]["after"]) == pytest.approx((0.02, 0.03))
    # Half as much again for the vitriol of a gram of oxide.
    behind = named(desk.cost("oxide", as_of=APRIL.until)["by_material"], material="blue-vitriol")["cost_per_g"]
    assert moved[0]["cost_per_g"] == pytest.approx(behind / 2)


def test_a_period_that_cannot_be_compared_says_why(desk: Desk) -> None:
    desk.fill()
    shop(desk)
    run(desk, "C-04")
    roast(desk, "R-04")
    roast(desk, "R-undated", finished_on=None)
    found = desk.losses("oxide", period=MAY, compare=APRIL)
    assert found["change"] == []
    assert found["comparison"]["change_per_g"] is None
    assert found["comparison"]["reasons"]["change_per_g"] == "after: no product recorded in steps carbonate, roast"
    assert found["comparison"]["before"]["cost_per_g"] is not None
    step = found["steps"][0]
    assert (step["theoretical_g"], step["against_limit"]["lost_g"]) == (None, None)
    assert step["reasons"]["theoretical_g"] == "no run is counted"
    # The best run so far is of the month before; the run without a date is of no period.
    assert step["best_run"] == "C-04"
    assert found["rests_on"]["left_out"] == [
        {"run": "R-undated", "reason": "it has no date, and the answer is of one period"}
    ]


# What is told beside the losses.


def test_recovered_key_input_can_still_give_product(desk: Desk) -> None:
    desk.fill()
    shop(desk)
    run(desk, "C-1")
    recovered = {"material": "blue-vitriol", "net": "10.0 g", "assay": "0.98", "role": "recovered"}
    body = {"material": "malachite", "net": "15.00 g", "assay": "0.96"}
    run(desk, "C-2", outturns=[body, recovered, {"material": "sodium-sulfate", "net": "5.0 g", "role": "recovered"}])
    roast(desk, "R-1")
    back, salt = named(desk.losses("oxide")["steps"], step="carbonate")["recovered"]
    # 10 g at 98 % of 249.68 g/mol, two of which make one of 221.11 g/mol; 2 EUR a 100 g.
    assert back["as_product_g"] == pytest.approx(9.8 / 249.677 / 2 * MALACHITE_M, rel=1e-4)
    assert (back["worth_per_g"], back["cost"]) == pytest.approx((0.02, 0.2))
    made_g, behind_g = 20.41 + 15.00, 10.00 / 6.50
    assert back["cost_per_g"] == pytest.approx(0.2 / made_g * behind_g, rel=1e-3)
    assert (salt["as_product_g"], salt["worth_per_g"]) == (None, None)
    assert set(salt["reasons"]) == {"as_product_g", "worth_per_g", "cost", "cost_per_g"}


def test_a_wet_run_is_no_best_run_and_no_gain(desk: Desk) -> None:
    desk.fill()
    shop(desk)
    run(desk, "C-1")
    run(desk, "C-wet", outturns=[{"material": "malachite", "net": "30.00 g"}])
    run(desk, "C-lost", status="failed", outturns=[])
    roast(desk, "R-1")
    step = named(desk.losses("oxide")["steps"], step="carbonate")
    assert step["best_run"] == "C-1"
    given_g = step["theoretical_g"] / 3
    assert step["counts_as_g"] == pytest.approx(20.41 * 0.96 + 0.98 * given_g)
    assert step["contained_g"] == pytest.approx(20.41 * 0.96 + 30.0)
    assert step["against_limit"]["failed_runs"]["lost_g"] == pytest.approx(given_g)
    assert step["against_limit"]["low_yields"]["lost_g"] == pytest.approx(2 * given_g - step["counts_as_g"])


def test_money_is_null_where_something_is_unpriced_and_grams_are_not(desk: Desk) -> None:
    desk.fill()
    shop(desk, "ash-1kg")
    run(desk, "C-1")
    roast(desk, "R-1")
    found = desk.losses("oxide")
    step = found["steps"][0]
    assert found["cost_per_g"] is None
    assert found["reasons"]["cost_per_g"] == "no price for soda-ash"
    assert step["against_limit"]["cost_per_g"] is None
    assert step["reasons"]["against_limit_cost_per_g"] == "no price for soda-ash"
    assert step["against_limit"]["lost_g"] > 0
    assert step["against_limit"]["lost_g_per_g"] > 0
