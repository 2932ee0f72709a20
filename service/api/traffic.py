"""What every request and every answer goes through: names, hosts, origins, compression, headers, counts."""

from __future__ import annotations

import gzip
import logging
import re
import time
import uuid
from collections.abc import Collection
from typing import Final

from flask import Flask, Response, g, request
from werkzeug.exceptions import HTTPException

from service.api.counters import Counters

EXPOSED: Final = (
    "Content-Disposition, ETag, Idempotent-Replayed, Link, Location, "
    "RateLimit, RateLimit-Policy, Retry-After, X-Request-Id"
)
_REQUEST_ID: Final = re.compile(r"[A-Za-z0-9._-]{1,64}")
_METHODS: Final = "GET, HEAD, POST, PUT, DELETE, OPTIONS"
_REQUEST_FIELDS: Final = "Authorization, Content-Type, Idempotency-Key, If-Match, If-None-Match, X-Request-Id"
_PREFLIGHT_HOLDS_S: Final = 7200
_WORTH_COMPRESSING: Final = 1024
_SECURITY: Final = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
}

log = logging.getLogger(__name__)


class UnknownHostError(HTTPException):
    """The Host field names none of the names under which the service answers."""

    code = 421
    description = "the Host field names none of the names under which this service answers"


def register(app: Flask, counters: Counters, *, origins: Collection[str], hosts: Collection[str]) -> None:
    """Put every request of the app through this; ``origins`` and ``hosts`` are those let in (no host named: any)."""

    def arrive() -> Response | None:
        g.arrived_s = time.monotonic()
        given = request.headers.get("X-Request-Id", "")
        g.request_id = given if _REQUEST_ID.fullmatch(given) else uuid.uuid4().hex
        asked = {request.host, request.host.rpartition(":")[0]}
        # Who looks after the process asks it by its number: health tells nothing of anybody's records.
        if hosts and asked.isdisjoint(hosts) and not request.path.startswith("/health/"):
            raise UnknownHostError
        if request.method == "OPTIONS" and _origin(origins) and "Access-Control-Request-Method" in request.headers:
            return _preflight()
        return None

    def leave(response: Response) -> Response:
        response.headers["X-Request-Id"] = g.request_id
        for name, value in _SECURITY.items():
            response.headers.setdefault(name, value)
        response.headers.setdefault("Cache-Control", "no-store")
        if allowance := g.get("allowance"):
            response.headers.update(allowance.fields())
        if request.method == "OPTIONS" and response.status_code == 200:
            response.status_code = 204
            del response.headers["Content-Type"], response.headers["Content-Length"]
        if origins:
            _allow_origin(response, _origin(origins))
        _compress(response)
        seconds = time.monotonic() - g.arrived_s
        operation = (request.endpoint or "none").rpartition(".")[2]
        counters.count(operation, response.status_code, seconds)
        # The path only: a query may hold what somebody wrote about somebody.
        log.info("%s %s %s %d %.4f s", g.request_id, request.method, request.path, response.status_code, seconds)
        return response

    app.before_request(arrive)
    app.after_request(leave)


def _origin(origins: Collection[str]) -> str | None:
    """Return the origin of the request where it is let in."""
    origin = request.headers.get("Origin")
    return origin if origin is not None and (origin in origins or "*" in origins) else None


def _preflight() -> Response:
    response = Response(status=204)
    response.headers["Access-Control-Allow-Methods"] = _METHODS
    response.headers["Access-Control-Allow-Headers"] = _REQUEST_FIELDS
    response.headers["Access-Control-Max-Age"] = str(_PREFLIGHT_HOLDS_S)
    return response


def _allow_origin(response: Response, origin: str | None) -> None:
    response.vary.add("Origin")
    if origin is not None:
        response.headers["Access-Control-Allow-Origin"] = origin
        response.headers["Access-Control-Expose-Headers"] = EXPOSED


def _compress(response: Response) -> None:
    """Compress a text that is worth it, and let its tag say so: another representation has another strong tag."""
    mimetype = response.mimetype or ""
    if not mimetype or mimetype.startswith("image/") or request.accept_encodings.quality("gzip") <= 0:
        return
    body = response.get_data()
    if len(body) < _WORTH_COMPRESSING or "Content-Encoding" in response.headers:
        return
    response.set_data(gzip.compress(body, 5, mtime=0))
    response.headers["Content-Encoding"] = "gzip"
    response.vary.add("Accept-Encoding")
    if tag := response.headers.get("ETag"):
        response.headers["ETag"] = tag.rstrip('"') + '-gzip"'
