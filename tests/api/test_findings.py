"""Findings over HTTP: the list in every form, in the answers to writes, and what people reply."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.store.book import CARBONATE_RUN, MATERIALS, ROUTE, VITRIOL_LOT, altered

FINDINGS = "/v1/findings"
REPLY = {
    "finding": "slip.runs.A-9:times-1000", "kind": "runs", "record": "A-9", "answer": "wrong-alarm",
    "reason": "the large kettle", "operator": "m1",
}  # fmt: skip


def body(net: str, day: int) -> dict[str, Any]:
    found = altered(CARBONATE_RUN, finished_on=f"2026-05-{day:02d}", outturns=[{"material": "malachite", "net": net}])
    return {name: value for name, value in found.items() if name != "project"}


@pytest.fixture
def filled(bench: FlaskClient) -> FlaskClient:
    """A client of a workshop with five runs of one step."""
    records = {f"materials/{code}": record for code, record in MATERIALS.items()}
    records |= {"routes/oxide": ROUTE, "lots/vitriol-1": VITRIOL_LOT}
    records |= {f"runs/A-{number}": body(f"{20 + number * 0.31:.2f} g", number + 1) for number in range(5)}
    for path, record in records.items():
        assert bench.put(f"/v1/{path}", json=record).status_code == 201, path
    return bench


@pytest.fixture
def odd(filled: FlaskClient) -> FlaskClient:
    """The same with a thousandfold in the sixth."""
    written = filled.put("/v1/runs/A-9", json=body("20100 g", 9))
    assert written.status_code == 201
    assert "slip.runs.A-9:times-1000" in [each["id"] for each in written.get_json()["findings"]]
    return filled


def test_the_list_in_every_form_and_unchanged_while_it_stands(odd: FlaskClient) -> None:
    told = odd.get(FINDINGS)
    assert told.status_code == 200, told.data
    answer = told.get_json()
    assert answer["rests_on"].keys() >= {"state", "as_of", "method", "method_version", "filters", "runs"}
    assert {each["code"] for each in answer["findings"]} == {"slip", "yield-above-one", "more-out-than-in"}
    lines = odd.get(f"{FINDINGS}?format=ndjson")
    assert [json.loads(line) for line in lines.text.splitlines()] == answer["findings"]
    sheet = list(csv.DictReader(io.StringIO(odd.get(f"{FINDINGS}?format=csv").text, newline="")))
    assert [row["id"] for row in sheet] == [each["id"] for each in answer["findings"]]
    assert len(list(csv.DictReader(io.StringIO(odd.get(f"{FINDINGS}?format=csv&table=counts").text)))) == 3
    held = {"If-None-Match": told.headers["ETag"]}
    assert odd.get(FINDINGS, headers=held).status_code == 304
    assert odd.put("/v1/finding-replies/r-1", json=REPLY).status_code == 201
    assert odd.get(FINDINGS, headers=held).status_code == 200


def test_what_cannot_be_asked(odd: FlaskClient) -> None:
    for asked in ("code=sloth", "kind=suppliers", "reply=maybe", "from=yesterday", "colour=red"):
        assert odd.get(f"{FINDINGS}?{asked}").status_code == 400, asked
    for asked in ("route=nowhere", "project=nothing", "route=oxide&step=nowhere"):
        assert odd.get(f"{FINDINGS}?{asked}").status_code == 404, asked


def test_a_reply_stands_beside_its_finding_wherever_that_is_shown(odd: FlaskClient) -> None:
    written = odd.put("/v1/finding-replies/r-1", json=REPLY)
    assert written.status_code == 201, written.data
    assert (written.get_json()["given_at_revision"], written.get_json()["record_changed_since"]) == (1, False)
    assert odd.put("/v1/finding-replies/r-1", json=REPLY).status_code == 200
    open_ = {each["code"] for each in odd.get(FINDINGS).get_json()["findings"]}
    assert open_ == {"yield-above-one", "more-out-than-in"}
    (listed,) = odd.get(f"{FINDINGS}?reply=answered").get_json()["findings"]
    read = odd.get("/v1/runs/A-9").get_json()
    (own,) = [each for each in read["findings"] if each["code"] == "slip"]
    assert own["reply"] == listed["reply"]
    assert (own["reply"]["answer"], own["reply"]["by"]) == ("wrong-alarm", "bench")
    # It stays in the history of the record, also once the slip is corrected and is found no more.
    mended = odd.put("/v1/runs/A-9", json=body("20.1 g", 9), headers={"If-Match": "*"})
    assert mended.get_json()["findings"] == []
    history = odd.get("/v1/runs/A-9/revisions").get_json()
    assert len(history["items"]) == 2
    assert [(each["finding"], each["answer"], each["given_at_revision"]) for each in history["replies"]] == [
        (REPLY["finding"], "wrong-alarm", 1)
    ]
    (kept,) = odd.get("/v1/finding-replies?kind=runs&record=A-9").get_json()["items"]
    assert kept["record_changed_since"] is True
    refused = odd.delete("/v1/runs/A-9", headers={"If-Match": "*"})
    assert refused.status_code == 409
    assert refused.get_json()["referred_to_by"] == [{"kind": "finding-replies", "code": "r-1"}]


REFUSED: list[tuple[dict[str, str], str, str]] = [
    ({"record": "A-10"}, "/finding", "unknown-finding"),
    ({"finding": "slip.runs.A-99:times-1000"}, "/finding", "unknown-finding"),
    ({"finding": "slip.lots.A-9"}, "/finding", "unknown-finding"),
    ({"finding": "Slip of the pen"}, "/finding", "unknown-finding"),
    ({"finding": "slip", "record": "A-10"}, "/record", "unknown-reference"),
    ({"finding": "slip", "kind": "lots"}, "/record", "unknown-reference"),
    ({"kind": "suppliers"}, "/kind", "unknown-word"),
    ({"answer": "maybe"}, "/answer", "unknown-word"),
]


def test_a_reply_to_nothing_is_refused(odd: FlaskClient) -> None:
    for changes, pointer, code in REFUSED:
        refused = odd.put("/v1/finding-replies/r-1", json={**REPLY, **changes})
        assert refused.status_code == 422, changes
        assert (pointer, code) in [(each["pointer"], each["code"]) for each in refused.get_json()["faults"]], changes


def test_an_import_tells_what_looks_wrong_in_its_runs(filled: FlaskClient) -> None:
    lines = [
        {"kind": "run", "code": f"B-{day}", "record": body(net, day)} for net, day in (("20.2 g", 8), ("20.1 kg", 9))
    ]
    reply = {**REPLY, "finding": "slip.runs.B-9:times-1000", "record": "B-9"}
    lines.append({"kind": "finding-reply", "code": "r-1", "record": reply})
    sent = filled.post("/v1/imports?dry_run=true", json=lines)
    assert (sent.status_code, sent.get_json()["findings"]) == (200, None)
    sent = filled.post("/v1/imports", json=lines)
    assert sent.status_code == 201, sent.data
    report = sent.get_json()
    found = {each["id"]: each for each in report["findings"]}
    assert found.keys() >= {"slip.runs.B-9:times-1000", "yield-above-one.runs.B-9"}
    assert {each["record"] for each in found.values()} == {"B-9"}
    assert found["slip.runs.B-9:times-1000"]["reply"]["code"] == "r-1"
    assert report["more_findings"] == 0
    assert filled.get(sent.headers["Location"]).get_json() == report
