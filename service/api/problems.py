"""Every error as ``application/problem+json`` (RFC 9457). One table gives each its status; none is ever HTML.

The ``type`` of a problem is a page of this service that says what it means and how to mend it.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any, Final

from flask import Flask, Response, g, request
from werkzeug.exceptions import HTTPException

from service import errors
from service.api.wire import json_bytes

MEDIA_TYPE: Final = "application/problem+json"
RETRY_AFTER_S: Final = 1
"""A busy database is asked again after this; what is away longer answers so again."""
LONGEST_REQUEST_LINE: Final = 8190
"""Bytes of a request's first line that the server takes: room for the values that one parameter may hold."""

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Problem:
    """One kind of error: its stable code, its status, and for people what it means and how to mend it."""

    code: str
    status: HTTPStatus
    title: str
    meaning: str


_OF_ERRORS: Final[Mapping[type[errors.WeighbookError], tuple[HTTPStatus, str, str]]] = {
    errors.InvalidInput: (
        HTTPStatus.UNPROCESSABLE_ENTITY,
        "The record cannot be taken as it stands",
        "The body is JSON, but its content is wrong. Every fault is listed under faults, each with a pointer to its "
        "place, what was received and what is expected there. Mend them all and send the body again.",
    ),
    errors.MalformedInput: (
        HTTPStatus.BAD_REQUEST,
        "The request cannot be read",
        "The body is not acceptable JSON, or a query parameter is unknown or cannot be read. The faults name the line "
        "and column, or the parameter.",
    ),
    errors.UnknownRecord: (
        HTTPStatus.NOT_FOUND,
        "No such record",
        "No record of that kind and code is in the workshop that the token opens. Codes are exact: case counts.",
    ),
    errors.Conflict: (
        HTTPStatus.CONFLICT,
        "The present records forbid it",
        "What was asked does not go together with what is recorded now; the detail names the records in the way.",
    ),
    errors.StaleRevision: (
        HTTPStatus.PRECONDITION_FAILED,
        "The record has changed meanwhile",
        "If-Match names a revision that is no longer the current one. Read the record again, make the change on what "
        "stands there now, and send it with the new ETag.",
    ),
    errors.RevisionRequired: (
        HTTPStatus.PRECONDITION_REQUIRED,
        "Say which revision is to be changed",
        "A write that changes an existing record needs If-Match with the ETag that was read, so that nobody's change "
        "is lost. If-Match: * overwrites whatever stands there.",
    ),
    errors.NotComputable: (
        HTTPStatus.UNPROCESSABLE_ENTITY,
        "The records cannot carry this answer",
        "A number that the answer needs is not recorded; the detail says which one and how to supply it.",
    ),
    errors.Unauthorised: (
        HTTPStatus.UNAUTHORIZED,
        "A token is needed",
        "Send Authorization: Bearer TOKEN with a token that is neither expired nor revoked. The command "
        "weighbook token create makes one.",
    ),
    errors.Forbidden: (
        HTTPStatus.FORBIDDEN,
        "The token may not do this",
        "The scopes are read, record and manage, each holding the ones before it. Writing records needs record; the "
        "workshop's own record and its tokens need manage.",
    ),
    errors.TooLarge: (
        HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
        "Too large",
        "The request is beyond a limit, which the detail states. The limits stand at /v1/about.",
    ),
    errors.Unavailable: (
        HTTPStatus.SERVICE_UNAVAILABLE,
        "The database cannot be reached now",
        "The database is busy, away, full or of another schema. Nothing was changed. Try again after the time that "
        "Retry-After gives, in seconds.",
    ),
}

_OF_HTTP: Final[Mapping[HTTPStatus, tuple[str, str, str]]] = {
    HTTPStatus.BAD_REQUEST: ("bad-request", "The request cannot be read", "The request breaks the rules of HTTP."),
    HTTPStatus.NOT_FOUND: (
        "unknown-path",
        "Nothing is here",
        "No operation has this path. The operations stand at /docs and in /v1/openapi.json.",
    ),
    HTTPStatus.METHOD_NOT_ALLOWED: (
        "method-not-allowed",
        "This method is not for this path",
        "The methods that the path knows stand in Allow. Records are changed with PUT; there is no PATCH.",
    ),
    HTTPStatus.NOT_ACCEPTABLE: (
        "not-acceptable",
        "No acceptable form",
        "The answer has no form that Accept takes. Ask for one by format=, which goes before Accept.",
    ),
    HTTPStatus.REQUEST_URI_TOO_LONG: (
        "uri-too-long",
        "The address is too long",
        "The first line of the request, which holds the path and the query, is longer than the request_line_bytes of "
        "/v1/about. Ask for fewer values at once.",
    ),
    HTTPStatus.UNSUPPORTED_MEDIA_TYPE: (
        "unsupported-media-type",
        "The body is of a kind that is not read here",
        "Content-Type must name a kind that the operation reads, in UTF-8 and not compressed.",
    ),
    HTTPStatus.MISDIRECTED_REQUEST: (
        "unknown-host",
        "The service has another name",
        "The Host field names none of the names under which this service answers.",
    ),
    HTTPStatus.TOO_MANY_REQUESTS: (
        "too-many-requests",
        "Too many requests",
        "The token has used up its requests for now. Retry-After says in how many seconds there will be more.",
    ),
    HTTPStatus.REQUEST_HEADER_FIELDS_TOO_LARGE: (
        "header-fields-too-large",
        "The header fields are too large",
        "The request has more header fields, or longer ones, than the server reads.",
    ),
    HTTPStatus.INTERNAL_SERVER_ERROR: (
        "internal-error",
        "Something is wrong in the service",
        "The fault is the service's, not the request's. The log holds what happened under the request_id.",
    ),
}

