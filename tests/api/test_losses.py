"""Losses over HTTP: the periods that are asked for, and what is wrong with them, all at once."""

from __future__ import annotations

import csv
import io

from flask.testing import FlaskClient

from tests.api.test_bodies import GOOD
from tests.api.test_problems import check_problem

LOSSES = "/v1/routes/r/losses"


def fill(bench: FlaskClient) -> None:
    for path, body in GOOD.items():
        made = bench.put(f"/v1/{path}", json=body)
        assert made.status_code == 201, made.data
    later = {**GOOD["runs/n"], "started_on": "2026-03-01", "finished_on": "2026-03-02"}
    later["outturns"] = [{"material": "sand", "net": "7.0 g"}]
    assert bench.put("/v1/runs/later", json=later).status_code == 201


def test_two_periods(bench: FlaskClient) -> None:
    fill(bench)
    asked = f"{LOSSES}?as_of=2026-11-25&from=2026-03-01&compare_to=2026-02-28"
    told = bench.get(asked).get_json()
    assert (told["from"], told["to"]) == ("2026-03-01", "2026-11-25")
    before, after = told["comparison"]["before"], told["comparison"]["after"]
    assert (before["from"], before["to"], before["runs"], after["runs"]) == (None, "2026-02-28", 1, 1)
    assert told["rests_on"]["filters"].items() >= {"from": "2026-03-01", "compare_to": "2026-02-28"}.items()
    # 8 g of 10 g at 90 % before, 7 g after.
    (step,) = told["steps"]
    assert round(step["against_limit"]["lost_g"], 9) == 2.0
    assert round(step["against_best"]["lost_g"], 9) == 1.0
    assert step["best_run"] == "n"
    sheet = bench.get(f"{asked}&format=csv&table=change").text
    rows = list(csv.DictReader(io.StringIO(sheet, newline="")))
    assert [(row["kind"], float(row["cost_per_g"])) for row in rows] == [
        (part["kind"], part["cost_per_g"]) for part in told["change"]
    ]
    # Without another period there is nothing to compare, and the table is empty.
    assert bench.get(LOSSES).get_json()["comparison"] is None
    assert bench.get(f"{LOSSES}?format=ndjson&table=change").text == ""
    tags = {bench.get(f"{LOSSES}?as_of=2026-11-25{more}").headers["ETag"] for more in ("", "&from=2026-03-01")}
    assert len(tags) == 2


def test_periods_that_cannot_be(bench: FlaskClient) -> None:
    fill(bench)
    asked = "as_of=2026-11-25&from=2026-12-01&to=2026-11-26&compare_from=2026-02-02&compare_to=2026-02-01"
    told = check_problem(bench.get(f"{LOSSES}?{asked}"), 400, "malformed-input")
    assert isinstance(told["faults"], list)
    assert {fault["parameter"] for fault in told["faults"]} == {"from", "to", "compare_from"}
    check_problem(bench.get(f"{LOSSES}?from=yesterday&use=all"), 400, "malformed-input")
