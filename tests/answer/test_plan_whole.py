"""Plans whole: asked backwards, branches at their cheapest, hours, masses, the second order, make or buy."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import NotComputable, UnknownRecord
from tests.answer.desk import Desk, named
from tests.answer.small import NETS, ash_of_ones_own, eur, five_runs, run, shop, take_ash_from_its_route
from tests.answer.test_plan import ONLY_SQLITE, branched, limited, start
from tests.store.book import ROUTE, altered


@pytest.fixture
def bench(desk: Desk) -> Desk:
    """Five runs of either step, and a shop."""
    return five_runs(desk)


@pytest.fixture
def fed(desk: Desk) -> Desk:
    """The same, its ash made by a route of its own."""
    ash_of_ones_own(desk)
    take_ash_from_its_route(desk)
    return desk


def test_what_a_budget_reaches_is_what_that_target_costs(bench: Desk) -> None:
    found = bench.plan("oxide", budget=(20, "EUR"), stock="none")
    assert (found["planned_for"], found["budget"]) == ("budget", {"amount": "20.00", "currency": "EUR"})
    assert float(found["cost"]["cash"]["amount"]) <= 20.0
    assert found["runs_out_first"] in {"blue-vitriol", "soda-ash"}
    asked = bench.plan("oxide", found["target_g"], stock="none")
    assert start(asked) == pytest.approx(start(found))
    assert asked["p_reach"] == found["p_reach"] >= 0.9
    assert (asked["runs_out_first"], asked["planned_for"], asked["budget"]) == (None, "target", None)
    beyond = bench.plan("oxide", found["target_g"] * 1.0001, stock="none")
    assert float(beyond["cost"]["cash"]["amount"]) > 20.0
    # The currency of the answer where none is said, another one at its rate.
    assert bench.plan("oxide", budget=(20, None), stock="none")["target_g"] == found["target_g"]
    with pytest.raises(NotComputable, match="exchange rate"):
        bench.plan("oxide", budget=(20, "CHF"), stock="none")


def test_what_the_shelf_reaches_leaves_nothing_of_what_runs_out(bench: Desk) -> None:
    bench.put("lots", "ash-found", {"material": "soda-ash", "amount": "40 g"})
    found = bench.plan("oxide", from_stock=True)
    assert found["runs_out_first"] == "soda-ash"
    line = named(found["materials"], material="soda-ash")
    assert line["need_g"] == pytest.approx(40.0, rel=1e-4)
    assert line["need_g"] <= 40.0
    assert found["cost"]["cash"]["amount"] == "0.00"
    assert found["p_reach"] >= 0.9
    bench.put("lots", "ash-found", {"material": "soda-ash", "amount": "4000 g"})
    more = bench.plan("oxide", from_stock=True)
    assert more["runs_out_first"] == "blue-vitriol"
    assert more["target_g"] > found["target_g"]
    bench.remove("lots", "ash-found")
    with pytest.raises(NotComputable, match="soda-ash runs out first") as refused:
        bench.plan("oxide", from_stock=True)
    assert refused.value.extra == {"runs_out_first": "soda-ash"}


def test_tap_water_is_at_hand_even_where_it_costs_something(bench: Desk) -> None:
    bench.put("lots", "ash-found", {"material": "soda-ash", "amount": "40 g"})
    free = bench.plan("oxide", from_stock=True)
    tap = {"material": "water", "supplier": "corner", "pack": "1000 L", "price": eur("4.50")}
    bench.put("offers", "tap", tap)
    found = bench.plan("oxide", from_stock=True)
    assert (found["runs_out_first"], found["target_g"]) == ("soda-ash", free["target_g"])
    # Kept in bottles, it runs out like anything else.
    bench.put("lots", "water-bottle", {"material": "water", "amount": "10 mL"})
    assert bench.plan("oxide", from_stock=True)["runs_out_first"] == "water"


def test_exactly_one_question(bench: Desk) -> None:
    for asked in ({}, {"target_g": 1.0, "from_stock": True}, {"target_g": 1.0, "budget": (5, "EUR")}):
        with pytest.raises(ValueError, match="exactly one"):
            bench.plan("oxide", **asked)


def test_a_stop_bounds_what_a_budget_reaches_too(bench: Desk) -> None:
    found = bench.plan("oxide", budget=(80, "EUR"), stock="none")
    assert found["withheld"]
    assert named(found["steps"], step="carbonate")["batch_g"] <= 50.0 * (1 + 1e-9)
    assert float(found["cost"]["cash"]["amount"]) <= 80.0


def test_hours_of_hands_and_of_the_clock(bench: Desk) -> None:
    silent = bench.plan("oxide", 25.0, stock="none")
    assert silent["elapsed_h"] is None
    assert silent["longest_path"] == []
    assert "roast" in silent["reasons"]["elapsed_h"]
    steps = [step | {"labour": "1.5 h", "elapsed": "1 d"} for step in limited(largest="25 g")["steps"]]
    bench.put("routes", "oxide", altered(ROUTE, steps=steps))
    found = bench.plan("oxide", 25.0, stock="none")
    batches = [step["batches"] for step in found["steps"]]
    assert batches[0] > 2
    assert found["hands_on_h"] == pytest.approx(1.5 * sum(batches))
    assert found["elapsed_h"] == pytest.approx(24.0 * sum(batches))
    assert found["longest_path"] == ["carbonate", "roast"]


def test_the_masses_of_a_plan_close(bench: Desk) -> None:
    found = bench.plan("oxide", 25.0, stock="none")
    expected = found["expected"]
    assert expected["product_g"] == pytest.approx(found["steps"][-1]["expected_product_g"])
    # Nothing in these steps is left over; a feed as planned of what is bought, as one line takes it.
    assert expected["into_g"] == pytest.approx(sum(line["planned_g"] for line in found["materials"]))
    left = sum(line["amount_g"] for line in expected["left_over"])
    assert expected["waste_g"] == pytest.approx(expected["into_g"] - expected["product_g"] - left)
    assert left == pytest.approx(0.0, abs=1e-6)


def test_branches_are_left_over_where_the_other_is_short(desk: Desk) -> None:
    branched(desk)
    bare = desk.plan("blend", 2.0, stock="none", acknowledge=["batch-beyond-record"])
    assert bare["branches"]["cost"] is None
    assert "soda" in bare["reasons"]["branches"]
    desk.put("offers", "soda-1kg", {"material": "soda", "supplier": "corner", "pack": "1 kg", "price": eur("0.5")})
    found = desk.plan("blend", 2.0, stock="none", acknowledge=["batch-beyond-record"])
    over = {line["fed_by"]: line["over"] for line in found["branches"]["over_provided"]}
    assert over["calcine"] > 1.05 > over["carbonate"] == 1.0
    assert found["branches"]["saves"] > 0.0
    assert found["branches"]["cost"] < found["branches"]["cost_at_the_bill"]
    assert start(found) < start(bare)
    assert found["p_reach"] >= 0.9
    left = {line["step"]: line["amount_g"] for line in found["expected"]["left_over"]}
    assert left["calcine"] > 0.0
    assert found["expected"]["waste_g"] > 0.0


def test_the_second_order_and_what_it_costs_more(bench: Desk) -> None:
    alone = bench.plan("oxide", 25.0, stock="none")
    assert alone["runner_up"] is None
    assert "the only one" in alone["reasons"]["runner_up"]
    bench.put("suppliers", "post", {"name": "by post", "shipping": eur("3")})
    bench.put("offers", "ash-post", {"material": "soda-ash", "supplier": "post", "pack": "500 g", "price": eur("1.50")})
    found = bench.plan("oxide", 25.0, stock="none")
    assert found["cost"]["cash"] == alone["cost"]["cash"]
    other = found["runner_up"]
    assert other["without"] == "ash-1kg"
    assert {pack["offer"] for pack in other["packs"]} == {"vitriol-100g", "ash-post"}
    assert named(other["packs"], offer="ash-post")["supplier"] == "post"
    # 1.50 and 3 of shipping in place of 3.
    assert other["costs_more"] == {"amount": "1.50", "currency": "EUR"}
    assert float(other["cash"]["amount"]) == float(found["cost"]["cash"]["amount"]) + 1.5


def test_make_or_buy_half_way(bench: Desk) -> None:
    def offered(amount: str) -> dict[str, Any]:
        body = {"material": "malachite", "supplier": "corner", "pack": "100 g", "assay": "0.96", "price": eur(amount)}
        bench.put("offers", "malachite-100g", body)
        return bench.plan("oxide", 25.0, stock="none")

    plain = bench.plan("oxide", 25.0, stock="none")
    first = named(plain["make_or_buy"], step="carbonate")
    assert (first["decision"], first["buy_per_g"]) == ("make", None)
    assert [way["buy"] for way in plain["ways_in"]] == [[]]
    dear, cheap = offered("40"), offered("1")
    assert named(dear["make_or_buy"], step="carbonate")["decision"] == "make"
    choice = named(cheap["make_or_buy"], step="carbonate")
    assert choice["decision"] == "buy"
    assert choice["buy_per_g"] == pytest.approx(0.01)
    assert choice["flips_at_price_per_g"] == pytest.approx(choice["make_per_g"])
    for found in (dear, cheap):
        made, bought = found["ways_in"]
        assert (made["buy"], bought["buy"]) == ([], ["carbonate"])
        assert made["cash"] == found["cost"]["cash"] == plain["cost"]["cash"]
        line = named(found["make_or_buy"], step="carbonate")
        assert (line["cash_if_made"], line["cash_if_bought"]) == (made["cash"], bought["cash"])
        assert bought["p_reach"] >= 0.9
    assert (dear["cheapest_way_in"], cheap["cheapest_way_in"]) == ([], ["carbonate"])
    # At the price at which it turns, both ways cost a gram the same: a hair to either side decides.
    turn = choice["flips_at_price_per_g"] * 100
    decisions = [
        named(offered(f"{turn * by:.6f}")["make_or_buy"], step="carbonate")["decision"] for by in (0.999, 1.001)
    ]
    assert decisions == ["buy", "make"]


def test_a_product_that_is_sold_stands_beside(bench: Desk) -> None:
    bench.put(
        "offers", "oxide-10g", {"material": "copper-oxide", "supplier": "corner", "pack": "10 g", "price": eur("4")}
    )
    found = bench.plan("oxide", 25.0, stock="none")
    bought = found["ways_in"][-1]
    assert (bought["buy"], bought["cash"]["amount"], bought["p_reach"]) == (["roast"], "12.00", None)
    assert named(found["make_or_buy"], step="roast")["buy_per_g"] == pytest.approx(0.4)


def test_what_is_left_of_packs_has_a_value(bench: Desk) -> None:
    bench.put("lots", "ash-old", {"material": "soda-ash", "amount": "5 g", "expires_on": "2027-01-31"})
    bench.put("lots", "ash-new", {"material": "soda-ash", "amount": "5 g", "expires_on": "2028-01-31"})
    bench.put("lots", "ash-gone", {"material": "soda-ash", "amount": "5 g", "expires_on": "2026-01-31"})
    line = named(bench.plan("oxide", 250.0)["materials"], material="soda-ash")
    assert line["on_hand_g"] == pytest.approx(10.0)
    assert line["on_hand_expires_on"] == "2027-01-31"
    assert line["left_over_value"] == pytest.approx(line["left_over_g"] * 0.003)


def test_what_is_left_of_packs_that_expire_is_said(bench: Desk) -> None:
    """Ash that keeps for 18 months from the day of the answer, 2026-11-25; vitriol for nine days, and the plan takes
    ten at the least."""
    silent = bench.plan("oxide", 25.0, stock="none")
    assert silent["expiring"] == []
    assert "ash-1kg" in silent["reasons"]["materials.left_over_expires_on"]
    offer = {"material": "soda-ash", "supplier": "corner", "pack": "1 kg", "price": eur("3")}
    bench.put("offers", "ash-1kg", {**offer, "shelf_life": "18 months"})
    found = bench.plan("oxide", 25.0, stock="none")
    line = named(found["materials"], material="soda-ash")
    assert line["left_over_expires_on"] == "2028-05-25"
    (ash,) = found["expiring"]
    assert ash["expires_on"] == "2028-05-25"
    assert (ash["left_over_g"], ash["value"]) == (line["left_over_g"], line["left_over_value"])
    assert ash["before_the_plan_is_done"] is None  # no step states how long it takes
    assert "ash-1kg" not in found["reasons"]["materials.left_over_expires_on"]
    assert "vitriol-100g" in found["reasons"]["materials.left_over_expires_on"]
    # Nothing of the plan itself hangs on it.
    assert found["cost"] == silent["cost"]

    vitriol = {"material": "blue-vitriol", "supplier": "corner", "pack": "100 g", "assay": "0.98", "price": eur("2")}
    bench.put("offers", "vitriol-100g", {**vitriol, "shelf_life": "9 d"})
    steps = [step | {"elapsed": "5 d"} for step in ROUTE["steps"]]
    bench.put("routes", "oxide", altered(ROUTE, steps=steps, change="revision"))
    late = bench.plan("oxide", 25.0, stock="none")
    assert late["elapsed_h"] >= 10 * 24.0
    first, second = late["expiring"]
    assert (first["material"], first["expires_on"], first["before_the_plan_is_done"]) == (
        *("blue-vitriol", "2026-12-04"),
        True,
    )
    assert "takes until" in first["detail"]
    assert (second["material"], second["before_the_plan_is_done"]) == ("soda-ash", False)


@ONLY_SQLITE
def test_the_first_pack_to_expire_counts(bench: Desk) -> None:
    """Packs of two offers are bought together: the one that keeps for shorter says the day."""
    for code, pack, price, life in (("ash-50g", "50 g", "0.2", "1 y"), ("ash-1kg", "1 kg", "3", "6 months")):
        body = {"material": "soda-ash", "supplier": "corner", "pack": pack, "price": eur(price), "shelf_life": life}
        bench.put("offers", code, body)
    found = bench.plan("oxide", 650.0, stock="none", acknowledge=["batch-beyond-record"])
    line = named(found["materials"], material="soda-ash")
    assert {pack["offer"] for pack in line["packs"]} == {"ash-50g", "ash-1kg"}
    assert line["left_over_expires_on"] == "2027-05-25"


@ONLY_SQLITE
def test_a_spare_batch_of_a_route_that_feeds_another(fed: Desk) -> None:
    bare = fed.plan("oxide", 25.0, stock="none")
    spared = fed.plan("oxide", 25.0, stock="none", spare=["ash/calcine"])
    assert named(spared["steps"], step="ash/calcine")["spare_batches"] == 1
    assert spared["p_max"] > bare["p_max"]
    with pytest.raises(UnknownRecord, match="ash/calcine, carbonate, roast"):
        fed.plan("oxide", 25.0, spare=["calcine"])


@ONLY_SQLITE
def test_one_shelf_for_a_material_that_two_steps_take(desk: Desk) -> None:
    """A material that both steps of a line take is needed once for both, and netted once."""
    desk.fill()
    shop(desk)
    for number, net in enumerate(NETS):
        run(desk, f"C-{number}", outturns=[{"material": "malachite", "net": net, "assay": "0.96"}], shelved=False)
    line = {"material": "soda-ash", "per_key_input": "0.3 g/g"}
    steps = [ROUTE["steps"][0], ROUTE["steps"][1] | {"bill": [*ROUTE["steps"][1].get("bill", []), line]}]
    desk.put("routes", "oxide", altered(ROUTE, steps=steps))
    desk.put("lots", "ash-found", {"material": "soda-ash", "amount": "10 g"})
    found = named(desk.plan("oxide", 20.0)["materials"], material="soda-ash")
    bare = named(desk.plan("oxide", 20.0, stock="none")["materials"], material="soda-ash")
    assert bare["to_buy_g"] - found["to_buy_g"] == pytest.approx(10.0)


def test_twice_the_target_takes_twice_the_material(bench: Desk) -> None:
    """The draws of a step hang on its route and code alone; within the record's batches the scale law is exact."""
    one, two = (bench.plan("oxide", target, stock="none") for target in (1.0, 2.0))
    assert start(two) == pytest.approx(2 * start(one), rel=1e-9)
    assert two["p_reach"] == one["p_reach"]
