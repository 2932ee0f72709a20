"""The main job from an empty workshop to the batch sheet, as a newcomer does it, over HTTP alone.

Molar masses by hand from the standard atomic weights of 2021 (Prohaska et al., Pure Appl. Chem. 2022, 94, 573).
"""

from __future__ import annotations

import csv
import io
import math

import pytest
from flask.testing import FlaskClient

from tests.stories.bench import Bench, carbonate, dissolve, four_runs, set_up

VITRIOL, ASH, MALACHITE, VERDIGRIS = 249.677, 105.988, 221.114, 199.65


@pytest.fixture
def bench(client: FlaskClient) -> Bench:
    bench = Bench(client)
    set_up(bench)
    return bench


def test_a_first_run_is_worked_out_at_once(bench: Bench) -> None:
    told = bench.put("runs/VG-1", carbonate(1, "20.41 g"))
    result = told["result"]
    theoretical = 50 * 0.98 / VITRIOL / 2 * MALACHITE
    assert result["theoretical_g"] == pytest.approx(theoretical, rel=2e-4)
    assert result["limiting_reagent"] == "blue-vitriol"
    assert result["yield"] == pytest.approx(20.41 * 0.96 / theoretical, rel=2e-4)
    assert result["crude_yield"] == pytest.approx(20.41 / theoretical, rel=2e-4)
    assert told["charges"][0]["amount"] == "50.0 g"
    assert bench.get("lots/vitriol-012")["on_hand_g"] == 450.0


def test_an_empty_route_answers_and_says_what_it_rests_on(bench: Bench) -> None:
    yields = bench.get("routes/verdigris/yields")
    assert [step["runs"]["counted"] for step in yields["steps"]] == [0, 0]
    assert yields["steps"][0]["mean"] is None
    assert yields["steps"][0]["next_run"]["evidence"] == "none"
    assert bench.get("routes/verdigris/cost")["cost_per_g"] is None
    plan = bench.get("routes/verdigris/plan", target="25g")
    assert plan["p_reach"] >= 0.9
    assert plan["steps"][0]["batches"] >= 1


def test_yields_after_four_runs(bench: Bench) -> None:
    four_runs(bench)
    told = bench.get("routes/verdigris/yields")
    one, two = told["steps"]
    theoretical = 50 * 0.98 / VITRIOL / 2 * MALACHITE
    assert one["mean"] == pytest.approx((20.41 + 19.02) / 2 * 0.96 / theoretical, rel=2e-4)
    of_second = 15 * 0.96 / MALACHITE * 2 * VERDIGRIS
    assert two["ratio_of_totals"] == pytest.approx((19.8 + 20.6) / 2 / of_second, rel=5e-4)
    assert one["sd"] is not None
    assert one["ratio_low"] is None
    assert one["reasons"]["ratio_low"] == "two runs carry no interval"
    through = told["overall"]["product_per_key_input_g_per_g"]
    assert through == pytest.approx((20.41 + 19.02) / 100 * (19.8 + 20.6) / 30, rel=1e-4)
    bounds = one["next_run"]["at_least"]
    assert bounds["50"] > bounds["80"] > bounds["90"]
    assert one["next_run"]["evidence"] == "2 runs, 1 operator, 1 lot"


def test_cost_after_four_runs(bench: Bench) -> None:
    """A gram of malachite takes 2.54 g of vitriol at 1.30 a 100 g; of verdigris 0.74 g of that, and its vinegar."""
    four_runs(bench)
    told = bench.get("routes/verdigris/cost")
    ash = 1.1 * 0.98 / VITRIOL * ASH * 0.0035
    malachite = (0.013 + ash) / ((20.41 + 19.02) / 100)
    vinegar = 4.4 * 0.96 / MALACHITE / 1.5 * 2.20  # EUR a gram of malachite, by the litre
    verdigris = (malachite + vinegar) / ((19.8 + 20.6) / 30)
    assert told["cost_per_g"] == pytest.approx(verdigris, rel=1e-3)
    assert told["unpriced"] == []
    assert told["currency"] == "EUR"
    assert math.fsum(line["cost_per_g"] for line in told["by_material"]) == pytest.approx(told["cost_per_g"])
    assert told["buy_instead"] == {"offer": "verdigris-50g", "cost_per_g": pytest.approx(0.28)}
    assert told["cost_per_g"] < 0.28
    # A batch of 20 g in whole packs: vitriol, ash, vinegar and one order's shipping.
    assert told["cash_per_g"] == pytest.approx((6.50 + 3.50 + 2.20 + 4.90) / told["cash_for_g"])
    amount = bench.get("routes/verdigris/cost", amount="100 g")
    assert amount["cash_for_g"] == 100.0
    assert amount["cash_per_g"] < told["cash_per_g"]


