"""What-ifs of small books: a scenario is the plan that the book itself would give, were it so."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from service.errors import InvalidInput, UnknownRecord
from tests.answer.desk import Desk, named
from tests.answer.small import ash_of_ones_own, eur, five_runs, take_ash_from_its_route
from tests.answer.test_plan import ONLY_SQLITE, limited, start
from tests.store.book import ROUTE, altered

ASKED = {"target": "25 g", "stock": "none"}
TRIALS = 4096


def change(kind: str, **keys: Any) -> dict[str, Any]:
    return {"changes": [{"kind": kind, **keys}]}


@pytest.fixture
def bench(desk: Desk) -> Desk:
    """Five runs of either step, and a shop; what the first step made was used up."""
    return five_runs(desk)


def alike(scenario: dict[str, Any], plan: dict[str, Any]) -> None:
    """A scenario's figures are those of a plan of the book changed likewise."""
    for key in ("p_reach", "p_max", "target_g", "confidence"):
        assert scenario[key] == pytest.approx(plan[key], rel=1e-9), key
    for one, other in zip(scenario["starting_materials"], plan["starting_materials"], strict=True):
        assert one["amount_g"] == pytest.approx(other["amount_g"], rel=1e-6)
    for key in ("consumed_estimate", "per_g_expected"):
        assert scenario["cost"][key] == pytest.approx(plan["cost"][key], rel=1e-6), key
    assert scenario["cost"]["cash"] == plan["cost"]["cash"]
    assert [step["batches"] for step in scenario["steps"]] == [step["batches"] for step in plan["steps"]]


def plan(desk: Desk, **asked: Any) -> dict[str, Any]:
    return desk.plan("oxide", **{"target_g": 25.0, "stock": "none", "trials": TRIALS, **asked})


def test_today_is_the_plan_of_today(bench: Desk) -> None:
    found = bench.what_if("oxide", change("target", target="50 g"), **ASKED)
    alike(found["today"], plan(bench))
    alike(found["scenarios"][0], plan(bench, target_g=50.0))
    assert found["rests_on"]["runs"] == 10
    # What is kept within the record by a stop is kept so here.
    assert found["scenarios"][0]["kept_small"] == ["batch-beyond-record"]
    loose = bench.what_if("oxide", change("target", target="50 g"), acknowledge=["batch-beyond-record"], **ASKED)
    alike(loose["scenarios"][0], plan(bench, target_g=50.0, acknowledge=["batch-beyond-record"]))


def test_changes_of_the_shop_are_those_of_the_book(bench: Desk) -> None:
    """Prices, packs and assays of offers, on either database: the book changed and asked again says the same."""
    offer = {"material": "soda-ash", "supplier": "corner", "pack": "1 kg", "price": eur("3")}
    vitriol = {"material": "blue-vitriol", "supplier": "corner", "pack": "100 g", "assay": "0.98", "price": eur("2")}
    cases = [
        (change("price", offer="ash-1kg", price=eur("30")), "ash-1kg", {**offer, "price": eur("30")}),
        (change("price", material="soda-ash", factor="1.5"), "ash-1kg", {**offer, "price": eur("4.5")}),
        (change("price", material="soda-ash", price=eur("9"), per="2 kg"), "ash-1kg", {**offer, "price": eur("4.5")}),
        (change("pack", offer="ash-1kg", pack="20 g"), "ash-1kg", {**offer, "pack": "20 g"}),
        (change("price", offer="vitriol-100g", factor="0.5"), "vitriol-100g", {**vitriol, "price": eur("1")}),
        (change("assay", offer="vitriol-100g", assay="0.7"), "vitriol-100g", {**vitriol, "assay": "0.7"}),
    ]
    scenarios = bench.what_if("oxide", *(case[0] for case in cases), **ASKED)["scenarios"]
    for scenario, (_, code, body) in zip(scenarios, cases, strict=True):
        bench.put("offers", code, body)
        alike(scenario, plan(bench))
        bench.put("offers", "ash-1kg", offer)
        bench.put("offers", "vitriol-100g", vitriol)
    # Cheaper or dearer packs of what is wanted as before: counted, and not drawn.
    for scenario in scenarios[:5]:
        assert scenario["difference"]["monte_carlo_u"]["target_g"] == 0.0
        assert scenario["difference"]["monte_carlo_u"]["batches"] == 0.0
    cheaper = scenarios[4]
    assert cheaper["difference"]["cash"]["amount"].startswith("-")
    assert cheaper["difference"]["consumed_estimate"]["value"] < 0.0
    assert cheaper["difference"]["starting_materials"][0]["amount_g"] == 0.0
    assert cheaper["difference"]["starting_materials"][0]["monte_carlo_u"] == 0.0


