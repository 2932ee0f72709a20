"""One step over HTTP: its trend and what drives it, and the finding in the answer to the write that causes it."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.api.test_problems import check_problem
from tests.store.book import CARBONATE_RUN, MATERIALS, ROUTE, VITRIOL_LOT, altered

TREND = "/v1/routes/oxide/steps/carbonate/trend"
DRIVERS = "/v1/routes/oxide/steps/carbonate/drivers"


def body(net: str, day: int, **changes: Any) -> dict[str, Any]:
    found = altered(CARBONATE_RUN, finished_on=f"2026-05-{day:02d}", outturns=[{"material": "malachite", "net": net}])
    return {name: value for name, value in {**found, **changes}.items() if name != "project"}


@pytest.fixture
def filled(bench: FlaskClient) -> FlaskClient:
    """A client of a workshop with nine runs of one step by two operators."""
    records = {f"materials/{code}": record for code, record in MATERIALS.items()}
    records |= {"routes/oxide": ROUTE, "lots/vitriol-1": VITRIOL_LOT}
    for number in range(9):
        net = f"{20 + number % 4 * 0.31 + number % 2 * 1.5:.2f} g"
        records[f"runs/A-{number}"] = body(net, number + 1, operator=f"m{number % 2}")
    for path, record in records.items():
        assert bench.put(f"/v1/{path}", json=record).status_code == 201, path
    return bench


@pytest.mark.parametrize(("path", "tables"), [(TREND, ("points", "outliers")), (DRIVERS, ("factors", "effects"))])
def test_the_same_numbers_in_every_form_and_unchanged_while_they_stand(
    filled: FlaskClient, path: str, tables: tuple[str, ...]
) -> None:
    told = filled.get(path)
    assert told.status_code == 200, told.data
    answer = told.get_json()
    assert answer["rests_on"].keys() >= {"state", "as_of", "method", "method_version", "filters", "runs", "left_out"}
    for table in tables:
        lines = filled.get(f"{path}?format=ndjson&table={table}")
        assert [json.loads(line) for line in lines.text.splitlines()] == answer[table]
        sheet = filled.get(f"{path}?format=csv&table={table}")
        assert len(list(csv.DictReader(io.StringIO(sheet.text, newline="")))) == len(answer[table])
    assert filled.get(path, headers={"If-None-Match": told.headers["ETag"]}).status_code == 304
    assert filled.get(path + "?operator=m0", headers={"If-None-Match": told.headers["ETag"]}).status_code == 200


def test_the_trend_of_nine_runs(filled: FlaskClient) -> None:
    answer = filled.get(TREND).get_json()
    assert [point["run"] for point in answer["points"]] == [f"A-{number}" for number in range(9)]
    assert not answer["provisional"]
    assert 0.0 < answer["lower"] < answer["centre"] < answer["upper"] <= 1.0
    of_one = filled.get(TREND + "?operator=m1&from=2026-05-04&to=2026-05-08").get_json()
    assert [point["run"] for point in of_one["points"]] == ["A-3", "A-5", "A-7"]
    assert of_one["provisional"]


def test_the_operator_who_gets_more(filled: FlaskClient) -> None:
    answer = filled.get(DRIVERS).get_json()
    operator = next(each for each in answer["factors"] if each["factor"] == "operator")
    assert operator["found"]
    ratios = {each["group"]: each["ratio"] for each in answer["effects"] if each["factor"] == "operator"}
    assert ratios["m1"] > 1.0 > ratios["m0"]


@pytest.mark.parametrize("path", [TREND, DRIVERS])
def test_what_cannot_be_asked_is_refused(filled: FlaskClient, path: str) -> None:
    check_problem(filled.get(path.replace("carbonate", "distil")), 404, "unknown-record")
    check_problem(filled.get(path + "?since=2026-05-01"), 400, "malformed-input")
    check_problem(filled.get(path + "?from=yesterday"), 400, "malformed-input")


def test_a_slip_is_told_in_the_answer_to_the_write_and_on_the_run(filled: FlaskClient) -> None:
    written = filled.put("/v1/runs/B-1", json=body("20500 g", 20))
    assert written.status_code == 201
    (told,) = (each for each in written.get_json()["findings"] if each["code"] == "slip")
    assert told["slip"] == "times-1000"
    read = filled.get("/v1/runs/B-1")
    assert told in read.get_json()["findings"]
    # A run that is read alone tells its cost too: one version, another digest after the dot.
    assert read.headers["ETag"].split(".")[0] == written.headers["ETag"].split(".")[0]
    listed = filled.get("/v1/runs?code=B-1").get_json()["items"][0]
    assert told in listed["findings"]
    again = filled.put("/v1/runs/B-1", json=body("20500 g", 20))
    assert (again.status_code, again.get_json()["revision"]) == (200, 1)
    mended = filled.put("/v1/runs/B-1", json=body("20.5 g", 20), headers={"If-Match": written.headers["ETag"]})
    assert mended.status_code == 200
    assert not [each for each in mended.get_json()["findings"] if each["code"] == "slip"]
