"""The demo's ledger, each figure by a second road: out of other answers, and sums of what runs and lots tell."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from flask.testing import FlaskClient

ROUTES = ("verdigris", "madder-lake")
MICRO = 2e-6


def get(demo: FlaskClient, path: str, **asked: str) -> dict[str, Any]:
    told = demo.get(f"/v1/{path}", query_string=asked)
    assert told.status_code == 200, told.text
    found: dict[str, Any] = told.get_json()
    return found


def every(demo: FlaskClient, kind: str, **asked: str) -> list[dict[str, Any]]:
    found = get(demo, kind, limit="1000", **asked)
    assert found["next"] is None
    items: list[dict[str, Any]] = found["items"]
    return items


def of_step(demo: FlaskClient, route: str, step: str) -> list[dict[str, Any]]:
    return [run for run in every(demo, "runs", route=route, step=step) if run["status"] == "finished"]


@pytest.mark.parametrize("route", ROUTES)
def test_what_the_product_of_each_step_cost(demo: FlaskClient, route: str) -> None:
    """Its grams are those of its runs, its money that of the lots that they made."""
    found = get(demo, f"routes/{route}/cost", basis="traced")
    for step in found["by_step"]:
        runs = of_step(demo, route, step["step"])
        grams = sum(run["result"]["dry_g"] for run in runs)
        assert step["runs"]["finished"] == len(runs) > 0
        assert step["product_g"] == pytest.approx(grams, rel=1e-12)
        lots = [out.get("lot") for run in runs for out in run["outturns"] if out.get("role", "product") == "product"]
        if None in lots:
            continue  # what went on no shelf has no cost of its own to ask for
        total = sum(float(get(demo, f"lots/{lot}/cost")["total"]["amount"]) for lot in lots)
        assert step["cost_per_g_good_runs"] == pytest.approx(total / grams, abs=MICRO * len(lots) / grams)
    (last,) = (step for step in found["by_step"] if step["product"] == found["product"])
    names = ("product_g", "cost_per_g", "cost_per_g_good_runs")
    assert [found[name] for name in names] == [last[name] for name in names]
    # Consumed and cash stand side by side, in total and per gram; cash is more by what is left of what was bought.
    assert float(found["consumed"]["amount"]) / found["product_g"] == pytest.approx(found["cost_per_g"], rel=1e-5)
    assert float(found["cash"]["amount"]) / found["product_g"] == pytest.approx(found["cash_per_g"], rel=1e-5)
    assert sum(float(line["value"]["amount"]) for line in found["leftovers"]) > 0


@pytest.mark.parametrize("day", ["2024-12-31", "2025-08-15", "2026-03-31", "2026-11-25"])
def test_both_sides_of_the_books_on_any_day(demo: FlaskClient, day: str) -> None:
    """They agree to the last millionth; what stands as stock is what the shelf is worth, lot by lot."""
    found = get(demo, "ledger/balance", as_of=day)
    sums = [sum(Decimal(money["amount"]) for money in found[side].values()) for side in ("sources", "uses")]
    assert sums[0] == sums[1] > 0
    assert found["difference"]["amount"] == "0.000000"
    assert (found["breaches"], found["unpriced"]) == ([], [])
    shelf = get(demo, "stock", as_of=day, everything="true")
    worth = sum(Decimal(lot["value"]["amount"]) for lot in shelf["lots"])
    assert worth == Decimal(found["uses"]["stock"]["amount"]) == Decimal(shelf["value"]["amount"])


def test_forward_and_backward_reach_one_cost(demo: FlaskClient) -> None:
    made = [lot["code"] for lot in every(demo, "lots") if lot.get("made_by", {}).get("kind") in ("runs", "pools")]
    assert len(made) > 30
    for lot in made[::4]:
        cost, behind = get(demo, f"lots/{lot}/cost"), get(demo, f"lots/{lot}/ancestry")
        backward = sum(line["cost"] for line in behind["behind_a_gram"]) + behind["direct_cost"]
        forward = cost["cost_per_g"] if behind["per"] == "g" else cost["cost_per_ml"]
        assert backward == pytest.approx(forward, rel=1e-5, abs=1e-6), lot


def test_an_earlier_state_of_the_demo(demo: FlaskClient) -> None:
    """Before the last file was brought in there were fewer runs; the books agreed then too."""
    now = get(demo, "ledger/balance")
    state = now["rests_on"]["state"]
    before = get(demo, "ledger/balance", state=str(state - 2))
    assert before["rests_on"]["state"] == state - 2
    assert before["rests_on"]["events"] < now["rests_on"]["events"]
    assert before["difference"]["amount"] == "0.000000"


def test_costs_over_time_are_those_of_the_lots(demo: FlaskClient) -> None:
    """Bought, made and pooled lots, each with what it is found to cost by itself; and what was asked for soda."""
    found = get(demo, "series/prices")
    assert [line["on"] or "" for line in found["costs"]] == sorted(line["on"] or "" for line in found["costs"])
    assert {line["lot"] for line in found["costs"]} == {lot["code"] for lot in every(demo, "lots")}
    for line in found["costs"][::5]:
        one = get(demo, f"lots/{line['lot']}/cost")
        assert (line["cost_per_g"], line["total"], line["on"]) == (one["cost_per_g"], one["total"], one["made_on"])
    narrow = get(demo, "series/prices", material="madder-root", **{"from": "2025-01-01"})
    assert [line["record"] for line in narrow["costs"]] == ["2025-02", "2026-01"]
    assert [line["total"]["amount"] for line in narrow["costs"]] == ["39.40", "31.90"]
    asked = [offer for offer in narrow["offers"] if offer["supplier"] == "dye-garden"]
    assert [offer["valid_from"] or "" for offer in asked] == sorted(offer["valid_from"] or "" for offer in asked)
    assert len({offer["price_per_unit"] for offer in asked}) > 1
    made = get(demo, "series/prices", route="verdigris")
    assert {line["came_by"] for line in made["costs"]} == {"run"}
    assert made["offers"] == []