@ONLY_SQLITE
def test_changes_of_the_route_are_those_of_the_book(bench: Desk) -> None:
    first = ROUTE["steps"][0]
    ash = first["bill"][0]

    def route(**keys: Any) -> dict[str, Any]:
        return altered(ROUTE, steps=[first | keys, ROUTE["steps"][1]])

    cases = [
        (change("limits", step="carbonate", largest="25 g"), limited(largest="25 g")),
        (change("limits", step="carbonate", smallest="200 g"), limited(smallest="200 g")),
        (
            change("bill", step="carbonate", material="soda-ash", equivalents="2.2"),
            route(bill=[ash | {"equivalents": "2.2"}, *first["bill"][1:]]),
        ),
        (
            change("bill", step="carbonate", material="water", per_key_input="4 mL/g"),
            route(bill=[ash, {"material": "water", "per_key_input": "4 mL/g"}]),
        ),
    ]
    asked = {**ASKED, "acknowledge": ["batch-beyond-record"]}
    scenarios = bench.what_if("oxide", *(case[0] for case in cases), **asked)["scenarios"]
    for scenario, (_, body) in zip(scenarios, cases, strict=True):
        bench.put("routes", "oxide", body)
        alike(scenario, plan(bench, acknowledge=["batch-beyond-record"]))


@ONLY_SQLITE
def test_a_bill_that_then_limits_gives_less(bench: Desk) -> None:
    """At half an equivalent the ash limits what the vitriol can give, as theory has it."""
    line = change("bill", step="carbonate", material="soda-ash", equivalents="0.5")
    found = bench.what_if("oxide", line, **ASKED, acknowledge=["batch-beyond-record"])
    (half,) = found["scenarios"]
    assert start(half) > 1.9 * start(found["today"])


@ONLY_SQLITE
def test_stock_on_and_off(bench: Desk) -> None:
    bench.put("lots", "ash-found", {"material": "soda-ash", "amount": "40 g"})
    bench.put("lots", "ash-old", {"material": "soda-ash", "amount": "10 g", "expires_on": "2026-01-31"})
    bench.put("lots", "green", {"material": "malachite", "amount": "8 g", "assay": "0.96"})
    found = bench.what_if(
        "oxide",
        change("stock", stock="none"),
        change("stock", lot="ash-found"),
        change("stock", lot="ash-old", on=True),
        change("stock", material="soda-ash", on=True),
        change("stock", material="malachite"),
        change("stock", lot="green"),
        target="250 g",
        acknowledge=["batch-beyond-record"],
    )
    today = found["today"]
    none, one, old, on, no_green, green_off = found["scenarios"]
    alike(today, plan(bench, target_g=250.0, stock="own", acknowledge=["batch-beyond-record"]))
    alike(none, plan(bench, target_g=250.0, stock="none", acknowledge=["batch-beyond-record"]))
    assert start(none) == start(no_green) == start(green_off) > start(today) == start(one)
    bench.remove("lots", "green")
    alike(green_off, plan(bench, target_g=250.0, stock="own", acknowledge=["batch-beyond-record"]))
    assert {each["difference"]["consumed_estimate"]["value"] for each in (one, old, on)} == {0.0}


@ONLY_SQLITE
def test_yields_and_failures(bench: Desk) -> None:
    better, same, sure, worse = bench.what_if(
        "oxide",
        change("yield", step="roast", factor="1.05"),
        change("yield", step="roast", factor="1"),
        change("failure-rate", step="carbonate", failure_rate="0"),
        change("yield", step="carbonate", **{"yield": "0.5"}),
        **ASKED,
    )["scenarios"]
    today = bench.what_if("oxide", change("confidence", confidence="0.8"), **ASKED)["today"]
    assert start(better) < start(today) < start(worse)
    # A forecast moved to where it is, is the same to rounding.
    assert start(same) == pytest.approx(start(today), rel=1e-9)
    assert sure["p_max"] > today["p_max"]
    assert start(sure) <= start(today)
    line = worse["difference"]["starting_materials"][0]
    assert line["amount_g"] == pytest.approx(start(worse) - start(today))
    # Paired, the luck of a difference is far less than that of either: each is good to some per cent.
    assert 0.0 < better["difference"]["starting_materials"][0]["monte_carlo_u"] < 0.01 * start(today)


@ONLY_SQLITE
def test_a_step_bought_and_another_route(bench: Desk) -> None:
    body = {"material": "malachite", "supplier": "corner", "pack": "100 g", "assay": "0.96", "price": eur("1")}
    bench.put("offers", "malachite-100g", body)
    other = altered(copy.deepcopy(ROUTE), name="the same by another name")
    bench.put("routes", "oxide-2", other)
    bought, route = bench.what_if("oxide", change("buy", step="carbonate"), change("route", route="oxide-2"), **ASKED)[
        "scenarios"
    ]
    assert [each["material"] for each in bought["starting_materials"]] == ["malachite"]
    way = bench.plan("oxide", 25.0, stock="none", trials=TRIALS)["ways_in"][1]
    assert bought["cost"]["cash"] == way["cash"]
    amounts = {each["material"]: each["amount_g"] for each in bought["difference"]["starting_materials"]}
    assert amounts["blue-vitriol"] < 0.0 < amounts["malachite"]
    alike(route, bench.plan("oxide-2", 25.0, stock="none", trials=TRIALS))
    assert route["route"] == "oxide-2"


