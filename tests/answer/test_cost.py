"""Standard cost of small books, each sum by hand beside it."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from typing import Any

import pytest

from service.errors import NotComputable
from tests.answer.desk import Desk, named
from tests.answer.small import ASH_M, MALACHITE_M, OXIDE_M, VITRIOL_M, eur, roast, run, shop
from tests.store.book import CARBONATE_RUN, ROUTE, altered


def by_hand() -> float:
    """EUR a g of oxide for one run of either step at the shop's prices."""
    feed = 2 / 100 + 1.1 * (0.98 / VITRIOL_M) * ASH_M * 3 / 1000
    malachite = feed / (20.41 / 50.0)
    return malachite / (6.50 / 10.0)


def test_one_run_of_each_step_by_hand(desk: Desk) -> None:
    desk.fill()
    run(desk, "C-1")
    roast(desk, "R-1")
    shop(desk)
    found = desk.cost("oxide")
    assert found["cost_per_g"] == pytest.approx(by_hand(), rel=2e-4)
    assert found["low"] is None
    assert "fewer than 3 runs" in found["reasons"]["low"]
    assert named(found["by_material"], material="water")["cost_per_g"] == 0.0
    ash = named(found["by_material"], material="soda-ash")
    grams = 1.1 * (0.98 / VITRIOL_M) * ASH_M / (20.41 / 50.0) / 0.65
    assert ash["amount_g_per_g"] == pytest.approx(grams, rel=2e-4)
    assert ash["cost_per_g"] == pytest.approx(grams * 3 / 1000, rel=2e-4)
    assert found["buy_instead"] is None
    assert found["rests_on"]["prices"]["soda-ash"] == {"source": "offer", "code": "ash-1kg", "per_g": 0.003}


def test_a_failure_is_paid_for_by_the_good_runs(desk: Desk) -> None:
    desk.fill()
    run(desk, "C-1")
    roast(desk, "R-1")
    shop(desk)
    run(desk, "C-2", status="failed", outturns=[])
    found = desk.cost("oxide")
    assert found["cost_per_g"] == pytest.approx(2 * by_hand(), rel=2e-4)
    assert found["cost_per_g_good_runs"] == pytest.approx(by_hand(), rel=2e-4)
    run(desk, "C-3", status="abandoned", outturns=[])
    assert desk.cost("oxide")["cost_per_g"] == found["cost_per_g"]


def test_what_has_no_price_is_never_free(desk: Desk) -> None:
    desk.fill()
    run(desk, "C-1")
    roast(desk, "R-1")
    shop(desk, "ash-1kg")
    found = desk.cost("oxide")
    assert found["cost_per_g"] is None
    assert [line["name"] for line in found["unpriced"]] == ["soda-ash"]
    ash = named(found["by_material"], material="soda-ash")
    assert (ash["cost_per_g"], ash["reasons"]) == (None, {"cost_per_g": found["unpriced"][0]["reason"]})
    assert not any(line["reasons"] for line in found["by_material"] if line is not ash)
    assert found["cost_per_g_at_least"] == pytest.approx(2 / 100 / (20.41 / 50.0) / 0.65, rel=1e-6)
    assert found["reasons"].keys() >= {"cost_per_g", "cost_per_contained_g", "cash_per_g", "low", "high"}
    # The newest charge that states a price is a price too: 3.50 a kg.
    run(desk, "C-2", charges=[*CARBONATE_RUN["charges"][:1], _priced("3.50"), CARBONATE_RUN["charges"][2]])
    found = desk.cost("oxide")
    assert found["unpriced"] == []
    assert found["rests_on"]["prices"]["soda-ash"] == {"source": "charge", "code": "C-2", "per_g": 0.0035}


