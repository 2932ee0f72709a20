"""In the middle of the work at a small bench: what is in hand, what is enough, what to make more of, two waves."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from service.errors import InvalidInput
from service.schemas.carry_on_answers import CarryOnAnswer
from tests.answer.desk import Desk, named
from tests.answer.small import ash_of_ones_own, eur, five_runs, take_ash_from_its_route
from tests.answer.test_plan import ONLY_SQLITE, branched
from tests.store.book import ROUTE

ASKED = {"target": "5 g", "stock": "none", "acknowledge": ["batch-beyond-record"]}


@pytest.fixture
def bench(desk: Desk) -> Desk:
    """Five runs of either step, and a shop."""
    return five_runs(desk)


def test_what_is_in_hand_and_what_is_enough(bench: Desk) -> None:
    found = bench.carry_on("oxide", {"step": "carbonate", "amount": "60 g"}, **ASKED)
    assert set(found) >= set(CarryOnAnswer().fields)
    assert found["enough"] is True
    assert found["p_reach"] >= 0.9
    (line,) = found["in_hand"]
    assert 0.0 < line["carry_on_g"] < 60.0
    assert line["left_g"] == pytest.approx(60.0 - line["carry_on_g"])
    assert found["plan"]["starting_materials"] == []
    assert found["two_waves"] is None
    assert "enough" in found["reasons"]["two_waves"]
    # What is said to be enough reaches the target just so, and a tenth less does not.
    for times, enough in ((1.0001, True), (0.9, False)):
        amount = f"{line['carry_on_g'] * times:.6f} g"
        assert bench.carry_on("oxide", {"material": "malachite", "amount": amount}, **ASKED)["enough"] is enough
    # Weaker, it takes more of it.
    weak = bench.carry_on("oxide", {"step": "carbonate", "amount": "60 g", "assay": "0.48"}, **ASKED)
    (half,) = weak["in_hand"]
    assert half["counts_as_g"] == pytest.approx(30.0)
    assert half["carry_on_g"] == pytest.approx(line["carry_on_g"])


def test_what_to_make_more_of_first(bench: Desk) -> None:
    short = {"step": "carbonate", "amount": "7 g"}
    found = bench.carry_on("oxide", short, **ASKED, worth_per_g=eur("100"))
    assert found["enough"] is False
    assert found["shortfall"]["worth_per_g"] == 100.0
    assert found["shortfall"]["cost"] == pytest.approx(100.0 * found["shortfall"]["expected_g"])
    more = named(found["one_more_batch"], step="carbonate")
    assert more["pays"] is True
    assert more["p_reach"] > found["p_reach"]
    assert more["shortfall_g"] < found["shortfall"]["expected_g"]
    assert more["spared"] == pytest.approx(found["shortfall"]["cost"] - 100.0 * more["shortfall_g"])
    assert found["first"] == found["one_more_batch"][0]["step"]
    cheap = bench.carry_on("oxide", short, **ASKED, worth_per_g=eur("0.001"))
    assert cheap["first"] is None
    assert named(cheap["one_more_batch"], step="carbonate")["pays"] is False
    assert cheap["p_reach"] == found["p_reach"]


def test_the_single_start_and_two_waves(bench: Desk) -> None:
    found = bench.carry_on("oxide", {"step": "carbonate", "amount": "1 g"}, **{**ASKED, "target": "25 g"})
    plan, waves = found["plan"], found["two_waves"]
    assert plan["p_reach"] >= 0.9
    (single,) = waves["single_start"]
    assert single == plan["starting_materials"][0]
    (used,) = waves["expected_use"]
    assert used["amount_g"] <= single["amount_g"]
    assert waves["saves"] == pytest.approx(1 - used["amount_g"] / single["amount_g"])
    assert waves["p_reach"] >= 0.9
    assert waves["after_step"] in {"carbonate", "roast"}
    first, more = waves["start"][0]["amount_g"], waves["start_more"][0]["amount_g"]
    assert used["amount_g"] == pytest.approx(first + more * waves["p_topped_up"])
    assert "blue-vitriol" in waves["detail"]
    # What is stated stands in place of the shelf: the same with a lot there that the answer is not told of twice.
    bench.put("lots", "green", {"material": "malachite", "amount": "80 g", "assay": "0.96"})
    own = {**ASKED, "target": "25 g", "stock": "own"}
    again = bench.carry_on("oxide", {"step": "carbonate", "amount": "1 g"}, **own)
    assert again["plan"]["starting_materials"] == plan["starting_materials"]
    assert len(again["in_hand"]) == 1


@ONLY_SQLITE
def test_a_single_start_with_spare_batches_is_that_of_the_plan(bench: Desk) -> None:
    """Where the plan takes a spare batch, what is put beside it takes it too."""
    found = bench.carry_on(
        "oxide", {"step": "carbonate", "amount": "0.1 g"}, **{**ASKED, "target": "25 g", "confidence": "0.98"}
    )
    assert any(step["spare_batches"] for step in found["plan"]["steps"])
    assert found["two_waves"]["p_reach"] >= 0.98
    assert found["two_waves"]["saves"] >= 0.0
    assert sum(each["batches"] for each in found["two_waves"]["start_batches"]) >= 1


@ONLY_SQLITE
def test_branches_that_meet_wait_for_each_other(desk: Desk) -> None:
    branched(desk)
    asked = {**ASKED, "target": "1 g"}
    one = desk.carry_on("blend", {"step": "carbonate", "amount": "10 g"}, **asked)
    assert one["p_reach"] == 0.0
    assert one["steps"] == []
    both = desk.carry_on(
        "blend", {"step": "carbonate", "amount": "10 g"}, {"step": "calcine", "amount": "10 g"}, **asked
    )
    assert both["p_reach"] > 0.9
    assert len(both["in_hand"]) == 2


def keeps_its_promise(found: dict[str, Any]) -> None:
    """A rule of two waves and what it uses, every figure from others of the answer."""
    waves, plan = found["two_waves"], found["plan"]
    assert waves["p_reach"] >= found["confidence"]
    assert waves["looks"]
    single = {each["material"]: each["amount_g"] for each in waves["single_start"]}
    used = {each["material"]: each["amount_g"] for each in waves["expected_use"]}
    assert set(used) == set(single) == {each["material"] for each in plan["starting_materials"]}
    start = {each["material"]: each["amount_g"] for each in waves["start"]}
    more = dict.fromkeys(used, 0.0)
    for look in waves["looks"]:
        for each in look["start_more"]:
            more[each["material"]] += look["p_topped_up"] * each["amount_g"]
        assert look["after_step"] in waves["detail"]
    for name, grams in start.items():
        if name in begun(found):
            assert used[name] == pytest.approx(grams + more[name], rel=1e-9)
            assert single[name] == pytest.approx(named(plan["starting_materials"], material=name)["amount_g"])
    cost = waves["cost"]
    assert cost["saves"] == pytest.approx(cost["single_start"] - cost["expected"])
    assert cost["saves"] > 4 * cost["monte_carlo_u"] > 0.0
    assert (waves["after_step"] is None) is (len(waves["looks"]) > 1)


def begun(found: dict[str, Any]) -> set[str]:
    """What begins a branch; what a step takes besides is used as the branch that feeds it gives."""
    return {"blue-vitriol", "soda"} if found["route"] == "blend" else {"soda"}


@ONLY_SQLITE
def test_two_waves_where_branches_meet(desk: Desk) -> None:
    branched(desk)
    asked = {**ASKED, "target": "2 g"}
    unpriced = desk.carry_on("blend", {"step": "carbonate", "amount": "0.1 g"}, **asked)["two_waves"]
    assert unpriced["cost"]["expected"] is None
    assert "soda" in unpriced["reasons"]["cost"]
    assert unpriced["saves"] > 0.0
    desk.put("offers", "soda-1kg", {"material": "soda", "supplier": "corner", "pack": "1 kg", "price": eur("2")})
    found = desk.carry_on("blend", {"step": "carbonate", "amount": "0.1 g"}, **asked)
    assert found["plan"]["p_reach"] >= 0.9
    keeps_its_promise(found)


@ONLY_SQLITE
def test_two_waves_with_a_route_that_feeds_this_one(desk: Desk) -> None:
    """The ash is made by a route of its own, and the vitriol is taken as there is ash for it."""
    ash_of_ones_own(desk)
    take_ash_from_its_route(desk)
    found = desk.carry_on("oxide", {"step": "carbonate", "amount": "0.1 g"}, **{**ASKED, "target": "25 g"})
    keeps_its_promise(found)
    assert {"soda", "blue-vitriol"} == {each["material"] for each in found["two_waves"]["expected_use"]}


@ONLY_SQLITE
def test_names_that_no_step_has(bench: Desk) -> None:
    with pytest.raises(InvalidInput) as refused:
        bench.carry_on(
            "oxide", {"step": "carbonat", "amount": "1 g"}, {"material": "malachit", "amount": "1 g"}, **ASKED
        )
    assert [(fault.pointer, fault.code) for fault in refused.value.faults] == [
        ("/in_hand/0/step", "unknown-step"),
        ("/in_hand/1/material", "unknown-material"),
    ]
    assert all("did you mean" in fault.detail for fault in refused.value.faults)


@ONLY_SQLITE
def test_without_a_plan_the_chance_stands(bench: Desk) -> None:
    route = copy.deepcopy(ROUTE)
    route["steps"][0]["key_input_limits"] = {"largest": "0.01 g"}
    bench.put("routes", "oxide", route)
    found = bench.carry_on("oxide", {"step": "carbonate", "amount": "2 g"}, **ASKED)
    assert found["plan"]["p_reach"] is None
    assert "200 batches" in found["reasons"]["plan"]
    assert found["two_waves"] is None
    assert found["p_reach"] == 0.0
    assert found["expected_product_g"] > 0.0
