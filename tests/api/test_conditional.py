"""Conditional requests: what is held already is not sent again, and a change is never missed."""

from __future__ import annotations

import pytest
from flask.testing import FlaskClient

WATER = "/v1/materials/water"
READ = [WATER, "/v1/materials", f"{WATER}/revisions", f"{WATER}/revisions/1", "/v1/workshop", "/v1/tokens", "/v1/about"]
READ += ["/v1/openapi.json", "/docs", "/docs/swagger-ui.css", "/problems/conflict", "/v1/materials?limit=1&count=true"]


@pytest.mark.parametrize("path", READ)
def test_every_read_has_a_tag_and_is_told_unchanged(path: str, bench: FlaskClient) -> None:
    assert bench.put(WATER, json={"name": "water"}).status_code == 201
    first = bench.get(path)
    assert first.status_code == 200
    tag = first.headers["ETag"]
    assert first.headers["Cache-Control"] == "private, no-cache"
    assert {"Accept", "Authorization", "Accept-Encoding"} <= {part.strip() for part in first.headers["Vary"].split(",")}
    opaque = tag.strip('"')
    held = [tag, f"W/{tag}", f'"{opaque}-gzip"', f'W/"{opaque}--gzip"', f'"{opaque};br"', f'"other", {tag}', "*"]
    for field in held:
        told = bench.get(path, headers={"If-None-Match": field})
        assert (told.status_code, told.data, told.headers["ETag"]) == (304, b"", tag), field
        assert "Content-Type" not in told.headers
        assert told.headers["Cache-Control"] == "private, no-cache"
        assert bench.head(path, headers={"If-None-Match": field}).status_code == 304
    for field in ['"other"', opaque, "", '"' + opaque[:-1] + '"']:
        assert bench.get(path, headers={"If-None-Match": field}).status_code == 200, field


@pytest.mark.parametrize("path", [WATER, "/v1/materials", "/v1/materials?limit=1&count=true", f"{WATER}/revisions"])
def test_a_change_gives_another_tag(path: str, bench: FlaskClient) -> None:
    bench.put(WATER, json={"name": "water"})
    tag = bench.get(path).headers["ETag"]
    bench.put(WATER, json={"name": "tap water"}, headers={"If-Match": "*"})
    changed = bench.get(path, headers={"If-None-Match": tag})
    assert changed.status_code == 200
    assert changed.headers["ETag"] != tag


def test_another_question_or_another_reader_has_another_tag(bench: FlaskClient) -> None:
    bench.put(WATER, json={"name": "water"})
    tags = {bench.get(f"/v1/materials?{asked}").headers["ETag"] for asked in ("", "limit=5", "sort=name", "count=true")}
    assert len(tags) == 4


def test_a_compressed_answer_is_the_same_with_a_tag_of_its_own(bench: FlaskClient) -> None:
    plain = bench.get("/v1/openapi.json")
    packed = bench.get("/v1/openapi.json", headers={"Accept-Encoding": "gzip"})
    assert packed.headers["Content-Encoding"] == "gzip"
    assert len(packed.data) < len(plain.data) / 4
    assert packed.headers["ETag"] == plain.headers["ETag"].rstrip('"') + '-gzip"'
    held = {"Accept-Encoding": "gzip", "If-None-Match": packed.headers["ETag"]}
    assert bench.get("/v1/openapi.json", headers=held).status_code == 304
    refused = bench.get("/v1/openapi.json", headers={"Accept-Encoding": "gzip;q=0"})
    assert "Content-Encoding" not in refused.headers