def test_the_newest_of_many_charges_tells_the_price_be_it_of_a_lot_that_has_no_value(desk: Desk) -> None:
    desk.fill()
    shop(desk, "ash-1kg")
    vitriol, _, water = CARBONATE_RUN["charges"]
    for n in range(60):
        day = {"started_on": f"2026-{4 + n // 28:02}-{1 + n % 28:02}", "finished_on": "2026-07-01"}
        run(desk, f"C-{n:02}", charges=[vitriol | {"amount": "2.0 g"}, _priced(f"{n + 1}.00"), water], **day)
    roast(desk, "R-1")
    price = desk.cost("oxide")["rests_on"]["prices"]["soda-ash"]
    assert price == {"source": "charge", "code": "C-59", "per_g": pytest.approx(0.060)}
    own = {"material": "soda-ash", "amount": "500 g", "assay": "0.5"}
    desk.put("lots", "ash-given", own)
    of_lot = {"lot": "ash-given", "amount": "23.5 g", "price": eur("1.00") | {"per": "1 kg"}}
    run(desk, "C-last", charges=[vitriol | {"amount": "2.0 g"}, of_lot, water], started_on="2026-07-01",
        finished_on="2026-07-01")  # fmt: skip
    price = desk.cost("oxide")["rests_on"]["prices"]["soda-ash"]
    assert price == {"source": "charge", "code": "C-last", "per_g": pytest.approx(0.001)}
    assert desk.cost("oxide", as_of=dt.date(2026, 4, 3))["rests_on"]["prices"]["soda-ash"]["code"] == "C-02"
    # A lot that has a value costs that, whatever a charge of it states.
    desk.put("lots", "ash-given", own | {"value": eur("7.50")})
    price = desk.cost("oxide")["rests_on"]["prices"]["soda-ash"]
    assert price == {"source": "lot", "code": "ash-given", "per_g": pytest.approx(0.015)}


def _priced(amount: str) -> dict[str, Any]:
    return {"material": "soda-ash", "amount": "23.5 g", "price": eur(amount) | {"per": "1 kg"}}


def test_a_price_follows_what_the_pack_contains(desk: Desk) -> None:
    """Half as strong for half as much costs the same a mole; the dearer of two equal packs is not bought."""
    desk.fill()
    run(desk, "C-1")
    roast(desk, "R-1")
    shop(desk)
    before = desk.cost("oxide")["cost_per_g"]
    weak = {"material": "blue-vitriol", "supplier": "corner", "pack": "100 g", "assay": "0.49"}
    desk.put("offers", "vitriol-weak", weak | {"price": eur("0.99")})
    found = desk.cost("oxide")
    assert found["rests_on"]["prices"]["blue-vitriol"]["code"] == "vitriol-weak"
    vitriol = 0.02 / (20.41 / 50.0) / 0.65
    assert before - found["cost_per_g"] == pytest.approx(vitriol * 0.01, rel=1e-6)
    desk.put("offers", "vitriol-weak", weak | {"price": eur("1.01")})
    assert desk.cost("oxide")["cost_per_g"] == pytest.approx(before, rel=1e-12)


def test_offers_have_dates_and_the_lot_stands_in(desk: Desk) -> None:
    desk.fill()
    run(desk, "C-1")
    roast(desk, "R-1")
    shop(desk, "vitriol-100g")
    # The opening lot: 500 g for 6.50.
    found = desk.cost("oxide")
    price = found["rests_on"]["prices"]["blue-vitriol"]
    assert price == {"source": "lot", "code": "vitriol-1", "per_g": 0.013}
    over = {"material": "blue-vitriol", "supplier": "corner", "pack": "100 g", "price": eur("9")}
    desk.put("offers", "vitriol-old", over | {"valid_to": "2026-11-24"})
    desk.put("offers", "vitriol-soon", over | {"valid_from": "2026-11-26"})
    assert desk.cost("oxide")["rests_on"]["prices"]["blue-vitriol"] == price


def test_buying_instead(desk: Desk) -> None:
    desk.fill()
    run(desk, "C-1")
    roast(desk, "R-1")
    shop(desk)
    for material, price in (("copper-oxide", "1.20"), ("malachite", "0.30")):
        offer = {"material": material, "supplier": "corner", "pack": "10 g", "price": eur(price)}
        desk.put("offers", f"{material}-10g", offer)
    found = desk.cost("oxide")
    assert found["buy_instead"] == {"offer": "copper-oxide-10g", "cost_per_g": pytest.approx(0.12)}
    half_way = named(found["by_step"], step="carbonate")["buy_instead"]
    assert half_way == {"offer": "malachite-10g", "cost_per_g": pytest.approx(0.03)}


def test_money_in_another_currency(desk: Desk) -> None:
    desk.fill()
    run(desk, "C-1")
    roast(desk, "R-1")
    shop(desk, currency="CHF")
    with pytest.raises(NotComputable, match="no exchange rate from CHF to EUR on 2026-11-25") as refused:
        desk.cost("oxide")
    assert refused.value.code == "no-exchange-rate"
    rate = {"base": "CHF", "quote": "EUR", "rate": "1.25", "valid_from": "2026-11-01"}
    desk.put("exchange-rates", "chf-november", rate)
    desk.put("exchange-rates", "chf-later", rate | {"rate": "9", "valid_from": "2026-12-01"})
    desk.put("exchange-rates", "chf-before", rate | {"rate": "5", "valid_from": "2026-01-01"})
    assert desk.cost("oxide")["cost_per_g"] == pytest.approx(1.25 * by_hand(), rel=2e-4)
    in_francs = desk.cost("oxide", currency="CHF")
    assert in_francs["currency"] == "CHF"
    assert in_francs["cost_per_g"] == pytest.approx(by_hand(), rel=2e-4)
    with pytest.raises(NotComputable, match="from CHF to USD"):
        desk.cost("oxide", currency="USD")


