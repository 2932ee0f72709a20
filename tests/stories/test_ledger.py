"""What every lot really cost: the worked graph, asked over HTTP.

The figures are worked out by hand: an acid lot (2.40 + 0.54 + 1.00)/150 and /120; the pool (3.94 + 100·k₂)/250; the
ester 0.95·(200·k_pool + 3.00 + 0.15 + 2.00)/170; each given to the last digit of the paper.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.stories.bench import Bench
from tests.stories.worked_graph import deliver, eur, run_graph, set_up_graph

HALF = 0.5e-7
MICRO = Decimal("0.000002")
"""What rounding to whole millionths may move from one line to another."""


@pytest.fixture
def bench(client: FlaskClient) -> Bench:
    bench = Bench(client)
    set_up_graph(bench)
    run_graph(bench)
    return bench


def amounts(side: dict[str, dict[str, str]]) -> dict[str, Decimal]:
    return {name: Decimal(money["amount"]) for name, money in side.items() if Decimal(money["amount"])}


def test_what_a_gram_of_every_lot_cost(bench: Bench) -> None:
    expected = {
        "organic-1": 0.0262667,
        "organic-2": 0.0328333,
        "pool": 0.0288933,
        "ester-1": 0.0610720,
        "ethanol-back": 0.0030357,
        "ethanol-1": 0.01,
    }
    for lot, per_g in expected.items():
        found = bench.get(f"lots/{lot}/cost")
        assert found["cost_per_g"] == pytest.approx(per_g, abs=HALF), lot
        assert found["cost_per_g_at_least"] == found["cost_per_g"]
        assert found["unpriced"] == []
        assert found["currency"] == "EUR"
    assert bench.get("lots/ester-1/cost")["total"] == {"amount": "10.382233", "currency": "EUR"}


def test_both_sides_of_the_balance(bench: Bench) -> None:
    deliver(bench)
    found = bench.get("ledger/balance", as_of="2026-04-01")
    assert amounts(found["sources"]) == {"opening": Decimal("0.15"), "purchases": 26, "direct": 5}
    uses = amounts(found["uses"])
    expected = {"delivered": "10.3822", "failures": "3.94", "stock": "16.8278"}
    assert uses == pytest.approx({name: Decimal(euros) for name, euros in expected.items()}, abs=Decimal("0.00005"))
    assert sum(uses.values()) == Decimal("31.15")
    assert found["difference"] == {"amount": "0.000000", "currency": "EUR"}
    assert found["breaches"] == []
    assert found["unpriced"] == []


def test_the_balance_of_any_day(bench: Bench) -> None:
    bought = {"opening": "0.15", "purchases": "26"}
    # On the 5th the ester is being made: 2.00, 200 g of the pool at 0.0288933, 3.00 and 0.15 of ethanol.
    making = {"failures": "3.94", "work_in_progress": "10.928667", "stock": "16.281333"}
    days: dict[str, tuple[dict[str, str], dict[str, str]]] = {
        "2026-02-28": ({}, {}),
        "2026-03-01": (bought, {"stock": "26.15"}),
        "2026-03-05": ({**bought, "direct": "5"}, making),
    }
    for day, (sources, uses) in days.items():
        found = bench.get("ledger/balance", as_of=day)
        assert amounts(found["sources"]) == {name: Decimal(euros) for name, euros in sources.items()}
        told = amounts(found["uses"])
        assert told == pytest.approx({name: Decimal(euros) for name, euros in uses.items()}, abs=MICRO)
        assert Decimal(found["difference"]["amount"]) == 0


def test_what_is_behind_a_gram_of_ester(bench: Bench) -> None:
    found = bench.get("lots/ester-1/ancestry")
    behind = {line["lot"]: line["amount_g"] for line in found["behind_a_gram"]}
    assert behind == pytest.approx(
        {"benzoate-1": 1.6392, "acid-1": 0.7376, "ethanol-1": 1.6765, "old-ethanol": 0.2794}, abs=0.5e-4
    )
    cost = sum(line["cost"] for line in found["behind_a_gram"]) + found["direct_cost"]
    assert cost == pytest.approx(0.0610720, abs=HALF)
    assert found["per"] == "g"
    up = {node["id"] for node in found["up"]["nodes"]}
    assert {"lot:ester-1", "run:E-1", "lot:pool", "pool:pooling", "run:A-1", "lot:benzoate-1"} <= up
    assert "run:A-3" not in up
    down = bench.get("lots/organic-1/ancestry")["down"]
    assert {node["id"] for node in down["nodes"]} == {
        "lot:organic-1", "pool:pooling", "lot:pool", "run:E-1", "lot:ester-1", "lot:ethanol-back",
    }  # fmt: skip


def test_the_failures_of_the_steps_behind_a_lot(bench: Bench) -> None:
    """3.94 failed over 270 g of acid: 0.0145926 more a gram, of which the ester carries 0.95·200/170."""
    found = bench.get("lots/ester-1/cost", loaded="true")
    assert found["cost_per_g_loaded"] - found["cost_per_g"] == pytest.approx(3.94 / 270 * 0.95 * 200 / 170, abs=1e-8)
    assert bench.get("lots/ester-1/cost")["reasons"]["cost_per_g_loaded"]


def test_a_lot_without_a_value_makes_what_came_of_it_unpriced(bench: Bench) -> None:
    order = bench.get("purchases/order-1")
    salt, acid = order["lines"]
    acid = {key: acid[key] for key in ("lot", "material", "amount")}
    bench.put(
        "purchases/order-1",
        {"supplier": "corner", "bought_on": "2026-03-01", "lines": [{**salt, "price": eur("12")}, acid]},
    )
    found = bench.get("lots/ester-1/cost")
    assert found["cost_per_g"] is None
    assert found["total"] is None
    assert found["unpriced"] == [{"name": "acid-1", "of": "lot", "reason": "nobody said what it is worth"}]
    # Without the 2 × 0.54 of acid that went in, of which 4/5 and 0.95 reached the ester.
    less = 0.95 * 200 / 170 * (0.54 + 100 * 0.54 / 120) / 250
    assert found["cost_per_g_at_least"] == pytest.approx(0.0610720 - less, abs=HALF)
    assert found["reasons"]["cost_per_g"] == "something behind it is unpriced"
    assert Decimal(bench.get("ledger/balance")["difference"]["amount"]) == 0


def test_what_was_paid_in_another_currency_counts_at_the_rate_of_its_day(bench: Bench) -> None:
    for day, rate in (("2026-01-01", "0.8"), ("2026-03-05", "0.5")):
        bench.put(f"exchange-rates/usd-{day}", {"base": "USD", "quote": "EUR", "rate": rate, "valid_from": day})
    lot = {"material": "benzoate", "amount": "10 g", "origin": "bought", "value": {"amount": "10", "currency": "USD"}}
    bench.put("lots/early", {**lot, "received_on": "2026-03-01"})
    bench.put("lots/late", {**lot, "received_on": "2026-03-06"})
    assert bench.get("lots/early/cost")["total"] == {"amount": "8.00", "currency": "EUR"}
    assert bench.get("lots/late/cost")["total"] == {"amount": "5.00", "currency": "EUR"}
    assert bench.get("lots/late/cost", currency="USD")["cost_per_g"] == 1.0
    assert amounts(bench.get("ledger/balance")["sources"])["purchases"] == 39
    # In dollars everything of 1 March is worth 1/0.8 as much; a currency that nothing leads to is named.
    assert bench.get("lots/ethanol-1/cost", currency="USD")["total"] == {"amount": "10.00", "currency": "USD"}
    unknown = bench.get("lots/ethanol-1/cost", currency="CHF")
    assert unknown["cost_per_g"] is None
    assert unknown["unpriced"] == [
        {"name": "EUR-CHF", "of": "exchange-rate", "reason": "there is no exchange rate from EUR to CHF on 2026-03-01"}
    ]


def test_no_such_lot(bench: Bench) -> None:
    for answer in ("cost", "ancestry"):
        assert bench.refused(f"lots/nothing/{answer}", method="GET").status_code == 404


def test_what_the_product_of_the_route_really_cost(bench: Bench) -> None:
    found = bench.get("routes/ester/cost", basis="traced", as_of="2026-04-01")
    assert found["basis"] == "traced"
    assert found["product_g"] == 170
    assert found["cost_per_g_good_runs"] == pytest.approx(0.0610720, abs=HALF)
    assert found["failures_per_g"] == pytest.approx(3.94 / 270 * 0.95 * 200 / 170, abs=1e-8)
    assert found["cost_per_g"] == pytest.approx(found["cost_per_g_good_runs"] + found["failures_per_g"], rel=1e-12)
    assert found["cost_per_contained_g"] == found["cost_per_g"]
    assert found["failures"] == {"amount": "3.94", "currency": "EUR"}
    assert Decimal(found["abandoned"]["amount"]) == Decimal(found["work_in_progress"]["amount"]) == 0
    behind = {line["material"]: line["amount_g_per_g"] for line in found["by_material"]}
    assert behind == pytest.approx({"benzoate": 1.6392, "mineral-acid": 0.7376, "ethanol": 1.6765 + 0.2794}, abs=1e-4)
    parts = sum(line["cost_per_g"] for line in [*found["by_material"], *found["direct"]])
    assert parts == pytest.approx(found["cost_per_g_good_runs"], abs=1e-8)
    acidify, esterify = found["by_step"]
    assert acidify["runs"] == {"finished": 2, "failed": 1, "abandoned": 0, "open": 0}
    assert acidify["cost_per_g_good_runs"] == pytest.approx(2 * 3.94 / 270, abs=HALF)
    assert acidify["cost_per_g"] == pytest.approx(3 * 3.94 / 270, abs=HALF)
    assert esterify["cost_per_g"] == found["cost_per_g"]
    # Three lots were bought for 26.00; the runs behind the ester paid 2.00 and, of 2 × 1.00, what reached it.
    reached = 0.95 * (2 + 200 / 250 * (1 + 100 / 120))
    assert float(found["cash"]["amount"]) == pytest.approx(26 + reached, abs=1e-5)
    assert {line["lot"]: line["amount_g"] for line in found["leftovers"]} == {
        "benzoate-1": 400, "acid-1": 730, "ethanol-1": 500,
    }  # fmt: skip

    # Before there was any product.
    found = bench.get("routes/ester/cost", basis="traced", as_of="2026-03-05")
    assert found["cost_per_g"] is None
    assert found["reasons"]["cost_per_g"] == "no run of the route has given its product by then"
    assert Decimal(found["work_in_progress"]["amount"]) == pytest.approx(Decimal("10.928667"), abs=MICRO)


def with_credit(bench: Bench, amount: str) -> dict[str, Any]:
    run = bench.get("runs/E-1")
    body = {key: run[key] for key in ("route", "step", "status", "started_on", "finished_on", "operator", "charges")}
    ester = {"material": "ester", "lot": "ester-1", "net": "170 g"}
    back = {"material": "ethanol", "lot": "ethanol-back", "role": "recovered", "net": "180 g", "credit": eur(amount)}
    return {**body, "outturns": [ester, back]}


def test_a_credit_above_what_the_run_cost_is_refused(bench: Bench) -> None:
    """The run cost 200·0.0288933 + 3.00 + 0.15 + 2.00 = 10.928667."""
    tag = {"If-Match": bench.client.get("/v1/runs/E-1").headers["ETag"]}
    before = bench.get("runs/E-1")
    refused = bench.refused("runs/E-1", with_credit(bench, "10.93"), headers=tag)
    (fault,) = refused.get_json(force=True)["faults"]
    assert (refused.status_code, fault["code"], fault["pointer"]) == (422, "credit-above-cost", "/outturns/1/credit")
    assert "10.92866" in fault["detail"]
    new = {**with_credit(bench, "10.93"), "charges": [{"lot": "ethanol-1", "amount": "1 g"}]}
    new["outturns"] = [{**each, "lot": f"{each['lot']}-new"} for each in new["outturns"]]
    assert bench.refused("runs/E-9", new).status_code == 422
    assert bench.client.get("/v1/runs/E-9").status_code == 404
    assert bench.get("runs/E-1") == before
    assert bench.put("runs/E-1", with_credit(bench, "10.92"))["findings"] == []
    assert bench.get("lots/ethanol-back/cost")["total"] == {"amount": "10.92", "currency": "EUR"}
    assert bench.get("lots/ester-1/cost")["cost_per_g"] == pytest.approx(0.008667 / 170, abs=1e-8)


def test_a_credit_that_a_falling_price_left_above_the_cost_is_found(bench: Bench) -> None:
    """What the credited lot carries is never more than the run cost: nothing is lost, and the run says so."""
    bench.put("runs/E-1", with_credit(bench, "10.00"))
    bench.put("lots/ethanol-1", {"material": "ethanol", "amount": "800 g", "value": eur("0.80"), "origin": "bought",
                                 "received_on": "2026-03-01"})  # fmt: skip
    (finding,) = bench.get("runs/E-1")["findings"]
    assert finding["code"] == "credit-above-cost"
    (listed,) = bench.get("findings", code="credit-above-cost")["findings"]
    assert (listed["kind"], listed["record"], listed["code"]) == ("runs", "E-1", "credit-above-cost")
    assert Decimal(bench.get("lots/ethanol-back/cost")["total"]["amount"]) == pytest.approx(
        Decimal("10.928667") - Decimal("2.70"), abs=MICRO
    )
    assert Decimal(bench.get("ledger/balance")["difference"]["amount"]) == 0
