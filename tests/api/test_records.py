"""Records over HTTP: made, read, changed, removed, looked back at; safe to repeat, safe against each other."""

from __future__ import annotations

from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.api.conftest import ClientOf
from tests.api.test_problems import check_problem

WATER = "/v1/materials/water"
BODY = {"name": "water", "formula": "H2O"}


def faults_of(problem: dict[str, object]) -> list[dict[str, Any]]:
    faults = problem["faults"]
    assert isinstance(faults, list)
    return faults


def test_a_record_is_made_read_changed_and_removed(bench: FlaskClient) -> None:
    made = bench.put(WATER, json=BODY)
    assert (made.status_code, made.headers["Location"]) == (201, WATER)
    read = bench.get(WATER)
    assert read.json == made.json
    assert read.headers["ETag"] == made.headers["ETag"]
    assert read.json is not None
    assert read.json.items() >= BODY.items()
    changed = bench.put(WATER, json=BODY | {"phase": "liquid"}, headers={"If-Match": read.headers["ETag"]})
    assert changed.status_code == 200
    assert changed.headers["ETag"] != read.headers["ETag"]
    check_problem(bench.delete(WATER, headers={"If-Match": read.headers["ETag"]}), 412, "stale-revision")
    removed = bench.delete(WATER, headers={"If-Match": changed.headers["ETag"]})
    assert (removed.status_code, removed.data) == (204, b"")
    check_problem(bench.get(WATER), 404, "unknown-record")


def test_the_same_again_changes_nothing_whatever_if_match_says(bench: FlaskClient) -> None:
    made = bench.put(WATER, json=BODY)
    for headers in ({}, {"If-Match": '"r99"'}, {"If-Match": made.headers["ETag"]}):
        again = bench.put(WATER, json=dict(reversed(BODY.items())), headers=headers)
        assert (again.status_code, again.headers["ETag"]) == (200, made.headers["ETag"])
    assert len(bench.get(f"{WATER}/revisions").get_json()["items"]) == 1


def test_a_change_says_what_it_changes(bench: FlaskClient) -> None:
    made = bench.put(WATER, json=BODY)
    other = BODY | {"name": "tap water"}
    check_problem(bench.put(WATER, json=other), 428, "revision-required")
    check_problem(bench.put(WATER, json=other, headers={"If-Match": '"r9"'}), 412, "stale-revision")
    check_problem(bench.put(WATER, json=other, headers={"If-None-Match": "*"}), 412, "already-exists")
    unquoted = check_problem(bench.put(WATER, json=other, headers={"If-Match": "r1"}), 400, "malformed-input")
    assert faults_of(unquoted)[0]["code"] == "bad-if-match"
    # As a compressing proxy hands it on: weak, and with its suffix.
    renamed = f'"r9", W/"{made.headers["ETag"].strip(chr(34))}-gzip"'
    assert bench.put(WATER, json=other, headers={"If-Match": renamed}).status_code == 200
    assert bench.put(WATER, json=BODY, headers={"If-Match": "*"}).status_code == 200


def test_create_only(bench: FlaskClient) -> None:
    assert bench.put(WATER, json=BODY, headers={"If-None-Match": "*"}).status_code == 201
    tagged = bench.put(WATER, json=BODY, headers={"If-None-Match": '"r1"'})
    assert faults_of(check_problem(tagged, 400, "malformed-input"))[0]["code"] == "bad-if-none-match"


def test_a_post_is_done_once_for_its_key(bench: FlaskClient) -> None:
    headers = {"Idempotency-Key": "bench-2-0007"}
    first = bench.post("/v1/materials", json=BODY, headers=headers)
    assert first.status_code == 201
    assert "Idempotent-Replayed" not in first.headers
    again = bench.post("/v1/materials", json=BODY, headers=headers)
    assert (again.status_code, again.headers["Idempotent-Replayed"]) == (201, "true")
    assert again.headers["Location"] == first.headers["Location"]
    assert bench.get(first.headers["Location"]).get_json()["name"] == "water"
    assert bench.post("/v1/materials", json=BODY | {"name": "ice"}, headers=headers).status_code == 422
    assert len(bench.get("/v1/materials").get_json()["items"]) == 1
    bad = bench.post("/v1/materials", json=BODY, headers={"Idempotency-Key": "two words"})
    assert faults_of(check_problem(bad, 400, "malformed-input"))[0]["code"] == "bad-idempotency-key"
    assert bench.delete(first.headers["Location"], headers={"If-Match": "*"}).status_code == 204
    check_problem(bench.post("/v1/materials", json=BODY, headers=headers), 409, "removed-since")
    assert bench.get("/v1/materials").get_json()["items"] == []


def test_what_is_referred_to_stays(bench: FlaskClient) -> None:
    assert bench.put(WATER, json=BODY).status_code == 201
    assert bench.put("/v1/lots/tap", json={"material": "water", "amount": "5 L"}).status_code == 201
    etag = bench.get(WATER).headers["ETag"]
    told = bench.delete(WATER, headers={"If-Match": etag})
    assert told.status_code == 409
    assert "tap" in told.text


