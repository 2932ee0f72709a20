"""What one run cost and where that went: the worked graph, asked over HTTP, by hand."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.stories.bench import Bench
from tests.stories.worked_graph import acidify, bought, eur, run_graph, set_up_graph

WENT = ("made", "failures", "abandoned", "work_in_progress")


@pytest.fixture
def bench(client: FlaskClient) -> Bench:
    bench = Bench(client)
    set_up_graph(bench)
    run_graph(bench)
    return bench


def went(found: dict[str, Any]) -> dict[str, float]:
    return {name: float(found[name]["amount"]) for name in WENT if Decimal(found[name]["amount"])}


def test_a_run_that_gave_product(bench: Bench) -> None:
    found = bench.get("runs/E-1/cost")
    pool = 200 * (3.94 + 100 * 3.94 / 120) / 250
    total = pool + 3.00 + 0.15 + 2.00
    assert float(found["total"]["amount"]) == pytest.approx(total, abs=1e-6)
    assert {line["lot"]: (line["amount_g"], float(line["cost"]["amount"])) for line in found["inputs"]} == {
        "pool": (200, pytest.approx(pool, abs=1e-6)), "ethanol-1": (300, 3.0), "old-ethanol": (50, 0.15),
    }  # fmt: skip
    assert found["direct"] == [{"of": "consumables", "material": None, "cost": eur("2.00")}]
    carried = {line["lot"]: line for line in found["outturns"]}
    for lot, share in (("ester-1", 0.95), ("ethanol-back", 0.05)):
        assert float(carried[lot]["cost"]["amount"]) == pytest.approx(share * total, abs=1e-6)
        assert carried[lot]["shared_by"] == "stated"
        assert carried[lot]["cost"] == bench.get(f"lots/{lot}/cost")["total"]
    assert (carried["ester-1"]["product"], carried["ethanol-back"]["product"]) == (True, False)
    assert found["cost_per_g"] == found["cost_per_contained_g"] == pytest.approx(0.0610720, abs=0.5e-7)
    assert went(found) == {"made": float(found["total"]["amount"])}
    assert (found["unpriced"], found["reasons"]) == ([], {})


def test_what_failed_or_was_abandoned_or_goes_on_stands_in_its_own_line(bench: Bench) -> None:
    bench.put("runs/A-4", {**acidify(4, None), "status": "abandoned"})
    bench.put("runs/A-5", {key: value for key, value in acidify(5, None).items() if key != "finished_on"}
              | {"status": "open"})  # fmt: skip
    for run, line in (("A-3", "failures"), ("A-4", "abandoned"), ("A-5", "work_in_progress")):
        found = bench.get(f"runs/{run}/cost")
        assert went(found) == {line: 3.94}, run
        assert found["outturns"] == []
        assert (found["cost_per_g"], found["reasons"]["cost_per_g"]) == (None, "it has given no product")
    assert went(bench.get("runs/E-1/cost", as_of="2026-03-05")) == {
        "work_in_progress": pytest.approx(10.928667, abs=2e-6)
    }


def test_a_failed_run_less_what_it_recovered(bench: Bench) -> None:
    back = {"material": "benzoate", "lot": "benzoate-back", "role": "recovered", "net": "50 g", "cost_share": "0.25"}
    bench.put("runs/A-3", {**acidify(3, None), "outturns": [back]})
    found = bench.get("runs/A-3/cost")
    assert went(found) == {"made": 0.985, "failures": 2.955}
    assert [line["lot"] for line in found["outturns"]] == ["benzoate-back"]


def test_what_is_unpriced_is_named_and_the_rest_stands_beside(bench: Bench) -> None:
    bench.put("lots/gift", {"material": "mineral-acid", "amount": "500 g", "received_on": "2026-03-01"})
    body = acidify(6, "100 g")
    body["charges"][1] = {"lot": "gift", "amount": "90 g"}
    bench.put("runs/A-6", body)
    found = bench.get("runs/A-6/cost")
    assert (found["total"], found["cost_per_g"]) == (None, None)
    assert found["total_at_least"] == eur("3.40")
    assert found["cost_per_g_at_least"] == pytest.approx(0.034)
    assert found["reasons"].keys() == {"total", "cost_per_g", "cost_per_contained_g"}
    assert found["unpriced"] == [{"name": "gift", "of": "lot", "reason": "nobody said what it is worth"}]
    salt, gift = found["inputs"]
    assert (salt["cost"], gift["cost"]) == (eur("2.40"), None)
    assert (gift["lot"], gift["amount_g"]) == ("gift", 90)
    lot = body["outturns"][0]["lot"]
    assert {line["lot"]: line["cost"] for line in bench.get(f"lots/{lot}/cost")["inputs"]}["gift"] is None
    behind = {line["lot"]: line["cost"] for line in bench.get(f"lots/{lot}/ancestry")["behind_a_gram"]}
    assert behind == {salt["lot"]: pytest.approx(0.024), "gift": None}
    last = {"charges": [{"lot": lot, "amount": "9 g"}], "outturns": [{"material": "ester", "net": "8 g"}]}
    bench.put("runs/E-6", {**body, "step": "esterify", **last})
    traced = bench.get("routes/ester/cost", basis="traced")
    assert (traced["cost_per_g"], traced["consumed"]) == (None, None)
    assert traced["reasons"]["consumed"] == "something behind it is unpriced"
    assert {line["lot"]: line["value"] for line in traced["leftovers"]}["gift"] is None


def test_hours_count_where_they_are_asked_for_and_what_has_no_rate_is_said(bench: Bench) -> None:
    bench.put("rates/hours", {"of": "labour", "price": eur("20"), "per": "1 h", "valid_from": "2026-01-01"})
    bench.put("runs/A-7", {**acidify(7, "100 g"), "labour": "90 min", "energy": "2 kWh"})
    found = bench.get("runs/A-7/cost")
    lines = {line["of"]: line for line in found["direct"]}
    assert (lines["labour"]["amount_h"], lines["labour"]["cost"]) == (1.5, None)
    assert found["total"] == eur("3.94")
    assert found["not_counted"] == ["energy: no rate is recorded for the day"]
    assert bench.get("runs/A-7/cost", labour="true")["total"] == eur("33.94")


def test_product_on_no_shelf_was_handed_over(bench: Bench) -> None:
    body = acidify(8, "100 g")
    del body["outturns"][0]["lot"]
    body["outturns"][0] |= {"assay": "0.8", "loss_on_drying": "0.1"}
    bench.put("runs/A-8", body)
    found = bench.get("runs/A-8/cost")
    assert [(line["lot"], line["cost"]) for line in found["outturns"]] == [(None, eur("3.94"))]
    assert found["cost_per_g"] == pytest.approx(3.94 / 90)


def test_it_is_the_same_from_the_whole_ledger_in_memory(bench: Bench) -> None:
    alone = [bench.get(f"runs/{run}/cost") for run in ("A-1", "A-3", "E-1")]
    bench.get("ledger/balance")
    assert [bench.get(f"runs/{run}/cost") for run in ("A-1", "A-3", "E-1")] == alone


@pytest.mark.parametrize("run", ["A-1", "A-3", "E-1"])
def test_a_run_that_is_read_alone_tells_what_it_cost(bench: Bench, run: str) -> None:
    asked, told = bench.get(f"runs/{run}/cost"), bench.get(f"runs/{run}")["result"]
    assert told["cost"] == {name: asked[name] for name in told["cost"]}
    assert told["cost"].keys() >= {"total", "total_at_least", "unpriced", "not_counted", *WENT}
    assert told["cost_per_g"] == asked["cost_per_g"]
    assert told["reasons"].get("cost_per_g") == asked["reasons"].get("cost_per_g")


def test_its_tag_moves_with_what_it_cost(bench: Bench) -> None:
    held = bench.client.get("/v1/runs/E-1").headers["ETag"]
    assert bench.client.get("/v1/runs/E-1", headers={"If-None-Match": held}).status_code == 304
    bench.put("lots/old-ethanol", bought("ethanol", "50 g", "99", origin="opening"))
    moved = bench.client.get("/v1/runs/E-1", headers={"If-None-Match": held})
    assert moved.status_code == 200
    assert moved.headers["ETag"].strip('"').partition(".")[0] == held.strip('"').partition(".")[0]


def test_no_such_run(bench: Bench) -> None:
    assert bench.refused("runs/nothing/cost", method="GET").status_code == 404
    table = bench.client.get("/v1/runs/E-1/cost?format=csv&table=outturns")
    assert table.text.splitlines()[0].startswith("lot,material,product,amount_g")


def test_the_series_of_what_runs_cost(bench: Bench) -> None:
    found = bench.get("series/costs", route="ester")
    assert {line["run"]: line["cost_per_g"] for line in found["runs"]} == pytest.approx(
        {"A-1": 0.0262667, "A-2": 0.0328333, "E-1": 0.0610720}, abs=0.5e-7
    )
    assert [line["product_lot"] for line in found["runs"]] == ["organic-1", "organic-2", "ester-1"]
    assert bench.get("series/costs", operator="m2")["runs"] == [found["runs"][2]]
    rows = bench.client.get("/v1/series/costs?format=csv&route=ester&step=acidify").text.splitlines()
    assert rows[0].startswith("run,route,step,day,left_out,operator,project,product_lot,cost,cost_per_g")
    assert len(rows) == 3