def test_a_plan_after_four_runs(bench: Bench) -> None:
    four_runs(bench)
    told = bench.get("routes/verdigris/plan", target="25 g", confidence="0.9")
    assert told["target_g"] == 25.0
    assert 0.9 <= told["p_reach"] <= told["p_max"] + 0.02
    assert told["at_the_mean"]["p_reach"] < 0.75
    first, second = told["steps"]
    # 5.41 g and 4.02 g of malachite are left over from what the second step took.
    assert first["from_stock_g"] == pytest.approx(9.43)
    assert first["expected_product_g"] + first["from_stock_g"] == pytest.approx(second["key_input_g"], rel=0.02)
    needs = {line["material"]: line for line in told["materials"]}
    vitriol = needs["blue-vitriol"]
    assert vitriol["on_hand_g"] == 400.0
    assert vitriol["to_buy_g"] == 0.0
    assert needs["vinegar"]["on_hand_ml"] == pytest.approx(4400.0)
    assert needs["soda-ash"]["packs"] == [
        {"offer": "ash-1kg", "count": 1, "cash": {"amount": "3.50", "currency": "EUR"}}
    ]
    assert told["cost"]["cash"] == {"amount": "8.40", "currency": "EUR"}
    assert told["cost"]["complete"] is True
    from_nothing = bench.get("routes/verdigris/plan", target="25 g", stock="none")
    assert from_nothing["steps"][0]["key_input_g"] > first["key_input_g"]
    surer = bench.get("routes/verdigris/plan", target="25 g", confidence="0.95", stock="none")
    assert surer["steps"][0]["key_input_g"] > from_nothing["steps"][0]["key_input_g"]
    assert "not a safety review" in told["standing"]


def test_the_sheet_of_the_next_batch(bench: Bench) -> None:
    four_runs(bench)
    told = bench.get("routes/verdigris/steps/carbonate/batch-sheet", key_input="60g", lots="vitriol-012")
    vitriol, ash, water = told["lines"]
    assert (vitriol["lot"], vitriol["amount_g"]) == ("vitriol-012", 60.0)
    assert ash["amount_g"] == pytest.approx(1.1 * 60 * 0.98 / VITRIOL * ASH, rel=2e-4)
    assert water["amount_ml"] == pytest.approx(480.0)
    dissolved = bench.get("routes/verdigris/steps/dissolve/batch-sheet", key_input="4 g", lots="malachite-2,vinegar-1")
    (_, vinegar) = dissolved["lines"]
    assert vinegar["amount_ml"] == pytest.approx(4.4 * 4 * 0.96 / MALACHITE / 1.5 * 1000, rel=2e-4)
    assert vinegar["lot"] == "vinegar-1"
    # Charged as the sheet says, the run has the sheet's theoretical amount.
    charges = [
        {"lot": "malachite-2", "amount": "4 g"},
        {"lot": "vinegar-1", "amount": f"{vinegar['amount_ml']:.6f} mL"},
    ]
    run = {"route": "verdigris", "step": "dissolve", "status": "open", "charges": charges}
    assert bench.put("runs/VG-5", run)["result"]["theoretical_g"] == pytest.approx(dissolved["theoretical_g"], rel=1e-6)


def test_a_table_for_people_who_plot(bench: Bench) -> None:
    four_runs(bench)
    found = bench.client.get("/v1/routes/verdigris/yields?format=csv")
    assert found.mimetype == "text/csv"
    rows = list(csv.DictReader(io.StringIO(found.text)))
    assert [row["step"] for row in rows] == ["carbonate", "dissolve"]
    told = bench.get("routes/verdigris/yields")
    assert float(rows[0]["mean"]) == pytest.approx(told["steps"][0]["mean"])


def test_what_is_unchanged_is_not_sent_again(bench: Bench) -> None:
    four_runs(bench)
    for path in ("yields", "cost", "plan?target=25g"):
        found = bench.client.get(f"/v1/routes/verdigris/{path}")
        again = bench.client.get(f"/v1/routes/verdigris/{path}", headers={"If-None-Match": found.headers["ETag"]})
        assert (again.status_code, again.data) == (304, b"")
        bench.put("runs/VG-9", carbonate(9, f"{19 + len(path)}.00 g"))
        moved = bench.client.get(f"/v1/routes/verdigris/{path}", headers={"If-None-Match": found.headers["ETag"]})
        assert moved.status_code == 200
        assert moved.get_json() != found.get_json()


def test_a_failure_and_a_pool(bench: Bench) -> None:
    four_runs(bench)
    before = bench.get("routes/verdigris/cost")["cost_per_g"]
    bench.put("runs/VG-6", carbonate(6, "1 g", status="failed", outturns=[]))
    assert bench.get("routes/verdigris/cost")["cost_per_g"] > before
    parts = [{"lot": "malachite-1", "amount": "5 g"}, {"lot": "malachite-2", "amount": "4 g"}]
    bench.put("pools/P-1", {"made_on": "2026-05-16", "from": parts, "lot": "malachite-pool"})
    used = dissolve(
        7, "11.9 g", charges=[{"lot": "malachite-pool", "amount": "9.00 g"}, {"lot": "vinegar-1", "amount": "180 mL"}]
    )
    result = bench.put("runs/VG-7", used)["result"]
    # Both lots are of 96 %, and so is the pool.
    assert result["theoretical_g"] == pytest.approx(9 * 0.96 / MALACHITE * 2 * VERDIGRIS, rel=5e-4)
