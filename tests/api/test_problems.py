"""Every error is a problem (RFC 9457), of the right status (RFC 9110, 6585), with a page that explains it."""

from __future__ import annotations

import io
from collections.abc import Iterator

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service import errors
from service.api.problems import OF_ERRORS, PROBLEMS, problem_of
from tests.api.conftest import ClientOf

MATERIAL = "/v1/materials/water"
JSON = "application/json"


def check_problem(response: TestResponse, status: int, code: str) -> dict[str, object]:
    """A problem says all that it must, of itself and of the request."""
    assert response.status_code == status, response.data
    assert response.content_type == "application/problem+json"
    told: dict[str, object] = response.get_json(force=True)
    assert told.keys() >= {"type", "title", "status", "detail", "code", "instance", "request_id"}
    assert (told["status"], told["code"]) == (status, code)
    assert told["request_id"] == response.headers["X-Request-Id"]
    assert response.headers["Cache-Control"] == "no-store"
    return told


def test_every_error_class_has_a_status() -> None:
    def below(kind: type[errors.WeighbookError]) -> Iterator[type[errors.WeighbookError]]:
        for inner in kind.__subclasses__():
            yield inner
            yield from below(inner)

    # A base that only gathers others is never raised itself.
    raised = [kind for kind in below(errors.WeighbookError) if kind is not errors.FaultyInput]
    assert {kind for kind in raised if kind.__module__ == "service.errors"} == set(OF_ERRORS)
    for kind in raised:
        assert problem_of(kind.__new__(kind)).status >= 400


@pytest.mark.parametrize("code", sorted(PROBLEMS))
def test_the_type_of_every_problem_is_a_page(code: str, bench: FlaskClient) -> None:
    page = bench.get(f"/problems/{code}", headers={"Authorization": ""})
    assert page.status_code == 200
    assert page.mimetype == "text/html"
    assert PROBLEMS[code].title in page.text


def test_no_other_page_is_there(bench: FlaskClient) -> None:
    check_problem(bench.get("/problems/nothing"), 404, "unknown-path")
    check_problem(bench.get("/docs/index.html"), 404, "unknown-path")


def test_unknown_paths_and_methods(bench: FlaskClient) -> None:
    for path in ("/", "/v1", "/v2/materials", "/v1/materials/", "//v1/materials", "/v1/materials/a/b", "/docs/"):
        check_problem(bench.get(path), 404, "unknown-path")
    told = bench.patch(MATERIAL, json={})
    check_problem(told, 405, "method-not-allowed")
    assert told.headers["Allow"] == "DELETE, GET, HEAD, OPTIONS, PUT"
    check_problem(bench.open(MATERIAL, method="BREW"), 405, "method-not-allowed")


def test_query_faults_are_named(bench: FlaskClient) -> None:
    told = check_problem(bench.get("/v1/materials?limt=5&sort=nmae"), 400, "malformed-input")
    faults = told["faults"]
    assert isinstance(faults, list)
    assert [(fault["parameter"], fault["code"]) for fault in faults] == [
        ("limt", "unknown-parameter"),
        ("sort", "unknown-column"),
    ]
    assert "did you mean limit?" in faults[0]["detail"]


def test_who_may_not(bench: FlaskClient, client_of: ClientOf) -> None:
    for given in ("", "Bearer", "Bearer wb_nobody_knows_it", "Basic d2I6d2I=", "Bearer \xff" * 9):
        told = bench.get(MATERIAL, headers={"Authorization": given})
        check_problem(told, 401, "unauthorised")
        assert told.headers["WWW-Authenticate"].startswith("Bearer ")
    check_problem(client_of("read").put(MATERIAL, json={"name": "water"}), 403, "forbidden")
    token = bench.environ_base["HTTP_AUTHORIZATION"].removeprefix("Bearer ")
    check_problem(bench.get(f"/v1/workshop?token={token}", headers={"Authorization": ""}), 401, "unauthorised")


def test_forms_that_are_not_there(bench: FlaskClient) -> None:
    check_problem(bench.get("/v1/materials", headers={"Accept": "image/png"}), 406, "not-acceptable")
    assert bench.get("/v1/materials", headers={"Accept": "application/*;q=0.5"}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Content-Type": "text/plain"},
        {"Content-Type": "application/json; charset=latin-1"},
        {"Content-Type": JSON, "Content-Encoding": "gzip"},
    ],
)
def test_bodies_of_another_kind(headers: dict[str, str], bench: FlaskClient) -> None:
    check_problem(bench.put(MATERIAL, data=b'{"name": "water"}', headers=headers), 415, "unsupported-media-type")


def test_json_by_another_name_is_taken(bench: FlaskClient) -> None:
    sent = bench.put(MATERIAL, data=b'{"name": "water"}', content_type="application/merge+json; charset=UTF-8")
    assert sent.status_code == 201, sent.data


@pytest.mark.parametrize("chunked", [False, True])
def test_a_body_one_byte_too_long(chunked: bool, client_of: ClientOf) -> None:
    client = client_of("record", body_limit_bytes=4096)
    for length, status in ((4096, 201), (4097, 413)):
        body = b'{"name": "water"}'.ljust(length)
        if chunked:
            environ = {"wsgi.input": io.BytesIO(body), "wsgi.input_terminated": True}
            sent = client.put(f"{MATERIAL}-{length}", content_type=JSON, environ_overrides=environ)
        else:
            sent = client.put(f"{MATERIAL}-{length}", data=body, content_type=JSON)
        assert sent.status_code == status, sent.data
    check_problem(sent, 413, "too-large")
    assert sent.get_json(force=True)["limit_bytes"] == 4096


def test_every_fault_of_a_body_is_told_at_once(bench: FlaskClient) -> None:
    told = check_problem(bench.put(MATERIAL, json={"nmae": "water", "formula": "H2Oo"}), 422, "invalid-input")
    faults = told["faults"]
    assert isinstance(faults, list)
    assert {fault["pointer"] for fault in faults} == {"/nmae", "/name", "/formula"}
    assert all(fault.keys() >= {"code", "detail", "received", "expected"} for fault in faults)


def test_a_hundred_thousand_faults_are_counted_and_a_hundred_told(bench: FlaskClient) -> None:
    told = bench.put(MATERIAL, json={"name": "water", **{f"k{number}": 1 for number in range(20_000)}})
    problem = check_problem(told, 422, "invalid-input")
    assert isinstance(problem["faults"], list)
    assert (len(problem["faults"]), problem["more_faults"]) == (100, 19_900)
    assert len(told.data) < 100_000


def test_what_breaks_inside_tells_nothing(
    bench: FlaskClient, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def breaks(*_: object) -> None:
        raise RuntimeError("the password is hunter2")

    monkeypatch.setattr("service.api.record_views._stored", breaks)
    told = bench.get(MATERIAL)
    problem = check_problem(told, 500, "internal-error")
    assert "hunter2" not in told.text
    assert str(problem["request_id"]) in caplog.text
    assert "hunter2" in caplog.text


def test_a_database_that_is_busy(bench: FlaskClient, monkeypatch: pytest.MonkeyPatch) -> None:
    def busy(*_: object) -> None:
        raise errors.Unavailable("another write takes long: try again", code="busy")

    monkeypatch.setattr("service.api.record_views._stored", busy)
    told = bench.get(MATERIAL)
    check_problem(told, 503, "busy")
    assert int(told.headers["Retry-After"]) >= 1
