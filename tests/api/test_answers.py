"""The answers over HTTP: one form or another with the same numbers, held as long as nothing they rest on moves."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from typing import Any
from xml.etree import ElementTree

import pytest
from flask.testing import FlaskClient

from service.answer import yields
from service.store.session import Database
from service.store.tokens import create_token
from tests.api.conftest import AppOf, with_token
from tests.api.test_bodies import GOOD
from tests.api.test_problems import check_problem

YIELDS = "/v1/routes/r/yields"
ANSWERS = [
    YIELDS,
    "/v1/routes/r/cost",
    "/v1/routes/r/plan?target=5g",
    "/v1/routes/r/losses?compare_to=2026-02-02",
    "/v1/routes/r/mass-metrics",
    "/v1/routes/r/steps/dry/batch-sheet?key_input=20g",
]


@pytest.fixture
def filled(bench: FlaskClient) -> FlaskClient:
    """A client of a workshop with a route of one step and a run of it."""
    for path, body in GOOD.items():
        made = bench.put(f"/v1/{path}", json=body)
        assert made.status_code == 201, made.data
    return bench


@pytest.mark.parametrize("path", ANSWERS)
def test_every_answer_says_what_it_rests_on_and_is_told_unchanged(path: str, filled: FlaskClient) -> None:
    told = filled.get(path)
    assert told.status_code == 200, told.data
    answer = told.get_json()
    assert answer["rests_on"].keys() >= {"state", "as_of", "method"}
    assert answer["rests_on"]["as_of"] == dt.datetime.now(dt.UTC).date().isoformat()
    held = filled.get(path, headers={"If-None-Match": f'W/"{told.headers["ETag"].strip(chr(34))}-gzip"'})
    assert (held.status_code, held.headers["ETag"]) == (304, told.headers["ETag"])


@pytest.mark.parametrize("path", ANSWERS)
def test_the_same_numbers_in_every_form(path: str, filled: FlaskClient) -> None:
    answer = filled.get(path).get_json()
    joint = "&" if "?" in path else "?"
    table = "lines" if "batch-sheet" in path else "by_step" if "cost" in path else "steps"
    lines = filled.get(f"{path}{joint}format=ndjson&table={table}")
    assert lines.mimetype == "application/x-ndjson"
    assert [json.loads(line) for line in lines.text.splitlines()] == answer[table]
    sheet = filled.get(f"{path}{joint}table={table}", headers={"Accept": "text/csv"})
    assert sheet.mimetype == "text/csv"
    for row, item in zip(csv.DictReader(io.StringIO(sheet.text, newline="")), answer[table], strict=True):
        for key, value in item.items():
            if isinstance(value, int | float) and not isinstance(value, bool):
                assert float(row[key]) == value


def test_format_goes_before_accept(filled: FlaskClient) -> None:
    assert filled.get(f"{YIELDS}?format=json", headers={"Accept": "text/csv"}).is_json
    check_problem(filled.get(YIELDS, headers={"Accept": "image/png"}), 406, "not-acceptable")
    assert filled.get(f"{YIELDS}?format=json", headers={"Accept": "image/png"}).status_code == 200
    check_problem(filled.get(f"{YIELDS}?format=xml"), 400, "malformed-input")
    tags = {filled.get(f"{YIELDS}?format={form}").headers["ETag"] for form in ("json", "csv", "ndjson")}
    assert len(tags) == 3


def test_what_is_held_is_not_computed_again(filled: FlaskClient, monkeypatch: pytest.MonkeyPatch) -> None:
    tag = filled.get(f"{YIELDS}?confidence=0.9").headers["ETag"]

    def computes(*_: object, **__: object) -> dict[str, Any]:
        raise AssertionError("it was computed")

    monkeypatch.setattr(yields, "yields_of", computes)
    assert filled.get(f"{YIELDS}?confidence=0.90", headers={"If-None-Match": tag}).status_code == 304
    assert filled.get(f"{YIELDS}?confidence=0.8", headers={"If-None-Match": tag}).status_code == 500
    monkeypatch.setattr(yields, "METHOD", "yields/next")
    assert filled.get(f"{YIELDS}?confidence=0.9", headers={"If-None-Match": tag}).status_code == 500


def test_a_write_gives_every_answer_another_tag(filled: FlaskClient) -> None:
    before = [filled.get(path).headers["ETag"] for path in ANSWERS]
    assert filled.put("/v1/projects/q", json={"name": "q"}).status_code == 201
    assert not set(before) & {filled.get(path).headers["ETag"] for path in ANSWERS}


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_midnight_changes_what_rests_on_today_and_nothing_else(
    filled: FlaskClient, app_of: AppOf, database: Database, workshop: str
) -> None:
    clock = [dt.datetime(2026, 11, 25, 23, 59, 59, tzinfo=dt.UTC)]
    token = create_token(database, workshop, "read")
    client = with_token(app_of(now=lambda: clock[0]), token)
    today, dated = client.get(YIELDS), client.get(f"{YIELDS}?as_of=2026-11-25")
    assert today.headers["ETag"] == dated.headers["ETag"]
    clock[0] += dt.timedelta(seconds=2)
    assert client.get(YIELDS, headers={"If-None-Match": today.headers["ETag"]}).status_code == 200
    held = client.get(f"{YIELDS}?as_of=2026-11-25", headers={"If-None-Match": dated.headers["ETag"]})
    assert held.status_code == 304


def test_what_is_not_there(filled: FlaskClient) -> None:
    for path in ANSWERS:
        check_problem(filled.get(path.replace("/r/", "/nowhere/")), 404, "unknown-record")
    check_problem(filled.get(ANSWERS[-1].replace("dry", "wet")), 404, "unknown-record")
    told = check_problem(filled.get("/v1/routes/r/plan?confidence=1&stock=some&trials=1"), 400, "malformed-input")
    assert isinstance(told["faults"], list)
    assert {fault["parameter"] for fault in told["faults"]} == {"target", "confidence", "stock", "trials"}


def test_a_template_that_is_filled_in_is_imported(filled: FlaskClient) -> None:
    sheet = filled.get("/v1/templates/weighings?route=r")
    assert sheet.mimetype == "text/csv"
    rows = list(csv.DictReader(io.StringIO(sheet.text, newline="")))
    assert [(row["direction"], row["material"]) for row in rows] == [("in", "wet"), ("in", "water"), ("out", "sand")]
    empty = filled.post("/v1/imports", data=sheet.data, content_type="text/csv")
    check_problem(empty, 422, "invalid-input")
    run = {"run": "n2", "started_on": "2026-02-03", "finished_on": "2026-02-04", "status": "finished"}
    rows[0] |= run | {"material": "", "lot": "l", "amount": "10.0 g"}
    rows[2] |= run | {"amount": "8.5 g"}
    written = io.StringIO(newline="")
    table = csv.DictWriter(written, list(rows[0]))
    table.writeheader()
    table.writerows(rows)
    body = written.getvalue().encode()
    dry = filled.post("/v1/imports?dry_run=true", data=body, content_type="text/csv")
    assert (dry.status_code, dry.get_json()["created"]) == (200, 1)
    check_problem(filled.get("/v1/runs/n2"), 404, "unknown-record")
    done = filled.post("/v1/imports", data=body, content_type="text/csv; charset=utf-8")
    assert done.status_code == 201, done.data
    assert filled.get(done.headers["Location"]).get_json() == done.get_json()
    assert filled.get("/v1/runs/n2").get_json()["result"]["net_g"] == 8.5
    assert filled.get(YIELDS).get_json()["steps"][0]["runs"]["counted"] == 2


@pytest.mark.parametrize("path", [YIELDS, "/v1/routes/r/cost", "/v1/routes/r/losses", "/v1/routes/r/steps/dry/trend"])
def test_a_picture_is_drawn_and_may_do_nothing(path: str, filled: FlaskClient) -> None:
    drawn = filled.get(path + "?format=svg")
    assert drawn.status_code == 200, drawn.data
    assert drawn.mimetype == "image/svg+xml"
    policy = drawn.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "script-src" not in policy
    assert ElementTree.fromstring(drawn.text).tag.endswith("svg")
    held = filled.get(path + "?format=svg", headers={"If-None-Match": drawn.headers["ETag"]})
    assert held.status_code == 304
    assert filled.get(path).headers["ETag"] != drawn.headers["ETag"]
    assert filled.get(path, headers={"Accept": "image/svg+xml"}).mimetype == "image/svg+xml"
    assert filled.get(path, headers={"Accept": "*/*"}).mimetype == "application/json"


def test_what_is_not_drawn_refuses_a_picture(filled: FlaskClient) -> None:
    refused = filled.get("/v1/routes/r/steps/dry/batch-sheet?key_input=20g&format=svg")
    assert refused.status_code == 400
    assert "csv" in refused.text
