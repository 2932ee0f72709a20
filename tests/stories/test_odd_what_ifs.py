"""Odd but sensible what-ifs over HTTP: every kind of change, against the book changed likewise or by hand."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.stories.bench import ROUTE, Bench, faults, four_runs, set_up

WHAT_IF = "routes/verdigris/what-if"
TODAY = {"target": "50 g", "stock": "none", "acknowledge": ["batch-beyond-record"]}
BILL = {"kind": "bill", "step": "carbonate"}


def eur(amount: str) -> dict[str, str]:
    return {"amount": amount, "currency": "EUR"}


@pytest.fixture
def bench(client: FlaskClient) -> Bench:
    """Two runs of either step, a shop, and salt that no bill names."""
    bench = Bench(client)
    set_up(bench)
    four_runs(bench)
    bench.put("materials/salt", {"name": "salt", "formula": "NaCl"})
    salt = {"material": "salt", "supplier": "corner-shop", "pack": "1 kg", "price": eur("2")}
    bench.put("offers/salt-1kg", salt)
    bench.put("materials/dye", {"name": "dye"})
    return bench


def asked(bench: Bench, *scenarios: list[dict[str, Any]], **keys: Any) -> list[dict[str, Any]]:
    named = [{"name": str(at), "changes": changes} for at, changes in enumerate(scenarios)]
    answer = bench.client.post(f"/v1/{WHAT_IF}", json={**TODAY, **keys, "scenarios": named})
    assert answer.status_code == 200, answer.text
    told: dict[str, Any] = answer.get_json()
    return [told["today"], *told["scenarios"]]


def planned(bench: Bench) -> dict[str, Any]:
    return bench.get(
        "routes/verdigris/plan", target="50 g", stock="none", acknowledge="batch-beyond-record", trials="4096"
    )


def rebilled(bench: Bench, *lines: dict[str, Any]) -> dict[str, Any]:
    """The plan of the book with another bill of the first step."""
    route = copy.deepcopy(ROUTE) | {"change": "revision"}
    route["steps"][0]["bill"] = list(lines)
    bench.put("routes/verdigris", route)
    found = planned(bench)
    bench.put("routes/verdigris", copy.deepcopy(ROUTE) | {"change": "revision"})
    return found


ASH, WATER = ROUTE["steps"][0]["bill"]
BILLS: list[tuple[list[dict[str, Any]], list[dict[str, Any]]]] = [
    ([BILL | {"material": "soda-ash", "per_batch": "30 g"}], [{"material": "soda-ash", "per_batch": "30 g"}, WATER]),
    (
        [BILL | {"material": "soda-ash", "per_key_input": "0.3 g/g"}],
        [{"material": "soda-ash", "per_key_input": "0.3 g/g"}, WATER],
    ),
    ([BILL | {"material": "water", "per_batch": "1 L"}], [ASH, {"material": "water", "per_batch": "1 L"}]),
    ([BILL | {"material": "salt", "per_batch": "5 g"}], [ASH, WATER, {"material": "salt", "per_batch": "5 g"}]),
    ([BILL | {"material": "salt", "equivalents": "0.5"}], [ASH, WATER, {"material": "salt", "equivalents": "0.5"}]),
    ([BILL | {"material": "salt", "per_batch": "2 mol"}], [ASH, WATER, {"material": "salt", "per_batch": "2 mol"}]),
    ([BILL | {"material": "soda-ash", "remove": True}], [WATER]),
    (
        [
            BILL | {"material": "water", "remove": True},
            BILL | {"material": "salt", "per_key_input": "1 g/g"},
            {"kind": "limits", "step": "carbonate", "largest": "1 kg"},
            {"kind": "limits", "step": "carbonate", "smallest": "1 g"},
        ],
        [ASH, {"material": "salt", "per_key_input": "1 g/g"}],
    ),
]


def test_bills_of_any_form_are_those_of_the_book(bench: Bench) -> None:
    """Changed, added and removed lines: the book with that bill says the same."""
    _, *scenarios = asked(bench, *(changes for changes, _ in BILLS))
    for scenario, (_, lines) in zip(scenarios, BILLS, strict=True):
        book = rebilled(bench, *lines)
        (start,), (its_start,) = scenario["starting_materials"], book["starting_materials"]
        assert start["amount_g"] == pytest.approx(its_start["amount_g"], rel=1e-9)
        for key in ("consumed_estimate", "consumed_at_least", "per_g_expected"):
            assert scenario["cost"][key] == pytest.approx(book["cost"][key], rel=1e-9), key
        assert scenario["cost"]["cash"] == book["cost"]["cash"]
        assert scenario["difference"]["monte_carlo_u"]["batches"] == 0.0


def test_a_line_for_a_batch_by_hand(bench: Bench) -> None:
    """5 g of salt at 2 a kilogram for each of the batches; nothing else moves."""
    limited = [{"kind": "limits", "step": "carbonate", "largest": "60 g"}]
    _, plain, salted = asked(bench, limited, [*limited, BILL | {"material": "salt", "per_batch": "5 g"}])
    batches = next(step["batches"] for step in salted["steps"] if step["step"] == "carbonate")
    assert batches > 1
    more = salted["cost"]["consumed_estimate"] - plain["cost"]["consumed_estimate"]
    assert more == pytest.approx(batches * 5.0 * 2.0 / 1000.0, rel=1e-9)
    assert salted["starting_materials"] == plain["starting_materials"]
    assert float(salted["cost"]["cash"]["amount"]) == pytest.approx(float(plain["cost"]["cash"]["amount"]) + 2.0)


def test_a_purchase_at_a_price(bench: Bench) -> None:
    """What a step makes, bought: no shop sells it, and the scenario says what it would cost."""
    buy = {"kind": "buy", "step": "carbonate"}
    price = {"kind": "price", "material": "malachite", "price": eur("30"), "per": "1 kg"}
    today, alone, priced = asked(bench, [buy], [price, buy])
    assert alone["cost"]["consumed_estimate"] is None
    assert "no cost of malachite" in alone["reasons"]["cost.consumed_estimate"]
    (bought,) = priced["starting_materials"]
    assert bought["material"] == "malachite"
    vinegar = today["cost"]["consumed_estimate"]
    assert priced["cost"]["consumed_estimate"] > bought["amount_g"] * 0.030
    assert priced["cost"]["consumed_estimate"] < bought["amount_g"] * 0.030 + vinegar
    assert "no offer covers" in priced["difference"]["reasons"]["cash"]


def test_prices_for_whatever_a_shop_sells_by(bench: Bench) -> None:
    """Water has a density and may be paid by the litre; vinegar is counted in litres."""
    litre = {"kind": "price", "material": "water", "price": eur("1"), "per": "1 L"}
    kilogram = {"kind": "price", "material": "water", "price": eur("1"), "per": "0.998 kg"}
    free = {"kind": "price", "material": "soda-ash", "price": eur("0"), "per": "1 kg"}
    vinegar = {"kind": "price", "material": "vinegar", "price": eur("4.40"), "per": "1 L"}
    today, one, other, given, dear = asked(bench, [litre], [kilogram], [free], [vinegar])
    assert one["cost"]["consumed_estimate"] == pytest.approx(other["cost"]["consumed_estimate"], rel=1e-9)
    assert one["cost"]["consumed_estimate"] > today["cost"]["consumed_estimate"]
    assert given["cost"]["consumed_estimate"] < today["cost"]["consumed_estimate"]
    assert dear["cost"]["consumed_estimate"] > today["cost"]["consumed_estimate"]
    assert one["difference"]["starting_materials"][0]["amount_g"] == 0.0


def test_what_a_scenario_is_refused_for_all_at_once(bench: Bench) -> None:
    scenarios = [
        [BILL | {"material": "slat", "per_batch": "5 g"}],
        [BILL | {"material": "salt", "remove": True}],
        [BILL | {"material": "blue-vitriol", "per_batch": "5 g"}],
        [BILL | {"material": "verdigris", "per_key_input": "0.1 g/g"}],
        [BILL | {"material": "dye", "equivalents": "1"}],
        [BILL | {"material": "dye", "per_batch": "5 mL"}],
        [{"kind": "bill", "step": "carbonat", "material": "salt", "per_batch": "5 g"}],
        [{"kind": "assay", "material": "vinegar", "assay": "0.12"}],
        [{"kind": "price", "material": "vinegar", "price": eur("9"), "per": "1 kg"}],
    ]
    named = [{"name": str(at), "changes": changes} for at, changes in enumerate(scenarios)]
    refused = bench.refused(WHAT_IF, {**TODAY, "scenarios": named}, method="POST")
    assert faults(refused) == [
        ("/scenarios/0/changes/0/material", "unknown-bill-line"),
        ("/scenarios/1/changes/0/material", "unknown-bill-line"),
        ("/scenarios/2/changes/0/material", "key-input"),
        ("/scenarios/3/changes/0", "circle"),
        ("/scenarios/4/changes/0", "not-in-grams"),
        ("/scenarios/5/changes/0", "not-in-grams"),
        ("/scenarios/6/changes/0/step", "unknown-step"),
        ("/scenarios/7/changes/0/assay", "no-density"),
        ("/scenarios/8/changes/0/per", "wrong-dimension"),
    ]
    told = refused.get_json(force=True)["faults"]
    assert "did you mean 'salt'" in told[0]["detail"]
    assert "did you mean 'carbonate'" in told[6]["detail"]


def test_nothing_is_changed_twice_in_one_scenario(bench: Bench) -> None:
    twice = [
        [{"kind": "target", "target": "1 g"}, {"kind": "target", "target": "2 g"}],
        [{"kind": "yield", "step": "dissolve", "factor": "1.1"}, {"kind": "yield", "step": "dissolve", "yield": "0.5"}],
        [BILL | {"material": "salt", "per_batch": "5 g"}, BILL | {"material": "salt", "remove": True}],
        [BILL | {"material": "salt", "remove": False}],
    ]
    named = [{"name": str(at), "changes": changes} for at, changes in enumerate(twice)]
    refused = bench.refused(WHAT_IF, {**TODAY, "scenarios": named}, method="POST")
    assert faults(refused) == [
        ("/scenarios/0/changes/1", "repeated-change"),
        ("/scenarios/1/changes/1", "repeated-change"),
        ("/scenarios/2/changes/1", "repeated-change"),
        ("/scenarios/3/changes/0/remove", "out-of-range"),
    ]


def test_a_removed_line_takes_with_it_the_step_that_made_it(bench: Bench) -> None:
    """Lye is made by a step of the route, and for the one bill that names it."""
    bench.put("materials/lye", {"name": "lye"})
    route = copy.deepcopy(ROUTE) | {"change": "revision"}
    slake = {"code": "slake", "basis": "mass-ratio", "key_input": "salt", "product": "lye"}
    slake["expected_yield"] = {"low": "0.8", "likely": "0.9", "high": "0.95"}  # type: ignore[assignment]
    route["steps"] = [slake, *route["steps"]]
    route["steps"][1]["bill"].append({"material": "lye", "per_key_input": "0.1 g/g"})
    bench.put("routes/verdigris", route)
    today, without = asked(bench, [BILL | {"material": "lye", "remove": True}])
    assert [step["step"] for step in today["steps"]] == ["slake", "carbonate", "dissolve"]
    assert [step["step"] for step in without["steps"]] == ["carbonate", "dissolve"]
    assert {each["material"] for each in without["starting_materials"]} == {"blue-vitriol"}
