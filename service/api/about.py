"""The service about itself: whether it lives, whether it is ready, what it is, what it has answered."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from http import HTTPStatus
from importlib.metadata import version
from typing import Any, Final

from flask import Response, current_app

from service.api import counters
from service.api.conditional import not_modified, tag_of, with_tag
from service.api.methods import METHODS
from service.api.operation import Answer, Call, Operation
from service.api.paging import LARGEST_PAGE
from service.api.problems import LONGEST_REQUEST_LINE
from service.api.query import MOST_VALUES
from service.api.wire import JSON, json_response
from service.domain.units import DIMENSIONS, units_of
from service.errors import MOST_FAULTS, Unavailable, WeighbookError
from service.schemas.json_text import DEEPEST

_FIRST_SOUND_SQLITE: Final = (3, 51, 3)
_SQLITE_WARNING: Final = (
    "SQLite 3.7.0 to 3.51.2 without a distributor's back-port can damage a database when two connections write its log "
    "back at once (https://sqlite.org/wal.html, the WAL-reset bug); back up often, or update the library"
)

OPENAPI: Final = "weighbook-openapi"
"""Where the app keeps its document, in UTF-8; it exists once every operation is declared."""

_OBJECT: Final[Mapping[str, Any]] = {"type": "object", "additionalProperties": True}


def _live(_: Call) -> Response:
    return json_response({"status": "live"})


def _ready(call: Call) -> Response:
    database = call.service.database
    checks: dict[str, Any] = {"database": database.dialect}
    warnings: list[str] = []
    try:
        checks["schema_revision"] = database.schema_revision()
        checks["server_version"] = server_version = database.server_version()
    except Unavailable as error:
        return _not_ready(checks, error)
    checks["schema_head"] = database.schema_head()
    if checks["schema_revision"] != checks["schema_head"]:
        detail = "the database has another schema than this program: run weighbook upgrade"
        return _not_ready(checks, Unavailable(detail, code="wrong-schema"))
    if database.dialect == "sqlite" and tuple(int(part) for part in server_version.split(".")) < _FIRST_SOUND_SQLITE:
        warnings.append(_SQLITE_WARNING)
    return json_response({"status": "ready", "checks": checks, "warnings": warnings})


def _not_ready(checks: Mapping[str, Any], error: WeighbookError) -> Response:
    raise Unavailable(error.detail, code=error.code, extra={"checks": dict(checks)}) from error


def _metrics(call: Call) -> Response:
    return Response(call.service.counters.text(), content_type=counters.MEDIA_TYPE)


def _about(call: Call) -> Response:
    service = call.service
    about = {
        "name": "Weighbook",
        "version": version("weighbook"),
        "schema_head": service.database.schema_head(),
        "methods": METHODS,
        "limits": {
            "body_bytes": service.body_limit_bytes,
            "import_bytes": service.import_limit_bytes,
            "body_depth": DEEPEST,
            "request_line_bytes": LONGEST_REQUEST_LINE,
            "items_per_page": LARGEST_PAGE,
            "values_per_parameter": MOST_VALUES,
            "faults_shown": MOST_FAULTS,
            "requests_per_minute": service.quota.limit if service.quota else None,
        },
        "units": {name: list(units_of([name])) for name in DIMENSIONS},
    }
    tag = tag_of(about)
    return not_modified(tag) or with_tag(json_response(about), tag)


def _openapi(_: Call) -> Response:
    body: bytes = current_app.extensions[OPENAPI]
    tag = tag_of(body.decode())
    return not_modified(tag) or with_tag(Response(body, content_type=JSON), tag)


def operations() -> Sequence[Operation]:
    """Return the operations about the service."""

    def operation(id: str, rule: str, summary: str, description: str, view: Callable[..., Response]) -> Operation:
        answers = {200: Answer(summary + ".", {JSON: _OBJECT}, () if "health" in rule else ("ETag",))}
        problems = (HTTPStatus.SERVICE_UNAVAILABLE,) if id == "read_ready" else ()
        return Operation(id, "GET", rule, "service", summary, description, view, answers, scope=None, problems=problems)

    return (
        operation("read_live", "/health/live", "The process answers", "Asks nothing of the database.", _live),
        operation(
            "read_ready",
            "/health/ready",
            "The service can do its work",
            "The database answers and has the schema of this program; 503 where not.",
            _ready,
        ),
        operation(
            "read_about",
            "/v1/about",
            "What this service is",
            "Its version, the schema, the versions of its methods, its limits and the units that it reads.",
            _about,
        ),
        operation(
            "read_openapi",
            "/v1/openapi.json",
            "This document",
            "The OpenAPI 3.1 document of every operation.",
            _openapi,
        ),
        Operation(
            id="read_metrics",
            method="GET",
            rule="/metrics",
            tag="service",
            summary="What this process has answered",
            description="Counts by operation and status and the time spent, in the Prometheus text format.",
            view=_metrics,
            answers={200: Answer("The counts.", {"text/plain": {"type": "string"}})},
        ),
    )
