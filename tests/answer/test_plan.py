"""Plans of small books: what a plan must say whatever the draws are, and its probability by other draws."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from service.analytics.forecast.next_run import forecast_step
from service.errors import NotComputable
from tests.answer.desk import Desk, named
from tests.answer.small import ASH_M, MALACHITE_M, NETS, OXIDE_M, OXIDES, VITRIOL_M, eur, five_runs, roast, run, shop
from tests.store.book import ROUTE, altered

ONLY_SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


@pytest.fixture
def bench(desk: Desk) -> Desk:
    """Five runs of either step, and a shop; what the first step made was used up."""
    return five_runs(desk)


def limited(**limits: str) -> dict[str, Any]:
    """The route with limits on the batches of its first step."""
    return altered(ROUTE, steps=[ROUTE["steps"][0] | {"key_input_limits": limits}, ROUTE["steps"][1]])


def start(found: dict[str, Any]) -> float:
    amount: float = named(found["starting_materials"], material="blue-vitriol")["amount_g"]
    return amount


def draws(rng: np.random.Generator, trials: int, yields: list[float], **asked: Any) -> np.ndarray[Any, Any]:
    """Yields of one more run in so many trials, a failure at 0, by the definition of the forecast."""
    told = forecast_step(yields, 0, mass_ratio=False, other_runs=5, **asked)
    sigma = told.spread_low * np.sqrt(told.dof / rng.chisquare(told.dof, trials))
    of_level = np.sqrt(sigma**2 / told.effective_runs + told.beyond_variance)
    level = told.centre + of_level * rng.standard_normal(trials)
    usable = rng.random(trials) >= rng.beta(told.failures_a, told.failures_b, trials)
    return usable / (1 + np.exp(-(level + sigma * rng.standard_normal(trials))))


def test_the_probability_by_other_draws(bench: Desk) -> None:
    found = bench.plan("oxide", 25.0, stock="none")
    rng, trials = np.random.default_rng(7), 400_000
    first = [float(net.split()[0]) * 0.96 / (50 * 0.98 / VITRIOL_M / 2 * MALACHITE_M) for net in NETS]
    second = [float(net.split()[0]) / (10 * 0.96 / MALACHITE_M * 2 * OXIDE_M) for net in OXIDES]
    per_gram = 0.98 / VITRIOL_M / 2 * MALACHITE_M  # contained malachite a gram of vitriol
    per_gram *= 2 * OXIDE_M / MALACHITE_M  # and oxide of that, whatever malachite is diluted by
    steps = {step["step"]: step for step in found["steps"]}
    # All runs were of one lot of vitriol, the next is on another; and either batch is larger than any so far.
    beyond = [math.log(steps[code]["batch_g"] / size) for code, size in (("carbonate", 50.0), ("roast", 10.0))]
    one = draws(rng, trials, first, runs_per_lot=5.0, new_lot=True, ln_batch_beyond=beyond[0])
    two = draws(rng, trials, second, ln_batch_beyond=beyond[1])
    p = float((start(found) * per_gram * one * two >= 25.0).mean())
    assert found["p_reach"] == pytest.approx(p, abs=5 * found["monte_carlo_u"])
    assert found["p_reach"] >= 0.9
    mean = named(found["at_the_mean"]["starting_materials"], material="blue-vitriol")["amount_g"]
    # What the mean yields ask for, as anybody would work it out.
    assert mean == pytest.approx(25.0 / per_gram / np.mean(first) / np.mean(second), rel=1e-3)
    p = float((mean * per_gram * one * two >= 25.0).mean())
    assert found["at_the_mean"]["p_reach"] == pytest.approx(p, abs=0.02)
    assert found["at_the_mean"]["p_reach"] < 0.7
    assert mean < start(found)


def test_what_the_bill_asks_for(bench: Desk) -> None:
    found = bench.plan("oxide", 25.0, stock="none")
    steps = {step["step"]: step for step in found["steps"]}
    assert steps["carbonate"]["key_input_g"] == pytest.approx(start(found))
    assert steps["carbonate"]["batches"] == steps["roast"]["batches"] == 1
    needs = {line["material"]: line for line in found["materials"]}
    assert needs.keys() == {"blue-vitriol", "soda-ash", "water"}
    assert needs["soda-ash"]["need_g"] == pytest.approx(start(found) * 1.1 * 0.98 / VITRIOL_M * ASH_M, rel=2e-4)
    assert needs["water"]["need_g"] == pytest.approx(start(found) * 8 * 0.998, rel=1e-9)
    for line in needs.values():
        assert line["to_buy_g"] == line["need_g"]
        assert line["on_hand_g"] == 0.0
    vitriol = needs["blue-vitriol"]
    assert vitriol["packs"][0] == {
        "offer": "vitriol-100g",
        "count": math.ceil(vitriol["to_buy_g"] / 100),
        "cash": {"amount": f"{2 * math.ceil(vitriol['to_buy_g'] / 100)}.00", "currency": "EUR"},
    }
    assert needs["water"]["packs"] == []
    cash = 2 * math.ceil(vitriol["to_buy_g"] / 100) + 3
    assert float(found["cost"]["cash"]["amount"]) == cash
    consumed = start(found) * 0.02 + needs["soda-ash"]["need_g"] * 0.003
    assert found["cost"]["consumed_estimate"] == pytest.approx(consumed, rel=1e-6)
    oxide = steps["roast"]["expected_product_g"]
    assert found["cost"]["per_g_expected"] == pytest.approx(consumed / oxide, rel=1e-6)
    assert found["target_g"] == pytest.approx(25.0)
    assert found["confidence"] == 0.9


def test_asked_again(bench: Desk) -> None:
    first = bench.plan("oxide", 25.0)
    assert bench.plan("oxide", 25.0) == first
    # A write that has nothing to do with it changes nothing but the state.
    bench.put("suppliers", "far-away", {"name": "another"})
    after = bench.plan("oxide", 25.0)
    assert after["rests_on"].pop("state") == first["rests_on"].pop("state") + 1
    assert after == first


def test_more_is_more(bench: Desk) -> None:
    amounts = [start(bench.plan("oxide", target, stock="none")) for target in (5.0, 10.0, 20.0)]
    assert amounts == sorted(amounts)
    asked = [start(bench.plan("oxide", 10.0, stock="none", confidence=c)) for c in (0.5, 0.7, 0.9)]
    assert asked == sorted(asked)
    by_probability = [bench.plan("oxide", 10.0, stock="none", confidence=c)["p_reach"] for c in (0.5, 0.7, 0.9)]
    assert all(p >= c for p, c in zip(by_probability, (0.5, 0.7, 0.9), strict=True))


@ONLY_SQLITE
@pytest.mark.parametrize("largest_g", [20.0, 60.0, 500.0])
def test_batches_are_what_the_largest_one_asks_for(largest_g: float, bench: Desk) -> None:
    bench.put("routes", "oxide", limited(largest=f"{largest_g} g"))
    found = bench.plan("oxide", 25.0, stock="none", acknowledge=["batch-beyond-record"])
    step = named(found["steps"], step="carbonate")
    needed = math.ceil(step["key_input_g"] / largest_g)
    assert step["batches"] - step["spare_batches"] == needed
    assert step["batch_g"] <= largest_g * (1 + 1e-9)
    assert found["p_reach"] >= 0.9


@ONLY_SQLITE
def test_a_batch_is_not_smaller_than_the_smallest(bench: Desk) -> None:
    bench.put("routes", "oxide", limited(smallest="40 g"))
    found = bench.plan("oxide", 0.5, stock="none")
    assert named(found["steps"], step="carbonate")["key_input_g"] == 40.0


def test_spare_batches_where_one_may_fail(bench: Desk) -> None:
    for number in (6, 7, 8):
        run(bench, f"C-{number}", status="failed", outturns=[])
    found = bench.plan("oxide", 10.0, stock="none")
    step = named(found["steps"], step="carbonate")
    assert step["spare_batches"] >= 1
    assert found["p_max_without_spares"] < 0.9 <= found["p_reach"] <= found["p_max"]
    # Three of eight failed, the other step has none of five: π of Beta(3 + 10·π0, 5 + 10·(1 − π0)).
    pi0, other = 0.5 / 15, 3.5 / 18
    first = (3 + 10 * pi0) / 18
    second = 10 * other / 15
    assert found["p_max_without_spares"] == pytest.approx((1 - first) * (1 - second), rel=1e-9)


def test_what_cannot_be_planned_says_why(bench: Desk) -> None:
    bench.put("routes", "oxide", limited(largest="0.1 g"))
    with pytest.raises(NotComputable, match="more than 200 batches") as refused:
        bench.plan("oxide", 10.0, stock="none")
    assert refused.value.code == "too-many-batches"
    bench.put("materials", "mud", {"name": "mud"})
    step = {"code": "dry", "basis": "mass-ratio", "key_input": "water", "product": "mud"}
    bench.put("routes", "mud", {"name": "mud", "product": "mud", "steps": [step]})
    with pytest.raises(NotComputable, match="mass ratio without a run") as refused:
        bench.plan("mud", 10.0)
    assert refused.value.code == "no-forecast"
    step |= {"basis": "content", "analyte": "soda-ash", "product": "soda-ash"}
    bench.put("routes", "salt", {"name": "ash", "product": "soda-ash", "steps": [step]})
    with pytest.raises(NotComputable, match="the content of soda-ash in water is not known") as refused:
        bench.plan("salt", 10.0)
    assert refused.value.code == "no-mass-flow"


@ONLY_SQLITE
def test_more_stock_never_needs_more(bench: Desk) -> None:
    amounts = []
    for grams in (0, 5, 20, 60, 200):
        if grams:
            lot = {"material": "malachite", "amount": f"{grams} g", "assay": "0.96"}
            bench.put("lots", "malachite-found", lot)
        found = bench.plan("oxide", 25.0)
        amounts.append(start(found) if found["starting_materials"] else 0.0)
        taken = named(found["steps"], step="carbonate")["from_stock_g"]
        assert taken <= grams * (1 + 1e-9)
        assert found["p_reach"] >= 0.9
    assert amounts == sorted(amounts, reverse=True)
    assert amounts[-1] == 0.0
    assert amounts[0] > 0.0
    assert start(bench.plan("oxide", 25.0, stock="none")) == pytest.approx(amounts[0])


def test_what_is_on_the_shelf_is_not_bought(bench: Desk) -> None:
    """The opening lot: 500 g less five times 50 g; what is charged without a lot is taken from nobody."""
    found = bench.plan("oxide", 25.0)
    line = named(found["materials"], material="blue-vitriol")
    assert line["on_hand_g"] == pytest.approx(250.0)
    assert line["to_buy_g"] == pytest.approx(max(0.0, line["need_g"] - 250.0))
    large = named(bench.plan("oxide", 250.0)["materials"], material="blue-vitriol")
    assert large["to_buy_g"] == pytest.approx(large["need_g"] - 250.0)
    assert large["packs"][0]["count"] == math.ceil(large["to_buy_g"] / 100)
    assert large["left_over_g"] == pytest.approx(large["packs"][0]["count"] * 100 - large["to_buy_g"], abs=1e-5)


def test_a_weak_lot_stands_for_less(bench: Desk) -> None:
    bench.put("lots", "vitriol-weak", {"material": "blue-vitriol", "amount": "100 g", "assay": "0.49"})
    line = named(bench.plan("oxide", 250.0)["materials"], material="blue-vitriol")
    assert line["on_hand_g"] == pytest.approx(350.0)
    assert line["on_hand_counts_as_g"] == pytest.approx(300.0)
    assert line["to_buy_g"] == pytest.approx(line["need_g"] - 300.0)


def test_whose_lots_are_taken(bench: Desk) -> None:
    bench.put("projects", "other", {"name": "another bench"})
    lots = {
        "found": {},
        "mine": {"project": "pigments"},
        "theirs": {"project": "other"},
        "old": {"expires_on": "2026-11-24"},
        "today": {"expires_on": "2026-11-25"},
        "weak": {"assay": "0.5"},
    }
    step = ROUTE["steps"][0] | {"minimum_assay": "0.9"}
    bench.put("routes", "oxide", altered(ROUTE, steps=[step, ROUTE["steps"][1]]))
    for code, more in lots.items():
        bench.put("lots", code, {"material": "malachite", "amount": "3 g", "assay": "0.96", **more})

    def taken(**asked: Any) -> tuple[float, dict[str, str]]:
        found = bench.plan("oxide", 200.0, acknowledge=["batch-beyond-record"], **asked)
        grams = named(found["steps"], step="carbonate")["from_stock_g"]
        return grams, {left["lot"]: left["reason"] for left in found["stock_left_out"]}

    own, left_out = taken()
    assert own == pytest.approx(9.0)
    assert left_out.keys() == {"theirs", "old", "weak"}
    assert "stock=all" in left_out["theirs"]
    assert left_out["old"] == "expired on 2026-11-24"
    assert "0.5" in left_out["weak"]
    everything, left_out = taken(stock="all")
    assert everything == pytest.approx(12.0)
    assert left_out.keys() == {"old", "weak"}
    of_others, left_out = taken(project="other")
    assert of_others == pytest.approx(9.0)
    assert left_out.keys() == {"mine", "old", "weak"}
    assert taken(stock="none") == (0.0, {})


def test_the_product_on_hand_is_told_and_not_taken(bench: Desk) -> None:
    found = bench.plan("oxide", 25.0)
    assert found["product_on_hand_g"] == pytest.approx(sum(float(net.split()[0]) for net in OXIDES))
    bench.put("lots", "oxide-found", {"material": "copper-oxide", "amount": "100 g"})
    after = bench.plan("oxide", 25.0)
    assert after["product_on_hand_g"] == pytest.approx(found["product_on_hand_g"] + 100.0)
    assert start(after) == start(found)


def test_a_batch_far_beyond_the_record_waits_for_a_word(bench: Desk) -> None:
    found = bench.plan("oxide", 400.0, stock="none")
    codes = {each["code"] for each in found["withheld"]}
    assert codes
    step = named(found["steps"], step="carbonate")
    assert step["batch_g"] <= 50.0 * (1 + 1e-9)
    for withheld in found["withheld"]:
        assert withheld["batch_g"] > 50.0 or withheld["step"] != "carbonate"
        assert f"acknowledge={withheld['code']}" in withheld["detail"]
    taken = bench.plan("oxide", 400.0, stock="none", acknowledge=sorted(codes))
    assert taken["withheld"] == []
    assert named(taken["steps"], step="carbonate")["batches"] < step["batches"]
    assert any(each["level"] == "stop" for each in taken["cautions"])


def test_loss_on_drying_of_the_product(desk: Desk) -> None:
    """The target is dry: with a fifth of water in what is weighed, a quarter more must be weighed."""
    desk.fill()
    shop(desk)
    for number, net in enumerate(NETS, start=1):
        run(desk, f"C-{number}", outturns=[{"material": "malachite", "net": net, "assay": "0.96"}])
    for number, net in enumerate(OXIDES, start=1):
        roast(desk, f"R-{number}", net)
    dry = desk.plan("oxide", 10.0, stock="none")
    for number, net in enumerate(OXIDES, start=1):
        body = {
            "route": "oxide",
            "step": "roast",
            "status": "finished",
            "finished_on": "2026-04-20",
            "charges": [{"material": "malachite", "amount": "10.00 g", "assay": "0.96"}],
        }
        wet = {"material": "copper-oxide", "net": f"{float(net.split()[0]) / 0.8:.4f} g", "loss_on_drying": "0.2"}
        desk.put("runs", f"R-{number}", body | {"outturns": [wet]})
    found = desk.plan("oxide", 10.0, stock="none")
    assert start(found) == pytest.approx(start(dry), rel=1e-4)
    expected = [named(each["steps"], step="roast")["expected_product_g"] for each in (dry, found)]
    assert expected[1] == pytest.approx(expected[0] / 0.8, rel=1e-4)


def test_a_route_that_nobody_ran(desk: Desk) -> None:
    desk.fill()
    found = desk.plan("oxide", 10.0)
    assert found["p_reach"] >= 0.9
    assert found["cost"]["complete"] is False
    assert found["cost"]["consumed_estimate"] is None
    assert {line["reasons"]["packs"] for line in found["materials"]} == {
        f"no offer for {material}" for material in ("blue-vitriol", "soda-ash", "water")
    }


def branched(desk: Desk) -> None:
    """Two lines that meet: blend takes 0.5 g of ash, made by a step of its own, a gram of malachite."""
    desk.fill()
    shop(desk)
    for code in ("soda", "blend"):
        desk.put("materials", code, {"name": code})
    side = {"code": "calcine", "basis": "mass-ratio", "key_input": "soda", "product": "fine-ash"}
    desk.put("materials", "fine-ash", {"name": "fine ash"})
    mix = {
        "code": "mix",
        "basis": "mass-ratio",
        "key_input": "malachite",
        "product": "blend",
        "bill": [{"material": "fine-ash", "per_key_input": "0.5 g/g"}],
    }
    body = {"name": "blend", "product": "blend", "steps": [ROUTE["steps"][0], side, mix]}
    desk.put("routes", "blend", body)
    for number, (a, b) in enumerate((("0.50", "1.45"), ("0.55", "1.50"), ("0.48", "1.38"), ("0.52", "1.41"))):
        run(
            desk, f"B-{number}", route="blend", outturns=[{"material": "malachite", "net": NETS[number]}], shelved=False
        )
        for step, key, product, net, charge in (
            ("calcine", "soda", "fine-ash", a, "1.00 g"),
            ("mix", "malachite", "blend", b, "1.00 g"),
        ):
            charges = [{"material": key, "amount": charge}]
            charges += [{"material": "fine-ash", "amount": "0.50 g"}] if step == "mix" else []
            made = {"route": "blend", "step": step, "status": "finished", "finished_on": "2026-05-01"}
            made |= {"charges": charges, "outturns": [{"material": product, "net": f"{net} g"}]}
            desk.put("runs", f"B-{step}-{number}", made)


def test_branches_that_meet(desk: Desk) -> None:
    branched(desk)
    found = desk.plan("blend", 2.0, stock="none", acknowledge=["batch-beyond-record"])
    assert {line["material"] for line in found["starting_materials"]} == {"blue-vitriol", "soda"}
    steps = {step["step"]: step for step in found["steps"]}
    assert found["p_reach"] >= 0.9
    # Each line is expected to give what the meeting step is to be fed, at the bill's ratio.
    assert steps["carbonate"]["expected_product_g"] == pytest.approx(steps["mix"]["key_input_g"], rel=0.02)
    assert steps["calcine"]["expected_product_g"] == pytest.approx(0.5 * steps["mix"]["key_input_g"], rel=0.02)
    assert "fine-ash" not in {line["material"] for line in found["materials"]}
    desk.put("lots", "ash-found", {"material": "fine-ash", "amount": "1000 g"})
    stocked = desk.plan("blend", 2.0, acknowledge=["batch-beyond-record"])
    assert {line["material"] for line in stocked["starting_materials"]} == {"blue-vitriol"}
    assert start(stocked) <= start(found)


def test_money_and_shipping(bench: Desk) -> None:
    terms = {"shipping": eur("4"), "minimum_order": eur("20")}
    bench.put("suppliers", "corner", {"name": "corner shop", **terms})
    found = bench.plan("oxide", 25.0, stock="none")
    # Whatever is needed is worth less than the least order, and is topped up to it.
    assert float(found["cost"]["cash"]["amount"]) >= 24.0
    assert found["cost"]["shipping"] == {"amount": "4.00", "currency": "EUR"}
    goods = sum(float(pack["cash"]["amount"]) for line in found["materials"] for pack in line["packs"])
    assert float(found["cost"]["cash"]["amount"]) == goods + 4


def test_a_need_that_no_grams_tell_is_listed(desk: Desk) -> None:
    """A bill in mL of a liquid without a density that is kept by weight."""
    desk.fill()
    desk.put("materials", "spirit", {"name": "spirit"})
    desk.put("lots", "spirit-1", {"material": "spirit", "amount": "1 kg"})
    step = ROUTE["steps"][0]
    step = step | {"bill": [*step["bill"], {"material": "spirit", "per_key_input": "2 mL/g"}]}
    desk.put("routes", "oxide", altered(ROUTE, steps=[step, ROUTE["steps"][1]]))
    found = desk.plan("oxide", 10.0)
    line = named(found["materials"], material="spirit")
    assert line["need_g"] is None
    assert "density of spirit" in line["reasons"]["need_g"]
    assert found["cost"]["complete"] is False
    assert "spirit" in found["reasons"]["cost.consumed_estimate"]


def test_a_solution_by_volume(desk: Desk) -> None:
    """0.1 mol of oxide takes 0.2 mol of acid: 100 mL of 2 mol/L, of which 900 mL are left."""
    from tests.answer.test_cost import acid_book

    acid_book(desk, {}, {"price": eur("6")})
    found = desk.plan("vitriol", 20.0)
    line = named(found["materials"], material="acid")
    oxide_g = named(found["starting_materials"], material="copper-oxide")["amount_g"]
    assert line["need_ml"] == pytest.approx(oxide_g / OXIDE_M * 2 / 2 * 1000, rel=2e-4)
    assert line["on_hand_ml"] == pytest.approx(900.0)
    assert line["need_g"] is None
    assert line["to_buy_g"] is None
    assert "density" in line["reasons"]["need_g"]
    large = named(desk.plan("vitriol", 300.0, acknowledge=["batch-beyond-record"])["materials"], material="acid")
    assert large["to_buy_ml"] == pytest.approx(large["need_ml"] - 900.0)
    assert large["packs"][0]["count"] == math.ceil(large["to_buy_ml"] / 1000)
