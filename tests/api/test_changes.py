"""The feed of changes: nothing left out, nothing twice, removals among them, whoever writes meanwhile."""

from __future__ import annotations

from typing import Any

from flask.testing import FlaskClient

from service.store.session import Database
from service.store.tokens import create_token
from tests.api.conftest import AppOf, with_token
from tests.api.test_problems import check_problem


def put(bench: FlaskClient, code: str, name: str) -> None:
    found = bench.get(f"/v1/projects/{code}").status_code == 200
    made = bench.put(f"/v1/projects/{code}", json={"name": name}, headers={"If-Match": "*"} if found else {})
    assert made.status_code in (200, 201), made.data


def ask(bench: FlaskClient, url: str) -> dict[str, Any]:
    answer = bench.get(url)
    assert answer.status_code == 200, answer.data
    told: dict[str, Any] = answer.get_json()
    return told


def codes(page: dict[str, Any]) -> list[tuple[str, int, bool]]:
    return [(item["code"], item["revision"], item["removed"]) for item in page["items"]]


def test_a_copy_is_kept_from_page_to_page_while_others_write(bench: FlaskClient) -> None:
    since = ask(bench, "/v1/changes")["state"]
    put(bench, "one", "a")
    put(bench, "two", "a")
    put(bench, "one", "b")
    first = ask(bench, f"/v1/changes?since={since}&limit=2")
    assert codes(first) == [("one", 1, False), ("two", 1, False)]
    assert first["state"] == since + 3
    assert bench.delete("/v1/projects/two", headers={"If-Match": "*"}).status_code == 204
    second = ask(bench, first["next"])
    assert codes(second) == [("one", 2, False), ("two", 2, True)]
    assert (second["next"], second["state"]) == (None, since + 4)
    assert [item["state"] for item in first["items"] + second["items"]] == [since + 1, since + 2, since + 3, since + 4]
    assert ask(bench, f"/v1/changes?since={second['state']}")["items"] == []


def test_an_import_is_told_whole_in_its_order(bench: FlaskClient) -> None:
    since = ask(bench, "/v1/changes")["state"]
    lines = [{"kind": "project", "code": f"p-{number}", "record": {"name": "p"}} for number in range(5)]
    assert bench.post("/v1/imports", json=lines).status_code in (200, 201)
    seen: list[str] = []
    url: str | None = f"/v1/changes?since={since}&limit=2"
    while url is not None:
        page = ask(bench, url)
        seen += [item["code"] for item in page["items"] if item["kind"] == "projects"]
        url = page["next"]
    assert seen == [f"p-{number}" for number in range(5)]


def test_what_is_held_is_not_sent_again_and_a_state_to_come_is_refused(bench: FlaskClient) -> None:
    answer = bench.get("/v1/changes")
    tag = {"If-None-Match": answer.headers["ETag"]}
    assert bench.get("/v1/changes", headers=tag).status_code == 304
    put(bench, "one", "a")
    assert bench.get("/v1/changes", headers=tag).status_code == 200
    check_problem(bench.get("/v1/changes?since=999"), 400, "malformed-input")
    check_problem(bench.get("/v1/changes?cursor=x"), 400, "malformed-input")


def test_another_workshop_tells_nothing_of_it(
    bench: FlaskClient, app_of: AppOf, database: Database, workshop: str
) -> None:
    put(bench, "one", "a")
    stranger = with_token(app_of(), create_token(database, f"{workshop}-next-door", "read"))
    assert not [item for item in ask(stranger, "/v1/changes")["items"] if item["kind"] != "workshop"]