OF_ERRORS: Final[Mapping[type[errors.WeighbookError], Problem]] = {
    kind: Problem(kind.code, *row) for kind, row in _OF_ERRORS.items()
}
OF_HTTP: Final[Mapping[HTTPStatus, Problem]] = {
    status: Problem(code, status, title, meaning) for status, (code, title, meaning) in _OF_HTTP.items()
}
PROBLEMS: Final[Mapping[str, Problem]] = {problem.code: problem for problem in (*OF_ERRORS.values(), *OF_HTTP.values())}
"""Every problem by the code that ends its ``type``."""


def problem_of(error: errors.WeighbookError) -> Problem:
    """Return the kind of problem that an error is, by its class or the nearest class above it that has one.

    >>> problem_of(errors.StaleRevision("r3 is not the current revision")).status.value
    412
    """
    return next(OF_ERRORS[kind] for kind in type(error).__mro__ if kind in OF_ERRORS)


def problem_response(
    problem: Problem,
    detail: str,
    *,
    code: str | None = None,
    more: Mapping[str, Any] | None = None,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """Return the response that tells of a problem; ``code`` is the exact reason where it is narrower than its kind."""
    told: dict[str, Any] = {
        "type": f"/problems/{problem.code}",
        "title": problem.title,
        "status": problem.status.value,
        "detail": detail,
        "code": code or problem.code,
        "instance": request.path,
        "request_id": g.get("request_id"),
    }
    told.update({key: value for key, value in (more or {}).items() if key not in told})
    response = Response(json_bytes(told), status=problem.status, content_type=MEDIA_TYPE)
    response.headers["Cache-Control"] = "no-store"
    response.headers.update(headers or {})
    return response


def _of_weighbook_error(error: errors.WeighbookError) -> Response:
    problem = problem_of(error)
    more: dict[str, Any] = dict(error.extra)
    if isinstance(error, errors.FaultyInput):
        shown, left = error.shown()
        more |= {"faults": [fault.as_dict() for fault in shown], "more_faults": left}
    headers: dict[str, str] = {}
    if problem.status is HTTPStatus.UNAUTHORIZED:
        headers["WWW-Authenticate"] = 'Bearer realm="weighbook"'
    if problem.status is HTTPStatus.FORBIDDEN:
        headers["WWW-Authenticate"] = 'Bearer realm="weighbook", error="insufficient_scope"'
    if problem.status is HTTPStatus.SERVICE_UNAVAILABLE:
        headers["Retry-After"] = str(RETRY_AFTER_S)
    return problem_response(problem, error.detail, code=error.code, more=more, headers=headers)


def _of_http_exception(error: HTTPException) -> Response:
    status = HTTPStatus(error.code or HTTPStatus.INTERNAL_SERVER_ERROR)
    if status is HTTPStatus.REQUEST_ENTITY_TOO_LARGE:
        problem = OF_ERRORS[errors.TooLarge]
    else:
        problem = OF_HTTP.get(status) or OF_HTTP[HTTPStatus.BAD_REQUEST]
    headers = {name: value for name, value in error.get_headers() if name.lower() != "content-type"}
    return problem_response(problem, error.description or problem.meaning, headers=headers)


def _of_method_not_allowed(error: HTTPException) -> Response:
    response = _of_http_exception(error)
    allowed = ", ".join(sorted(response.allow))
    problem = OF_HTTP[HTTPStatus.METHOD_NOT_ALLOWED]
    detail = f"{request.method} is not for this path, which knows {allowed}"
    return problem_response(problem, detail, headers={"Allow": allowed})


def _of_unknown_path(error: HTTPException) -> Response:
    detail = f"no operation has the path {request.path[:200]}: the operations stand at /docs"
    return problem_response(OF_HTTP[HTTPStatus.NOT_FOUND], detail)


def _of_anything_else(error: Exception) -> Response:
    """Tell nothing of what went wrong but the name under which the log tells it."""
    log.exception("request %s failed: %s %s", g.get("request_id"), request.method, request.path)
    problem = OF_HTTP[HTTPStatus.INTERNAL_SERVER_ERROR]
    return problem_response(problem, f"the fault is the service's: the log tells of it under {g.get('request_id')}")


def register(app: Flask) -> None:
    """Let every error of the app answer as a problem."""
    app.register_error_handler(errors.WeighbookError, _of_weighbook_error)
    app.register_error_handler(HTTPException, _of_http_exception)
    app.register_error_handler(404, _of_unknown_path)
    app.register_error_handler(405, _of_method_not_allowed)
    app.register_error_handler(Exception, _of_anything_else)