def test_an_opinion_until_the_first_run(desk: Desk) -> None:
    desk.fill()
    run(desk, "C-1")
    shop(desk)
    assert desk.cost("oxide")["cost_per_g"] is None
    steps = [ROUTE["steps"][0], ROUTE["steps"][1] | {"expected_yield": {"low": "0.6", "likely": "0.8", "high": "0.9"}}]
    desk.put("routes", "oxide", altered(ROUTE, steps=steps))
    found = desk.cost("oxide")
    malachite = by_hand() * 0.65
    # With no run of it the product is taken as pure and dry, and malachite as strong as it was made.
    assert found["cost_per_g"] == pytest.approx(malachite / (0.8 * 0.96 * 2 * OXIDE_M / MALACHITE_M), rel=3e-4)
    assert any("opinion" in each for each in found["not_counted"])
    roast(desk, "R-1")
    assert desk.cost("oxide")["cost_per_g"] == pytest.approx(by_hand(), rel=2e-4)


def ash_route(desk: Desk, code: str = "ash") -> None:
    """Soda ash made here from soda by a step that is counted by mass, half of it, assayed 0.9."""
    desk.put("materials", "soda", {"name": "washing soda"})
    step = {"code": "calcine", "basis": "mass-ratio", "key_input": "soda", "product": "soda-ash", "labour": "2 h"}
    desk.put("routes", code, {"name": "soda ash", "product": "soda-ash", "steps": [step]})
    outturn = {"material": "soda-ash", "lot": f"{code}-made", "net": "50.0 g", "assay": "0.9"}
    made = {"route": code, "step": "calcine", "status": "finished", "finished_on": "2026-02-01"}
    made |= {"charges": [{"material": "soda", "amount": "100.0 g"}], "outturns": [outturn]}
    desk.put("runs", f"{code}-1", made)
    offer = {"material": "soda", "supplier": "corner", "pack": "1 kg", "price": eur("1")}
    desk.put("offers", "soda-1kg", offer)


def test_a_reagent_that_another_route_makes(desk: Desk) -> None:
    desk.fill()
    run(desk, "C-1")
    roast(desk, "R-1")
    shop(desk, "ash-1kg")
    ash_route(desk)
    found = desk.cost("oxide")
    assert found["rests_on"]["prices"]["soda-ash"] == {"source": "route", "code": "ash", "per_g": pytest.approx(0.002)}
    # Half of the soda is ash: 0.002 a gross g. The bill's ash is as strong as the one lot on the shelf, 0.9.
    per_g = 1.1 * (0.98 / VITRIOL_M) * ASH_M / 0.9
    assert named(found["by_material"], material="soda-ash")["cost_per_g"] == pytest.approx(
        per_g * 0.002 / (20.41 / 50.0) / 0.65, rel=2e-4
    )
    # A stronger lot bought once makes the expected strength another, and a made gram of ash costs what it costs.
    desk.put("lots", "ash-strong", {"material": "soda-ash", "amount": "50 g", "assay": "1"})
    again = desk.cost("oxide")
    assert again["cost_per_g"] == pytest.approx(found["cost_per_g"], rel=1e-9)
    desk.put("rates", "hour", {"of": "labour", "price": eur("3"), "per": "1 h", "valid_from": "2026-01-01"})
    with_labour = named(desk.cost("oxide", labour=True)["by_material"], material="soda-ash")
    assert with_labour["cost_per_g"] == pytest.approx(per_g * (0.002 + 6 / 50) / (20.41 / 50.0) / 0.65, rel=2e-4)


def test_two_routes_make_it_and_one_is_named(desk: Desk) -> None:
    desk.fill()
    run(desk, "C-1")
    roast(desk, "R-1")
    shop(desk)
    ash_route(desk)
    ash_route(desk, "ash-too")
    step = altered(ROUTE["steps"][0])
    step["bill"][0]["from_route"] = "ash"
    desk.put("routes", "oxide", altered(ROUTE, steps=[step, ROUTE["steps"][1]]))
    # What a route is named for is not priced from the shop.
    assert desk.cost("oxide")["rests_on"]["prices"]["soda-ash"]["code"] == "ash"
    desk.put("routes", "oxide", ROUTE)
    desk.remove("offers", "ash-1kg")
    found = desk.cost("oxide")
    assert found["cost_per_g"] is None
    assert found["unpriced"] == [{"name": "soda-ash", "reason": "made by ash, ash-too, from which no one cost follows"}]


