"""What holds for every request: names, headers, origins, hosts, quotas, HEAD and OPTIONS."""

from __future__ import annotations

import json
import logging
import re

import pytest
from flask.testing import FlaskClient

from tests.api.conftest import ClientOf
from tests.api.test_problems import check_problem

ORIGIN = "https://bench.example"
ONCE = {"X-Request-Id", "RateLimit"}
"""Header fields that no two answers share."""


@pytest.mark.parametrize("path", ["/v1/materials", "/v1/materials/water", "/v1/nothing", "/docs", "/health/ready"])
@pytest.mark.parametrize("encoding", ["identity", "gzip"])
def test_head_is_get_without_the_body(path: str, encoding: str, bench: FlaskClient) -> None:
    bench.put("/v1/materials/water", json={"name": "water", "hazards": []})
    headers = {"Accept-Encoding": encoding, "X-Request-Id": "same"}
    got, head = bench.get(path, headers=headers), bench.head(path, headers=headers)
    assert head.data == b""
    assert (head.status_code, dict(head.headers)) == (got.status_code, dict(got.headers))


def test_options_tells_the_methods(bench: FlaskClient) -> None:
    told = bench.options("/v1/materials/water")
    assert (told.status_code, told.data) == (204, b"")
    assert {part.strip() for part in told.headers["Allow"].split(",")} == {"DELETE", "GET", "HEAD", "OPTIONS", "PUT"}


@pytest.mark.parametrize("path", ["/v1/materials", "/v1/nothing", "/docs", "/health/live"])
def test_security_headers(path: str, bench: FlaskClient) -> None:
    headers = bench.get(path).headers
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
    assert "Cache-Control" in headers


def test_the_docs_ask_no_other_host(bench: FlaskClient) -> None:
    page = bench.get("/docs")
    assert not re.search(r"(src|href)=.(https?:)?//", page.text)
    policy = page.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "http" not in policy
    named = re.findall(r'(?:src|href)="(/docs/[^"]+)"', page.text)
    assert len(named) == 4
    for path in named:
        assert bench.get(path).status_code == 200


def test_a_request_keeps_a_sane_name(bench: FlaskClient) -> None:
    assert bench.get("/v1/about", headers={"X-Request-Id": "bench-7.a_b"}).headers["X-Request-Id"] == "bench-7.a_b"
    for name in ("", "two words", "x" * 65, "naïve", "a;b"):
        given = bench.get("/v1/about", headers={"X-Request-Id": name}).headers["X-Request-Id"]
        assert re.fullmatch("[0-9a-f]{32}", given)


def test_no_token_and_no_query_in_the_log(bench: FlaskClient, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    bench.get("/v1/materials?name=somebody", headers={"X-Request-Id": "in-the-log"})
    token = bench.environ_base["HTTP_AUTHORIZATION"].removeprefix("Bearer ")
    assert "in-the-log GET /v1/materials 200" in caplog.text
    assert token not in caplog.text
    assert "somebody" not in caplog.text


def test_origins_that_are_let_in(client_of: ClientOf) -> None:
    client = client_of("read", cors_origins=(ORIGIN,))
    asks = {"Origin": ORIGIN, "Access-Control-Request-Method": "PUT", "Access-Control-Request-Headers": "if-match"}
    preflight = client.options("/v1/materials/water", headers={**asks, "Authorization": ""})
    assert preflight.status_code == 204
    assert preflight.headers["Access-Control-Allow-Origin"] == ORIGIN
    assert "PUT" in preflight.headers["Access-Control-Allow-Methods"]
    assert "If-Match" in preflight.headers["Access-Control-Allow-Headers"]
    assert int(preflight.headers["Access-Control-Max-Age"]) > 0
    told = client.get("/v1/materials", headers={"Origin": ORIGIN})
    assert told.headers["Access-Control-Allow-Origin"] == ORIGIN
    assert {"ETag", "Link", "X-Request-Id"} <= set(told.headers["Access-Control-Expose-Headers"].split(", "))
    assert "Origin" in told.headers["Vary"]
    refused = client.get("/v1/nothing", headers={"Origin": ORIGIN})
    assert refused.headers["Access-Control-Allow-Origin"] == ORIGIN
    stranger = client.get("/v1/materials", headers={"Origin": "https://elsewhere.example"})
    assert "Access-Control-Allow-Origin" not in stranger.headers
    assert "Origin" in stranger.headers["Vary"]


def test_no_origin_is_let_in_unless_said(bench: FlaskClient) -> None:
    told = bench.get("/v1/materials", headers={"Origin": ORIGIN})
    assert "Access-Control-Allow-Origin" not in told.headers


def test_a_quota_is_told_and_kept(client_of: ClientOf) -> None:
    client = client_of("read", requests_per_minute=1000)
    told = client.get("/v1/materials")
    assert told.headers["RateLimit-Policy"] == '"default";q=1000;w=60'
    assert re.fullmatch(r'"default";r=999;t=([1-9]|[1-5]\d|60)', told.headers["RateLimit"])
    assert "RateLimit" not in client.get("/v1/about").headers
    spent = client_of("read", requests_per_minute=1)
    answers = [spent.get("/v1/materials") for _ in range(3)]  # a minute may turn between two of them
    refused = next(answer for answer in answers if answer.status_code != 200)
    check_problem(refused, 429, "too-many-requests")
    assert 1 <= int(refused.headers["Retry-After"]) <= 60
    assert "r=0" in refused.headers["RateLimit"]


def test_hosts_that_are_named(client_of: ClientOf) -> None:
    client = client_of("read", allowed_hosts=("book.example",))
    assert client.get("/v1/materials", base_url="http://book.example:8750").status_code == 200
    assert client.get("/v1/materials", base_url="http://book.example").status_code == 200
    for host in ("elsewhere.example", "book.example.elsewhere", "localhost"):
        check_problem(client.get("/v1/materials", base_url=f"http://{host}"), 421, "unknown-host")
        assert client.get("/health/ready", base_url=f"http://{host}").status_code == 200, "a container asks by number"


def test_health_and_counts(bench: FlaskClient) -> None:
    assert bench.get("/health/live", headers={"Authorization": ""}).get_json() == {"status": "live"}
    ready = bench.get("/health/ready").get_json()
    assert ready["status"] == "ready"
    assert ready["checks"]["schema_revision"] == ready["checks"]["schema_head"]
    counts = bench.get("/metrics").text
    found = re.search(r'weighbook_requests_total\{operation="read_ready",status="200",process="\d+"\} (\d+)', counts)
    assert found
    assert int(found[1]) == 1


def test_about(bench: FlaskClient) -> None:
    about = bench.get("/v1/about").get_json()
    assert about["limits"]["body_bytes"] == 1024 * 1024
    assert about["limits"]["items_per_page"] == 1000
    assert "g" in about["units"]["mass"]
    assert json.dumps(about)
