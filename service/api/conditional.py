"""Conditional requests (RFC 9110, 13): every GET has an ETag; what has not changed is not computed or sent again."""

from __future__ import annotations

import hashlib
import json
import re
from typing import Any, Final

from flask import Response, request

CACHE_CONTROL: Final = "private, no-cache"
VARY: Final = "Accept, Authorization, Accept-Encoding"
_TAG: Final = re.compile(r'(?:W/)?"([^"]*)"')
_COMPRESSED: Final = re.compile(r"[-;:.]{1,2}(?:gzip|br|zstd|deflate)$")


def tags_in(field: str) -> frozenset[str]:
    """Return the opaque tags of an If-Match or If-None-Match field, ``*`` among them where it stands for all.

    A leading ``W/`` and the suffix that a compressing proxy puts in are left out, so that a tag is known again.

    >>> sorted(tags_in('W/"r3-gzip", "r4"')), sorted(tags_in("*"))
    (['r3', 'r4'], ['*'])
    """
    if field.strip() == "*":
        return frozenset("*")
    return frozenset(_COMPRESSED.sub("", tag) for tag in _TAG.findall(field))


def tag_of(*parts: Any) -> str:
    """Return an opaque tag that is equal where all parts are: state, date, question, media type, method.

    >>> tag_of(7, "2026-11-25", "/v1/routes/verdigris/yields") == tag_of(7, "2026-11-26", "/v1/routes/verdigris/yields")
    False
    """
    told = json.dumps(parts, sort_keys=True, default=str).encode()
    return hashlib.sha256(told).hexdigest()[:32]


def tag_of_body(body: bytes) -> str:
    """Return an opaque tag that is equal where an answer is, to the byte.

    >>> tag_of_body(b'{"left": 1}') == tag_of_body(b'{"left": 2}')
    False
    """
    return hashlib.sha256(body).hexdigest()[:32]


def not_modified(tag: str) -> Response | None:
    """Return the 304 for a request that holds ``tag`` already, else None."""
    field = request.headers.get("If-None-Match")
    if field is None:
        return None
    held = tags_in(field)
    if tag not in held and "*" not in held:
        return None
    return with_tag(Response(status=304), tag)


def with_tag(response: Response, tag: str) -> Response:
    """Give a response its ETag and what a cache has to know."""
    response.headers["ETag"] = f'"{tag}"'
    response.headers["Cache-Control"] = CACHE_CONTROL
    response.headers["Vary"] = VARY
    if response.status_code == 304:
        response.headers.pop("Content-Type", None)
        response.headers.pop("Content-Length", None)
    return response