def test_energy_consumables_and_labour(desk: Desk) -> None:
    desk.fill()
    step = ROUTE["steps"][0] | {"labour": "1.5 h", "energy": "0.8 kWh", "consumables": eur("0.50")}
    desk.put("routes", "oxide", altered(ROUTE, steps=[step, ROUTE["steps"][1] | {"labour": "1 h"}]))
    run(desk, "C-1")
    roast(desk, "R-1")
    shop(desk)
    found = desk.cost("oxide")
    batches = 1 / (20.41 / 50.0) / 0.65 / 50.0  # of the first step behind a gram of oxide
    assert found["cost_per_g"] == pytest.approx(by_hand() + 0.5 * batches, rel=2e-4)
    assert found["labour_h_per_g"] == pytest.approx(1.5 * batches + 1 / 6.5, rel=1e-6)
    assert any("energy of step carbonate" in each for each in found["not_counted"])
    for of, per in (("energy", "1 kWh"), ("labour", "1 h")):
        desk.put("rates", of, {"of": of, "price": eur("2"), "per": per, "valid_from": "2026-01-01"})
        desk.put("rates", f"{of}-later", {"of": of, "price": eur("9"), "per": per, "valid_from": "2026-12-01"})
    found = desk.cost("oxide")
    assert found["cost_per_g"] == pytest.approx(by_hand() + (0.5 + 1.6) * batches, rel=2e-4)
    assert found["not_counted"] == []
    paid = desk.cost("oxide", labour=True)
    assert paid["cost_per_g"] - found["cost_per_g"] == pytest.approx(3.0 * batches + 2 / 6.5, rel=1e-6)
    split = [*paid["by_material"], *paid["direct"]]
    assert math.fsum(line["cost_per_g"] for line in split) == pytest.approx(paid["cost_per_g"])


def test_cash_for_whole_packs(desk: Desk) -> None:
    """65 g of oxide take 245 g of vitriol and 112.1 g of ash: three packs, one pack, shipping; the tap is free."""
    desk.fill()
    run(desk, "C-1")
    roast(desk, "R-1")
    shop(desk)
    desk.put("suppliers", "corner", {"name": "corner shop", "shipping": eur("4"), "free_from": eur("50")})
    found = desk.cost("oxide", amount_g=65.0)
    vitriol_g = 65.0 / 0.65 / (20.41 / 50.0)
    assert math.ceil(vitriol_g / 100) == 3
    assert found["cash_for_g"] == 65.0
    assert found["cash_per_g"] == pytest.approx((3 * 2 + 3 + 4) / 65.0)
    # One typical last batch, 6.5 g, where no amount is asked for: one pack of each.
    found = desk.cost("oxide")
    assert found["cash_for_g"] == pytest.approx(6.5)
    assert found["cash_per_g"] == pytest.approx((2 + 3 + 4) / 6.5)


def acid_book(desk: Desk, lot: Mapping[str, Any], offer: Mapping[str, Any], **acid: Any) -> None:
    """Vitriol from oxide and acid: two equivalents of it, from a lot of 2 mol/L."""
    desk.fill()
    desk.put("materials", "acid", {"name": "acid", "formula": "H2SO4", **acid})
    reaction = {"reactants": {"copper-oxide": 1, "acid": 1, "water": 4}, "products": {"blue-vitriol": 1}}
    step = {
        "code": "dissolve",
        "basis": "stoichiometric",
        "key_input": "copper-oxide",
        "product": "blue-vitriol",
        "reaction": reaction,
        "bill": [{"material": "acid", "equivalents": "2"}],
    }
    desk.put("routes", "vitriol", {"name": "vitriol", "product": "blue-vitriol", "steps": [step]})
    desk.put("lots", "acid-1", {"material": "acid", "amount": "1 L", "concentration": "2 mol/L", **lot})
    charges = [{"material": "copper-oxide", "amount": "7.955 g"}, {"lot": "acid-1", "amount": "100 mL"}]
    made = {"route": "vitriol", "step": "dissolve", "status": "finished", "charges": charges}
    desk.put("runs", "V-1", made | {"outturns": [{"material": "blue-vitriol", "net": "20.00 g"}]})
    desk.put("suppliers", "corner", {"name": "corner shop"})
    desk.put("offers", "acid-1l", {"material": "acid", "supplier": "corner", "pack": "1 L", **offer})
    oxide = {"material": "copper-oxide", "supplier": "corner", "pack": "100 g", "price": eur("5")}
    desk.put("offers", "oxide-100g", oxide)