@ONLY_SQLITE
def test_contents_and_assays_of_what_is_bought(bench: Desk) -> None:
    """All the vitriol at half the strength that is planned with: twice of it, and as much of the rest as before."""
    found = bench.what_if("oxide", change("assay", material="blue-vitriol", assay="0.49"), **ASKED)
    (weak,) = found["scenarios"]
    asked = {**ASKED, "acknowledge": ["batch-beyond-record"], "target": "1 g"}
    found = bench.what_if("oxide", change("assay", material="blue-vitriol", assay="0.49"), **asked)
    (weak,) = found["scenarios"]
    assert start(weak) == pytest.approx(2 * start(found["today"]), rel=1e-6)
    assert weak["p_reach"] == found["today"]["p_reach"]


@ONLY_SQLITE
def test_an_input_of_a_route_of_its_own(desk: Desk) -> None:
    ash_of_ones_own(desk)
    take_ash_from_its_route(desk)
    found = desk.what_if(
        "oxide", change("bill", step="carbonate", material="soda-ash", equivalents="2.2"), **ASKED,
        acknowledge=["batch-beyond-record"],
    )  # fmt: skip
    (twice,) = found["scenarios"]
    before = named(found["today"]["starting_materials"], material="soda")["amount_g"]
    after = named(twice["starting_materials"], material="soda")["amount_g"]
    assert after == pytest.approx(2 * before, rel=0.1)


@ONLY_SQLITE
def test_every_wrong_name_at_once_with_the_nearest(bench: Desk) -> None:
    wrong = [
        change("yield", step="rost", factor="2"),
        change("price", offer="ash-2kg", factor="2"),
        change("price", material="soda-ahs", factor="2"),
        change("bill", step="carbonate", material="soda", equivalents="1"),
        change("stock", lot="C-1-lott"),
        change("route", route="oxid"),
        change("buy", step="roast"),
        change("yield", step="roast", factor="2"),
        change("content", material="blue-vitriol", analyte="copper-oxide", content="0.3"),
        change("assay", material="malachite", assay="0.5"),
        change("limits", step="roast", largest="1 g", smallest=None) | {},
    ]
    with pytest.raises(InvalidInput) as refused:
        bench.what_if("oxide", *wrong, **ASKED)
    faults = {fault.pointer: (fault.code, fault.detail) for fault in refused.value.faults}
    for at, key, code, hint in (
        (0, "step", "unknown-step", "did you mean 'roast'"),
        (1, "offer", "unknown-offer", "did you mean 'ash-1kg'"),
        (2, "material", "unknown-material", "did you mean 'soda-ash'"),
        (3, "material", "unknown-bill-line", "did you mean 'soda-ash'"),
        (4, "lot", "unknown-lot", ""),
        (5, "route", "unknown-route", "did you mean 'oxide'"),
        (6, "step", "last-step", ""),
        (7, "factor", "out-of-range", "below 1"),
        (8, "analyte", "unknown-analyte", ""),
        (9, "material", "made-here", "yield"),
    ):
        found = faults[f"/scenarios/{at}/changes/0/{key}"]
        assert found[0] == code
        assert hint in found[1]
    assert len(faults) == 10
    with pytest.raises(UnknownRecord):
        bench.what_if("nothing", change("target", target="1 g"), **ASKED)


@ONLY_SQLITE
def test_a_scenario_that_cannot_be_planned_leaves_the_others(bench: Desk) -> None:
    vast, fine = bench.what_if(
        "oxide",
        {"changes": [{"kind": "limits", "step": "carbonate", "largest": "0.1 g"}]},
        change("target", target="1 g"),
        **ASKED,
    )["scenarios"]
    assert vast["p_reach"] is None
    assert vast["difference"] is None
    assert "200 batches" in vast["reasons"]["plan"]
    assert fine["p_reach"] >= 0.9
    assert fine["difference"]["target_g"] == pytest.approx(-24.0)


@ONLY_SQLITE
def test_asked_backwards(bench: Desk) -> None:
    budget = {"budget": eur("20"), "stock": "none"}
    found = bench.what_if("oxide", change("price", offer="vitriol-100g", factor="0.5"), **budget)
    alike(found["today"], bench.plan("oxide", budget=(20, "EUR"), stock="none", trials=TRIALS))
    (cheaper,) = found["scenarios"]
    assert cheaper["difference"]["target_g"] > 0.0
    assert cheaper["runs_out_first"] is not None
    assert found["planned_for"] == "budget"
    assert cheaper["difference"]["monte_carlo_u"]["target_g"] > 0.0
    # A target in place of the budget is given, and no longer drawn; what stands beside it still is.
    (given,) = bench.what_if("oxide", change("target", target="5 g"), **budget)["scenarios"]
    assert given["difference"]["monte_carlo_u"]["target_g"] > 0.0