def test_looking_back(bench: FlaskClient) -> None:
    bench.put(WATER, json=BODY)
    for number in range(2, 5):
        bench.put(WATER, json=BODY | {"name": f"water {number}"}, headers={"If-Match": "*"})
    bench.delete(WATER, headers={"If-Match": "*"})
    seen: list[int] = []
    url: str | None = f"{WATER}/revisions?limit=2"
    while url is not None:
        page = bench.get(url).get_json()
        seen += [item["revision"] for item in page["items"]]
        url = page["next"]
    assert seen == [5, 4, 3, 2, 1]
    assert bench.get(f"{WATER}/revisions/1").get_json()["record"] == BODY
    assert bench.get(f"{WATER}/revisions/5").get_json()["record"] is None
    assert bench.get(f"{WATER}/revisions/1").get_json()["by"] == "bench"
    for number in ("0", "6", "9999999999999999999999", "one"):
        check_problem(bench.get(f"{WATER}/revisions/{number}"), 404, "unknown-record")
    check_problem(bench.get("/v1/materials/nothing/revisions"), 404, "unknown-record")


@pytest.mark.parametrize("code", ["a b", "-a", "ä", "a" * 65, "a\0b", "%ed%a0%80", "*", "a%0ab"])
def test_codes_that_cannot_be(code: str, bench: FlaskClient) -> None:
    path = f"/v1/materials/{code}"
    told = check_problem(bench.put(path, json=BODY), 400, "malformed-input")
    assert faults_of(told)[0]["code"] == "bad-code"
    check_problem(bench.get(path), 404, "unknown-record")
    check_problem(bench.delete(path), 404, "unknown-record")


def test_the_workshop_has_a_record_of_its_own(bench: FlaskClient, client_of: ClientOf) -> None:
    read = client_of("read").get("/v1/workshop")
    assert read.get_json()["currency"] == "EUR"
    told = {"currency": "EUR", "title": "The attic"}
    check_problem(client_of("record").put("/v1/workshop", json=told), 403, "forbidden")
    assert bench.put("/v1/workshop", json=told, headers={"If-Match": read.headers["ETag"]}).status_code == 200
    assert bench.get("/v1/workshop").get_json()["title"] == "The attic"
    check_problem(bench.delete("/v1/workshop"), 405, "method-not-allowed")


def test_tokens_are_told_once_and_revoked(bench: FlaskClient) -> None:
    made = bench.post("/v1/tokens", json={"scope": "read", "name": "dashboard", "expires_at": "2999-01-01T00:00:00Z"})
    assert made.status_code == 201
    token = made.get_json()["token"]
    listed = bench.get("/v1/tokens")
    assert token not in listed.text
    assert made.get_json()["code"] in [item["code"] for item in listed.get_json()["items"]]
    as_reader = {"Authorization": f"Bearer {token}"}
    assert bench.get("/v1/materials", headers=as_reader).status_code == 200
    assert bench.delete(made.headers["Location"]).status_code == 204
    check_problem(bench.get("/v1/materials", headers=as_reader), 401, "unauthorised")
    told = bench.post("/v1/tokens", json={"scope": "all", "name": "", "expires_at": "2020-01-01T00:00:00Z", "x": 1})
    assert {fault["pointer"] for fault in faults_of(check_problem(told, 422, "invalid-input"))} == {
        "/scope",
        "/name",
        "/expires_at",
        "/x",
    }


def test_a_reaction_is_balanced(client_of: ClientOf) -> None:
    reader = client_of("read")
    told = reader.post("/v1/reactions/balance", json={"reactants": ["H2", "O2"], "products": ["H2O"]})
    assert told.get_json() == {
        "reactants": {"H2": 2, "O2": 1},
        "products": {"H2O": 2},
        "equation": "2 H2 + O2 -> 2 H2O",
    }
    check_problem(
        reader.post("/v1/reactions/balance", json={"reactants": ["H2"], "products": ["O2"]}), 422, "no-balance"
    )
    bad = reader.post("/v1/reactions/balance", json={"reactants": ["Xx", 3, "H2", "H2"], "product": []})
    pointers = [fault["pointer"] for fault in faults_of(check_problem(bad, 422, "invalid-input"))]
    assert pointers == ["/product", "/reactants/0", "/reactants/1", "/reactants/3", "/products"]


def test_a_body_sent_again_with_a_code_or_a_word_that_is_none_is_another_body(bench: FlaskClient) -> None:
    again = {"Idempotency-Key": "first"}
    assert bench.post("/v1/projects", json={"name": "pond"}, headers=again).status_code == 201
    for code in ({}, "", "another", 1):
        refused = bench.post("/v1/projects", json={"name": "pond", "code": code}, headers=again)
        assert (refused.status_code, refused.get_json()["code"]) == (422, "idempotency-key-reused"), code
    bench.put("/v1/materials/water", json={"name": "water", "formula": "H2O"})
    bench.put("/v1/materials/ice", json={"name": "ice", "formula": "H2O"})
    step = {"code": "freeze", "name": "freeze", "basis": "mass-ratio", "key_input": "water", "product": "ice"}
    route = {"name": "ice", "product": "ice", "steps": [step]}
    assert bench.put("/v1/routes/ice", json=route).status_code == 201
    assert bench.put("/v1/routes/ice", json={**route, "change": "revision"}).status_code == 200
    for change in ({}, "repair", 1):
        refused = bench.put("/v1/routes/ice", json={**route, "change": change}, headers={"If-Match": "*"})
        assert refused.status_code == 422, change
        assert {fault["pointer"] for fault in refused.get_json()["faults"]} == {"/change"}