@pytest.mark.parametrize(
    ("lot", "offer", "acid", "unit"),
    [
        ({}, {}, {}, "ml"),
        ({}, {}, {"density": "1.12 g/mL"}, "g"),
        ({"density": "1.12 g/mL"}, {"density": "1.12 g/mL"}, {}, "g"),
    ],
    ids=["no density", "density of the material", "density of the lot"],
)
def test_a_solution_costs_what_its_volume_costs(
    lot: dict[str, Any], offer: dict[str, Any], acid: dict[str, Any], unit: str, desk: Desk
) -> None:
    """0.1 mol of oxide takes 0.2 mol of acid: 100 mL of 2 mol/L, at 6 a litre 0.60, be its density known or not."""
    acid_book(desk, lot, offer | {"price": eur("6")}, **acid)
    found = desk.cost("vitriol")
    line = named(found["by_material"], material="acid")
    moles = 7.955 / OXIDE_M
    assert line["cost_per_g"] == pytest.approx(moles * 2 / 2 * 6 / 20.0, rel=2e-4)
    per_g = moles * 1000 / 20.0
    assert line[f"amount_{unit}_per_g"] == pytest.approx(per_g if unit == "ml" else per_g * 1.12, rel=2e-4)
    if unit == "ml":
        assert line["amount_g_per_g"] is None
    assert found["cash_per_g"] == pytest.approx((6 + 5) / 20.0)


def test_two_solutions_are_met_by_the_mean_of_what_they_hold(desk: Desk) -> None:
    acid_book(desk, {}, {"price": eur("6")})
    desk.put("lots", "acid-2", {"material": "acid", "amount": "3 L", "concentration": "6 mol/L"})
    line = named(desk.cost("vitriol")["by_material"], material="acid")
    # (1 L·2 + 3 L·6)/4 L = 5 mol/L
    assert line["amount_ml_per_g"] == pytest.approx(7.955 / OXIDE_M * 2 / 5 * 1000 / 20.0, rel=2e-4)


def test_a_solution_in_a_pack_by_weight_is_unpriced_and_says_why(desk: Desk) -> None:
    acid_book(desk, {}, {"price": eur("6"), "pack": "1 kg"})
    found = desk.cost("vitriol")
    assert found["cost_per_g"] is None
    (line,) = found["unpriced"]
    assert line["name"] == "acid"
    assert "density" in line["reason"]


def test_an_intermediate_by_the_batch_is_never_left_out(desk: Desk) -> None:
    """A second step takes 2 g of malachite a batch besides; with no run to tell a batch by, its share is not known."""
    desk.fill()
    shop(desk)
    run(desk, "C-1")
    step = {
        "code": "mix",
        "basis": "mass-ratio",
        "key_input": "soda-ash",
        "product": "blend",
        "bill": [{"material": "malachite", "per_batch": "2 g"}],
        "expected_yield": {"low": "0.9", "likely": "1", "high": "1.1"},
    }
    desk.put("materials", "blend", {"name": "blend"})
    desk.put("routes", "oxide", altered(ROUTE, product="blend", steps=[ROUTE["steps"][0], step]))
    found = desk.cost("oxide")
    assert found["cost_per_g"] is None
    assert [line["name"] for line in found["unpriced"]] == ["malachite"]
    sized = step | {"key_input_limits": {"largest": "20 g"}}
    desk.put("routes", "oxide", altered(ROUTE, product="blend", steps=[ROUTE["steps"][0], sized]))
    malachite = by_hand() * 0.65
    assert desk.cost("oxide")["cost_per_g"] == pytest.approx(0.003 + malachite * 2 / 20, rel=2e-4)


def test_a_route_without_runs_prices_or_batches(desk: Desk) -> None:
    desk.fill()
    found = desk.cost("oxide")
    assert found["cost_per_g"] is None
    assert found["cost_per_g_at_least"] is None
    assert "carbonate" in found["reasons"]["cost_per_g"]
    opinion = {"low": "0.5", "likely": "0.7", "high": "0.9"}
    steps = [step | {"expected_yield": opinion, "consumables": eur("1")} for step in ROUTE["steps"]]
    desk.put("routes", "oxide", altered(ROUTE, steps=steps))
    found = desk.cost("oxide")
    assert found["cost_per_g"] is None
    assert {line["name"] for line in found["unpriced"]} == {"soda-ash", "water", "consumables"}
