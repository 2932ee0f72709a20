"""Plans of routes that other routes feed: their own steps, runs, limits and stock, and one risk for the whole."""

from __future__ import annotations

import pytest

from tests.answer.desk import Desk, named
from tests.answer.small import ash_of_ones_own, take_ash_from_its_route
from tests.answer.test_plan import ONLY_SQLITE, start
from tests.store.book import ROUTE, altered


@pytest.fixture
def bench(desk: Desk) -> Desk:
    """The oxide's route takes a soda ash that a route of its own makes from soda, four runs of it."""
    return ash_of_ones_own(desk)


def test_a_reagent_of_ones_own_is_made_in_batches_of_its_own(bench: Desk) -> None:
    # Nobody sells the ash and one route makes it: whether the bill says so or not is the same plan.
    unsaid = bench.plan("oxide", 25.0, stock="none")
    take_ash_from_its_route(bench)
    found = bench.plan("oxide", 25.0, stock="none")
    assert found["steps"] == unsaid["steps"]
    steps = {step["step"]: step for step in found["steps"]}
    assert list(steps) == ["ash/calcine", "carbonate", "roast"]
    assert steps["ash/calcine"]["route"] == "ash"
    assert {line["material"] for line in found["starting_materials"]} == {"blue-vitriol", "soda"}
    assert "soda-ash" not in {line["material"] for line in found["materials"]}
    assert steps["ash/calcine"]["batches"] == -(-steps["ash/calcine"]["key_input_g"] // 100.0)
    assert found["p_reach"] >= 0.9
    assert found["cost"]["complete"] is True
    # 1.1 equivalents of ash a gram of vitriol at 98 %, at least as much as the vitriol line is expected to be fed.
    ash_g = 1.1 * 0.98 / 249.677 * 105.988 * steps["carbonate"]["key_input_g"]
    assert steps["ash/calcine"]["expected_product_g"] >= 0.95 * ash_g


def test_what_is_in_stock_of_the_reagent_is_not_made(bench: Desk) -> None:
    take_ash_from_its_route(bench)
    bench.put("lots", "ash-found", {"material": "soda-ash", "amount": "500 g"})
    found = bench.plan("oxide", 25.0)
    calcine = named(found["steps"], step="ash/calcine")
    assert (calcine["batches"], calcine["key_input_g"]) == (0, 0.0)
    assert calcine["from_stock_g"] > 0.0
    assert {line["material"] for line in found["starting_materials"]} == {"blue-vitriol"}
    assert start(found) <= start(bench.plan("oxide", 25.0, stock="none"))


@ONLY_SQLITE
def test_a_reagent_whose_route_cannot_be_planned_is_named(bench: Desk) -> None:
    bench.put("materials", "mud", {"name": "mud"})
    press = {"code": "press", "basis": "mass-ratio", "key_input": "water", "product": "mud"}
    bench.put("routes", "mud", {"name": "mud", "product": "mud", "steps": [press]})
    step = ROUTE["steps"][0]
    line = {"material": "mud", "per_key_input": "0.5 g/g", "from_route": "mud"}
    bench.put(
        "routes",
        "oxide",
        altered(ROUTE, change="correction", steps=[step | {"bill": [*step["bill"], line]}, ROUTE["steps"][1]]),
    )
    found = bench.plan("oxide", 25.0, stock="none")
    assert named(found["materials"], material="mud")["reasons"]["packs"] == "made by route mud"
    assert found["cost"]["complete"] is False
    assert found["p_reach"] >= 0.9


@ONLY_SQLITE
def test_a_reagent_of_which_no_grams_can_be_told_is_named_too(bench: Desk) -> None:
    """The bill asks for millilitres of a material without a density that another route makes."""
    bench.put("materials", "brine", {"name": "brine"})
    bench.put("lots", "brine-1", {"material": "brine", "amount": "1 kg"})
    made = {"code": "stir", "basis": "mass-ratio", "key_input": "soda", "product": "brine"}
    made |= {"expected_yield": {"low": "0.8", "likely": "0.9", "high": "0.95"}}
    bench.put("routes", "brine", {"name": "brine", "product": "brine", "steps": [made]})
    step = ROUTE["steps"][0]
    line = {"material": "brine", "per_key_input": "2 mL/g", "from_route": "brine"}
    whole = altered(ROUTE, change="correction", steps=[step | {"bill": [*step["bill"], line]}, ROUTE["steps"][1]])
    bench.put("routes", "oxide", whole)
    found = bench.plan("oxide", 25.0, stock="none")
    told = named(found["materials"], material="brine")
    assert told["need_g"] is None
    assert "density of brine" in told["reasons"]["need_g"]
    assert found["expected"]["waste_g"] is None
    assert "brine" in found["reasons"]["expected.waste_g"]
    # Nothing is planned of what it cannot be said how much of is wanted.
    assert {step["route"] for step in found["steps"]} == {"oxide", "ash"}
