"""What is recovered goes in again: standard cost by hand, and beside the cost traced along a long row of runs."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import pytest

from service.answer.lot_cost import lot_cost_of
from tests.answer.desk import TODAY, Desk, named
from tests.answer.small import NETS, OXIDES, eur, five_runs, roast, run, shop
from tests.store.book import CARBONATE_RUN, altered

FEED, SPIRIT = 0.5, 0.1  # EUR a g
ROW = 12


def steep_line(desk: Desk) -> None:
    """Feed is steeped in spirit to crude, crude washed with spirit to the pure; both are sold by the 100 g."""
    desk.put("projects", "p", {"name": "p"})
    desk.put("suppliers", "corner", {"name": "corner shop"})
    for code in ("feed", "spirit", "crude", "pure", "tar"):
        desk.put("materials", code, {"name": code})
    for code, price in (("feed", "50"), ("spirit", "10")):
        offer = {"material": code, "supplier": "corner", "pack": "100 g", "price": eur(price)}
        desk.put("offers", code, offer)
    steep = {"code": "steep", "name": "steep", "basis": "mass-ratio", "key_input": "feed", "product": "crude"}
    wash = {"code": "wash", "name": "wash", "basis": "mass-ratio", "key_input": "crude", "product": "pure"}
    steep |= {"bill": [{"material": "spirit", "per_key_input": "4 g/g"}]}
    wash |= {"bill": [{"material": "spirit", "per_key_input": "2 g/g"}]}
    desk.put("routes", "line", {"name": "line", "product": "pure", "steps": [steep, wash]})


def charge(material: str, grams: float, lot: str | None = None) -> dict[str, Any]:
    return {"amount": f"{grams:.1f} g"} | ({"lot": lot} if lot else {"material": material})


def back(material: str, grams: float, lot: str, share: str | None = None) -> dict[str, Any]:
    body = {"material": material, "role": "recovered", "lot": lot, "net": f"{grams:.1f} g"}
    return body | ({} if share is None else {"cost_share": share})


def written(desk: Desk, code: str, step: str, day: int, **body: Any) -> None:
    at = {"route": "line", "step": step, "status": "finished", "finished_on": f"2026-05-{day:02}"}
    desk.put("runs", code, at | body)


def test_a_long_row_of_runs_comes_to_cost_what_the_standard_cost_says(desk: Desk) -> None:
    """Every run takes in all that the one before it gave back, at what that carries; the first one buys everything."""
    steep_line(desk)
    for n in range(ROW):
        feed, spirit, crude = charge("feed", 100), charge("spirit", 400), charge("crude", 50, f"crude-{n}")
        before = n - 1
        steeped = [feed, spirit]
        washed = [crude, charge("spirit", 100)]
        if n:
            steeped = [
                charge("feed", 80), charge("feed", 20, f"feed-back-{before}"),
                charge("spirit", 150), charge("spirit", 250, f"spirit-back-{before}"),
            ]  # fmt: skip
            washed = [
                charge("crude", 40, f"crude-{n}"), charge("crude", 10, f"crude-back-{before}"), charge("spirit", 100)
            ]  # fmt: skip
        made = {"material": "crude", "lot": f"crude-{n}", "net": "50.0 g", "cost_share": "0.75"}
        gave = [back("spirit", 250, f"spirit-back-{n}", "0.15"), back("feed", 20, f"feed-back-{n}", "0.1")]
        written(desk, f"S-{n}", "steep", 2 * n + 1, charges=steeped, outturns=[made, *gave])
        made = {"material": "pure", "lot": f"pure-{n}", "net": "30.0 g", "cost_share": "0.8"}
        gave = [back("crude", 10, f"crude-back-{n}", "0.2")]
        written(desk, f"W-{n}", "wash", 2 * n + 2, charges=washed, outturns=[made, *gave])
    found = desk.cost("line")
    crude_cost = (0.8 * FEED + 1.5 * SPIRIT) / 0.5
    pure_cost = (0.8 * crude_cost + 2 * SPIRIT) / 0.6
    assert found["cost_per_g"] == pytest.approx(pure_cost, rel=1e-12)
    assert found["by_step"][0]["cost_per_g"] == pytest.approx(crude_cost, rel=1e-12)
    assert found["not_counted"] == []
    with desk.opened() as book:
        traced = [lot_cost_of(book, f"pure-{n}", as_of=TODAY)["cost_per_g"] for n in range(ROW)]
    assert traced[0] != pytest.approx(pure_cost, rel=0.01)
    gaps = [abs(each - pure_cost) for each in traced]
    assert all(later < earlier for earlier, later in pairwise(gaps[:6]))
    assert traced[-1] == pytest.approx(pure_cost, rel=1e-6)
    # The sums close, in money and in grams; what is bought is what does not come back.
    split = math.fsum(line["cost_per_g"] for line in found["by_material"])
    assert split == pytest.approx(pure_cost, rel=1e-12)
    assert math.fsum(step["added_per_g"] for step in found["by_step"]) == pytest.approx(pure_cost, rel=1e-12)
    feed = named(found["by_material"], material="feed")
    assert feed["amount_g_per_g"] == pytest.approx(0.8 / 0.5 * 0.8 / 0.6)
    spirit = named(found["by_material"], material="spirit")
    assert spirit["amount_g_per_g"] == pytest.approx(1.5 / 0.5 * 0.8 / 0.6 + 2 / 0.6)
    assert found["low"] == pytest.approx(found["cost_per_g"]) == found["high"]
    losses = desk.losses("line")
    assert losses["cost_per_g"] == pytest.approx(pure_cost, rel=1e-12)


def test_what_is_recovered_is_never_more_than_what_goes_in(desk: Desk) -> None:
    """The wash gives back 5 g of spirit a g of crude: 2 of them it needs, 3 go to the steeping, which needs 4 a g."""
    steep_line(desk)
    made = [{"material": "crude", "lot": "c", "net": "50.0 g"}]
    written(desk, "S", "steep", 1, charges=[charge("feed", 100), charge("spirit", 400)], outturns=made)
    pure = {"material": "pure", "net": "30.0 g"}
    charges = [charge("crude", 50, "c"), charge("spirit", 100)]
    written(desk, "W", "wash", 2, charges=charges, outturns=[pure, back("spirit", 250, "b"), back("tar", 5, "t")])
    found = desk.cost("line")
    fed_crude, fed_feed = 1 / 0.6, 2 / 0.6
    assert found["cost_per_g"] == pytest.approx(fed_feed * (FEED + 4 * SPIRIT) - fed_crude * 3 * SPIRIT)
    assert found["not_counted"] == ["tar recovered in 1 run of step wash: no step of the route takes it in"]
    outturns = [pure, back("spirit", 600, "b")]
    written(desk, "W", "wash", 2, charges=charges, outturns=outturns)
    found = desk.cost("line")
    assert found["cost_per_g"] == pytest.approx(fed_feed * FEED)
    beyond_g = fed_crude * 12 - fed_crude * 2 - fed_feed * 4
    assert found["not_counted"] == [
        f"spirit recovered beyond what the route takes in: {beyond_g:.4g} g a gram of product"
    ]
    spirit = named(found["by_material"], material="spirit")
    assert (spirit["cost_per_g"], spirit["amount_g_per_g"]) == (0.0, 0.0)
    assert found["cash_per_g"] is not None


def test_a_failed_run_gives_back_what_it_did_and_the_good_runs_stand_alone(desk: Desk) -> None:
    steep_line(desk)
    charges = [charge("feed", 100), charge("spirit", 400)]
    crude = {"material": "crude", "lot": "c", "net": "50.0 g"}
    written(desk, "S-1", "steep", 1, charges=charges, outturns=[crude, back("spirit", 100, "b-1")])
    written(desk, "S-2", "steep", 2, status="failed", charges=charges, outturns=[back("spirit", 300, "b-2")])
    # What excluded and abandoned runs gave is not what a run is expected to give.
    written(desk, "S-3", "steep", 3, status="abandoned", charges=charges, outturns=[back("spirit", 350, "b-3")])
    left_out = {"exclude": {"reason": "another vessel"}, "charges": charges}
    written(desk, "S-4", "steep", 4, **left_out, outturns=[crude | {"lot": "d"}, back("spirit", 390, "b-4")])
    written(desk, "W", "wash", 4, charges=[charge("crude", 50, "c"), charge("spirit", 100)],
            outturns=[{"material": "pure", "net": "30.0 g"}])  # fmt: skip
    found = desk.cost("line")
    crude_cost = (FEED + (4 - 2) * SPIRIT) / 0.25
    assert found["cost_per_g"] == pytest.approx((crude_cost + 2 * SPIRIT) / 0.6)
    assert found["cost_per_g_good_runs"] == pytest.approx(((FEED + 3 * SPIRIT) / 0.5 + 2 * SPIRIT) / 0.6)


def test_a_recovered_lot_counts_by_what_it_holds(desk: Desk) -> None:
    """Vitriol goes in at 98 %: 10 g that come back at 49 % stand for 5 g of it, be they on a lot or on none."""
    five_runs(desk)
    before = desk.cost("oxide")
    made = {"material": "malachite", "net": NETS[0], "assay": "0.96"}
    weak = {"material": "blue-vitriol", "role": "recovered", "lot": "mother-liquor", "net": "10.0 g", "assay": "0.49"}
    run(desk, "C-1", outturns=[made, weak], shelved=False)
    found = desk.cost("oxide")
    desk.put("runs", "C-1", altered(CARBONATE_RUN, outturns=[made, weak]))
    assert desk.cost("oxide")["by_material"] == found["by_material"]
    was, now = (named(each["by_material"], material="blue-vitriol") for each in (before, found))
    assert now["amount_g_per_g"] / was["amount_g_per_g"] == pytest.approx(1 - 5 / 250)
    assert named(found["by_material"], material="soda-ash") == named(before["by_material"], material="soda-ash")


def test_an_intermediate_that_comes_back_is_not_made_anew(desk: Desk) -> None:
    five_runs(desk)
    before, planned = desk.cost("oxide"), desk.plan("oxide", 20.0)
    unburnt = {"material": "malachite", "role": "recovered", "net": "2.0 g"}
    outturns = [{"material": "copper-oxide", "net": OXIDES[0]}, unburnt]
    body = {"route": "oxide", "step": "roast", "status": "finished", "finished_on": "2026-04-20"}
    charges = [{"material": "malachite", "amount": "10.00 g", "assay": "0.96"}]
    desk.put("runs", "R-1", body | {"charges": charges, "outturns": outturns})
    found = desk.cost("oxide")
    # 2 g of the 50 g that were roasted: 4 % less of everything behind a gram, since roasting itself costs nothing.
    assert found["cost_per_g"] == pytest.approx(0.96 * before["cost_per_g"], rel=1e-9)
    assert found["cash_for_g"] == pytest.approx(before["cash_for_g"], rel=0.05)
    # A plan counts on nothing that is to come back.
    planned_now = desk.plan("oxide", 20.0)
    assert [planned_now[name] for name in ("materials", "cost")] == [planned[name] for name in ("materials", "cost")]


def test_waste_is_paid_for_at_the_rate_of_its_class(desk: Desk) -> None:
    desk.fill()
    shop(desk)
    liquor = {"material": "sodium-sulfate", "role": "waste", "net": "300 g", "waste_class": "salty"}
    rinse = {"material": "water", "role": "waste", "net": "200 mL"}
    run(desk, "C-1", outturns=[{"material": "malachite", "net": "20 g", "assay": "0.96"}, liquor, rinse])
    run(desk, "C-2", status="failed", outturns=[liquor | {"net": "500 g"}])
    roast(desk, "R-1")
    before = desk.cost("oxide")
    assert before["not_counted"] == [
        "waste of class salty of step carbonate: no rate is recorded", "waste of step carbonate: no rate is recorded"
    ]  # fmt: skip
    assert before["direct"] == []
    rate = {"of": "waste", "price": eur("9"), "per": "1 kg", "valid_from": "2026-01-01"}
    desk.put("rates", "salt", rate | {"class": "salty"})
    desk.put("rates", "dearer", rate | {"class": "salty", "price": eur("90"), "valid_from": "2027-01-01"})
    found = desk.cost("oxide")
    assert found["not_counted"] == ["waste of step carbonate: no rate is recorded"]
    fed_g = before["by_step"][1]["cost_per_g"] / before["by_step"][0]["cost_per_g"]
    added = found["cost_per_g"] - before["cost_per_g"]
    (line,) = found["direct"]
    assert line == {"name": "waste", "cost_per_g": pytest.approx(added)}
    # 800 g of 100 g of vitriol, at 9 EUR a kg; of the good run alone 300 g of 50 g.
    vitriol_g = named(found["by_material"], material="blue-vitriol")["amount_g_per_g"]
    assert added == pytest.approx(vitriol_g * 8.0 * 0.009)
    assert found["cost_per_g_good_runs"] - before["cost_per_g_good_runs"] == pytest.approx(vitriol_g / 2 * 6 * 0.009)
    assert fed_g > 1
    desk.put("rates", "any", rate | {"price": eur("1"), "per": "1 L"})
    told = desk.cost("oxide")
    assert told["not_counted"] == []
    assert told["cost_per_g"] - found["cost_per_g"] == pytest.approx(vitriol_g * 2.0 * 0.001)
    whole = [*told["by_material"], *told["direct"]]
    assert math.fsum(each["cost_per_g"] for each in whole) == pytest.approx(told["cost_per_g"])
    desk.put("rates", "salt", rate | {"class": "salty", "per": "1 L"})
    assert desk.cost("oxide")["not_counted"] == [
        "waste of class salty of step carbonate: its rate is by volume, it was recorded by mass, and the density of "
        "sodium-sulfate is not known"
    ]
