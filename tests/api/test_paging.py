"""Lists: pages that stay where they are while others write, one order for all, filters, and honest refusals."""

from __future__ import annotations

import base64
import json
import re
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.api.test_problems import check_problem


def put(client: FlaskClient, *codes: str, **more: str) -> None:
    for code in codes:
        made = client.put(f"/v1/materials/{code}", json={"name": f"the {code[0]}", **more})
        assert made.status_code == 201, made.data


def follow(client: FlaskClient, url: str) -> list[str]:
    """The codes of every page, by the link in the body, which the header must repeat."""
    seen: list[str] = []
    following: str | None = url
    while following is not None:
        page = client.get(following)
        assert page.status_code == 200, page.data
        told: dict[str, Any] = page.get_json()
        seen += [item["code"] for item in told["items"]]
        following = told["next"]
        linked = re.fullmatch('<(.*)>; rel="next"', page.headers.get("Link", ""))
        assert (linked[1] if linked else None) == following
        assert following is None or following.startswith("http://localhost/v1/materials?")
    return seen


@pytest.mark.parametrize("sort", ["", "&sort=name", "&sort=-name", "&sort=-code", "&sort=phase,-code", "&sort=solvent"])
@pytest.mark.parametrize("limit", [1, 2, 5, 100])
def test_every_record_once_in_one_order(sort: str, limit: int, bench: FlaskClient) -> None:
    put(bench, "a1", "b1", "c1")
    put(bench, "a2", "b2", phase="solid")
    whole = follow(bench, f"/v1/materials?limit=1000{sort}")
    assert sorted(whole) == ["a1", "a2", "b1", "b2", "c1"]
    assert follow(bench, f"/v1/materials?limit={limit}{sort}") == whole


def test_a_page_stays_where_it_is_while_others_write(bench: FlaskClient) -> None:
    put(bench, "b1", "c1", "d1", "e1")
    first = bench.get("/v1/materials?limit=2").get_json()
    put(bench, "a1", "b2", "c2")
    assert bench.delete("/v1/materials/c1", headers={"If-Match": "*"}).status_code == 204
    assert [item["code"] for item in first["items"]] == ["b1", "c1"]
    assert follow(bench, first["next"]) == ["c2", "d1", "e1"]


def test_filters(bench: FlaskClient) -> None:
    put(bench, "a1", "b1")
    put(bench, "a2", phase="solid")
    for asked, codes in [
        ("phase=solid", ["a2"]),
        ("code=a1,a2", ["a1", "a2"]),
        ("code=a1&code=b1", ["a1", "b1"]),
        ("name=the+a", ["a1", "a2"]),
        ("name=the+a&phase=solid", ["a2"]),
        ("name=the+a&name=the+b", ["a1", "a2", "b1"]),
        ("name=the+a,the+b", []),
        ("solvent=true", []),
        ("solvent=false", ["a1", "a2", "b1"]),
    ]:
        assert follow(bench, f"/v1/materials?{asked}") == codes, asked
    for number, day in enumerate(("2026-01-31", "2026-02-01", "2026-02-28")):
        lot = {"material": "a1", "amount": "1 kg", "received_on": day}
        assert bench.put(f"/v1/lots/l{number}", json=lot).status_code == 201
    found = bench.get("/v1/lots?received_on_from=2026-02-01&received_on_to=2026-02-28&material=a1").get_json()
    assert [item["code"] for item in found["items"]] == ["l1", "l2"]


def test_counts_and_keys_on_request(bench: FlaskClient) -> None:
    put(bench, "a1", "b1", "c1")
    plain = bench.get("/v1/materials?limit=1").get_json()
    assert "count" not in plain
    assert bench.get("/v1/materials?limit=1&count=true").get_json()["count"] == 3
    short = bench.get("/v1/materials?fields=name,revision&limit=1").get_json()
    assert short["items"] == [{"code": "a1", "name": "the a", "revision": 1}]


def cursor(*place: object) -> str:
    return base64.urlsafe_b64encode(json.dumps(place).encode()).decode().rstrip("=")


@pytest.mark.parametrize(
    "asked",
    [
        "limit=0", "limit=1001", "limit=-1", "limit=1.5", "limit=%D9%A1", "limit=1&limit=2", "sort=", "sort=name,name",
        "sort=--name", "sort=secret", "fields=nmae", "count=1", "name=", "code=a%20b", "material=x", "q=x", "cursor=",
        "cursor=!", "cursor=AAAA", f"cursor={cursor()}", f"cursor={cursor('')}", f"cursor={cursor('', 1)}",
        f"cursor={cursor('-code', 'a')}", f"cursor={cursor('', 'a', 'b')}", f"cursor={cursor('', ['a'])}",
        f"cursor={cursor('', 'a' + chr(0))}", f"sort=solvent&cursor={cursor('solvent', 2**63, 'a')}",
        f"sort=solvent&cursor={cursor('solvent', True, 'a')}", "cursor=" + "W1tb" * 400,
    ],
)  # fmt: skip
def test_what_cannot_be_asked_is_refused(asked: str, bench: FlaskClient) -> None:
    check_problem(bench.get(f"/v1/materials?{asked}"), 400, "malformed-input")
    assert bench.get("/v1/materials").status_code == 200
