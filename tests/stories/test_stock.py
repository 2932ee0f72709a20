"""What is on the shelf, over HTTP: amounts and their uncertainty by hand from the last digits that were written."""

from __future__ import annotations

import csv
import io
import math
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.stories.bench import Bench
from tests.stories.worked_graph import bought, run_graph, set_up_graph

STEP = 1 / math.sqrt(12)
"""Standard uncertainty of one reading of a display, in steps of its last digit (JCGM 100:2008, 4.3.7)."""


@pytest.fixture
def bench(client: FlaskClient) -> Bench:
    bench = Bench(client)
    set_up_graph(bench)
    run_graph(bench)
    return bench


def lots(found: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {line["lot"]: line for line in found["lots"]}


def test_what_is_left_and_what_it_is_worth(bench: Bench) -> None:
    found = bench.get("stock", as_of="2026-03-10")
    held = lots(found)
    assert {lot: line["on_hand_g"] for lot, line in held.items()} == {
        "benzoate-1": 400, "acid-1": 730, "ethanol-1": 500, "organic-2": 20, "pool": 50, "ester-1": 170,
        "ethanol-back": 180,
    }  # fmt: skip
    assert held["pool"]["value"] == {"amount": "1.444667", "currency": "EUR"}
    assert held["benzoate-1"]["value"] == {"amount": "4.80", "currency": "EUR"}
    assert found["value"] == {"amount": "27.21", "currency": "EUR"}
    assert held["ester-1"]["age_days"] == 4
    ethanol = next(line for line in found["materials"] if line["material"] == "ethanol")
    assert (ethanol["lots"], ethanol["on_hand_g"]) == (2, 680)
    assert found["rests_on"]["lots"] == 7
    how_well_it_is_known(held)
    the_shelf_of_an_earlier_day(bench)


def the_shelf_of_an_earlier_day(bench: Bench) -> None:
    held = lots(bench.get("stock", as_of="2026-03-02"))
    assert held["organic-1"]["on_hand_g"] == 150
    assert "pool" not in held
    assert lots(bench.get("stock", as_of="2026-03-10", everything="true"))["organic-1"]["on_hand_g"] == 0


def how_well_it_is_known(held: dict[str, dict[str, Any]]) -> None:
    """A charge and a net stand for two readings each; a bought amount for none; a pool for its parts."""
    expected = {
        "benzoate-1": 6,  # three charges
        "acid-1": 6,
        "ethanol-1": 2,  # one
        "organic-2": 4,  # weighed out, and once taken
        "pool": 6,  # two parts, and once taken
        "ester-1": 2,
    }
    for lot, readings in expected.items():
        assert held[lot]["on_hand_u_g"] == pytest.approx(STEP * math.sqrt(readings), rel=1e-12), lot


def test_a_stated_uncertainty_counts(bench: Bench) -> None:
    bench.put("lots/salt", {"material": "ester", "amount": "100 g ± 3 g", "origin": "found"})
    held = lots(bench.get("stock", material="ester"))["salt"]
    assert held["on_hand_u_g"] == pytest.approx(3)
    assert held["value"] is None
    assert held["reasons"]["value"] == "something behind it is unpriced"
    assert held["age_days"] is None


def test_of_one_material_and_of_one_project(bench: Bench) -> None:
    bench.put("projects/inks", {"name": "inks"})
    bench.put("lots/ethanol-2", {**bought("ethanol", "10 g", "1.00"), "project": "inks"})
    assert lots(bench.get("stock", material="ethanol")).keys() == {"ethanol-1", "ethanol-2", "ethanol-back"}
    assert lots(bench.get("stock", project="inks")).keys() == {"ethanol-2"}
    assert "ethanol-2" not in lots(bench.get("stock", project="common", material="ethanol"))
    assert bench.refused("stock?material=nothing-of-it", method="GET").status_code == 404


def test_more_taken_than_there_was(bench: Bench) -> None:
    run = {
        key: value for key, value in bench.get("runs/A-3").items() if key in ("route", "step", "status", "started_on")
    }
    bench.put("runs/A-4", {**run, "charges": [{"lot": "benzoate-1", "amount": "500 g"}], "outturns": []})
    held = lots(bench.get("stock"))["benzoate-1"]
    assert held["on_hand_g"] == -100
    assert held["overdrawn"] is True
    assert held["value"] == {"amount": "-1.20", "currency": "EUR"}


def test_as_a_table(bench: Bench) -> None:
    answer = bench.client.get("/v1/stock?format=csv&as_of=2026-03-10")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert {row["lot"]: float(row["on_hand_g"]) for row in rows}["acid-1"] == 730
    answer = bench.client.get("/v1/stock?format=csv&table=materials&as_of=2026-03-10")
    assert {row["material"] for row in csv.DictReader(io.StringIO(answer.text))} >= {"ester", "ethanol"}
