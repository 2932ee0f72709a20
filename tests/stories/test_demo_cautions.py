"""What the demo's aluminium step warns of and stops at, asked over HTTP.

The heat of aluminium in lye, about -415 kJ/mol, and the lower limit of hydrogen in air, 4 %, are from memory.
"""

from __future__ import annotations

from typing import Any

import pytest
from flask.testing import FlaskClient

ALUM = "/v1/routes/madder-lake/steps/alum"


def cautions(demo: FlaskClient, question: str, **asked: str) -> dict[str, dict[str, Any]]:
    told = demo.get(f"{ALUM}/{question}", query_string=asked)
    assert told.status_code == 200, told.text
    return {each["code"]: each for each in told.get_json()["cautions"]}


@pytest.mark.parametrize("question", ["batch-sheet", "next-run"])
def test_five_grams_of_aluminium_warn_and_ten_in_little_lye_stop(demo: FlaskClient, question: str) -> None:
    # 5/26.98 mol x 415 kJ/mol / (200 g x 4.18 J/(g K)) = 92 K; 10 g in 150 g: 245 K.
    warned = cautions(demo, question, key_input="5 g")["adiabatic-rise"]
    assert warned["level"] == "warn"
    assert warned["value"] == pytest.approx(5 / 26.98 * 415_000 / (200 * 4.18), rel=1e-3)
    assert warned["value"] == pytest.approx(92, abs=0.5)
    stopped = cautions(demo, question, key_input="10 g", reaction_mass="150 g")["adiabatic-rise"]
    assert stopped["level"] == "stop"
    assert stopped["value"] == pytest.approx(245, abs=0.5)


def test_the_hydrogen_of_ten_grams_stops_in_a_cubic_metre(demo: FlaskClient) -> None:
    # 10 g of Al give 13.37 L of H2 (V = nRT/P); 4 % of 1 m³ is 40 L, a quarter of that 10 L.
    found = cautions(demo, "batch-sheet", key_input="10 g")
    assert found["flammable-limit"]["level"] == "stop"
    assert found["flammable-limit"]["value"] == pytest.approx(13.37 / 40, rel=1e-3)
    assert found["flammable-gas"]["value"] == pytest.approx(13.37, rel=1e-3)
    assert "flammable-limit" not in cautions(demo, "batch-sheet", key_input="5 g")


def test_copper_that_goes_to_waste(demo: FlaskClient) -> None:
    told = demo.get("/v1/routes/verdigris/steps/carbonate/next-run", query_string={"key_input": "50 g"}).get_json()
    waste = next(each for each in told["cautions"] if each["code"] == "metal-to-waste")
    yields = demo.get("/v1/routes/verdigris/yields").get_json()["steps"]
    given = next(step for step in yields if step["step"] == "carbonate")["ratio_of_totals"]
    # Malachite is 2 Cu of 2 Cu: what is not isolated is lost. The vitriol was charged at 0.98 to 1.00 of its weight.
    assert waste["value"] == pytest.approx(50 / 249.68 * 63.546 * (1 - given), rel=0.03)


def test_every_demo_step_has_a_next_run_and_a_record(demo: FlaskClient) -> None:
    record = demo.get("/v1/forecast-record").get_json()
    assert {(step["route"], step["step"]) for step in record["steps"] if step["current"]} >= {
        ("verdigris", "carbonate"),
        ("madder-lake", "alum"),
    }
    for step in record["steps"]:
        assert step["spread_factor"] == 1.0
        told = demo.get(f"/v1/routes/{step['route']}/steps/{step['step']}/next-run").get_json()
        assert told["kind"] == "runs"
        assert (
            told["evidence_counts"]["usable"]
            == step["forecasts"] + step["without_runs_before"] - (told["evidence_counts"]["failed"])
        )


def test_forecasts_as_tables_and_unchanged(demo: FlaskClient) -> None:
    told = demo.get(f"{ALUM}/next-run", query_string={"key_input": "5g", "confidence": "0.875", "format": "csv"})
    assert told.content_type.startswith("text/csv")
    heading, *rows = told.text.splitlines()
    assert heading == "probability,yield,contained_g,dry_g,as_weighed_g"
    assert [row.split(",")[0] for row in rows] == ["0.5", "0.8", "0.9", "0.95", "0.875"]
    record = demo.get("/v1/forecast-record", query_string={"route": "madder-lake", "step": "alum"})
    again = demo.get(
        "/v1/forecast-record?route=madder-lake&step=alum", headers={"If-None-Match": record.headers["ETag"]}
    )
    assert (again.status_code, again.data) == (304, b"")
    lines = demo.get("/v1/forecast-record", query_string={"format": "ndjson"}).text.splitlines()
    assert len(lines) == 3 * len(demo.get("/v1/forecast-record").get_json()["steps"])


@pytest.mark.parametrize(
    ("path", "asked", "status"),
    [
        (f"{ALUM}/next-run", {"confidence": "1"}, 400),
        (f"{ALUM}/next-run", {"key_input": "5 mL"}, 400),
        (f"{ALUM}/next-run", {"amount": "5 g"}, 400),
        ("/v1/routes/madder-lake/steps/none/next-run", {}, 404),
        ("/v1/routes/none/steps/alum/next-run", {}, 404),
        ("/v1/forecast-record", {"step": "alum"}, 400),
        ("/v1/forecast-record", {"route": "none"}, 404),
    ],
)
def test_what_cannot_be_asked_is_a_problem(demo: FlaskClient, path: str, asked: dict[str, str], status: int) -> None:
    told = demo.get(path, query_string=asked)
    assert told.status_code == status
    assert told.content_type == "application/problem+json"
