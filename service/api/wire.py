"""What goes over the wire: bodies read within their limits, JSON written the one way, the form that is asked for."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from typing import Any, Final

from flask import Response, request
from werkzeug.datastructures import MIMEAccept
from werkzeug.exceptions import NotAcceptable, UnsupportedMediaType
from werkzeug.http import parse_options_header

from service.errors import Fault, MalformedInput, TooLarge
from service.schemas.json_text import parse_json

JSON: Final = "application/json"
CSV: Final = "text/csv"
NDJSON: Final = "application/x-ndjson"
SVG: Final = "image/svg+xml"
FORMATS: Final[Mapping[str, str]] = {"json": JSON, "csv": CSV, "ndjson": NDJSON, "svg": SVG}
"""The names that ``format=`` takes, with the media type of each."""
TABLE_FORMATS: Final = ("json", "csv", "ndjson")
"""The names of what can be had of everything that has rows; a picture only where there is one."""


def json_bytes(value: Any) -> bytes:
    """Write a value as JSON in UTF-8. NaN and Infinity raise ValueError: an unknown number is null, with its reason.

    >>> json_bytes({"yield": 0.62, "unit": "µL"}).decode()
    '{"yield":0.62,"unit":"µL"}'
    """
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def json_response(value: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """Return a JSON response."""
    return sent(json_bytes(value), status, headers)


def sent(body: bytes, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """Return a response of JSON that is written already."""
    response = Response(body, status=status, content_type=JSON)
    response.headers.update(headers or {})
    return response


def body_bytes(limit: int) -> bytes:
    """Read the body, at most ``limit`` bytes; raise :class:`TooLarge` beyond, whether its length was told or not.

    Raises :class:`MalformedInput` where it is cut short, or its chunks are not as HTTP has them.
    """
    told = request.content_length
    if told is not None and told > limit:
        raise _too_large(limit)
    found = bytearray()
    try:
        while len(found) <= limit and (part := request.stream.read(limit + 1 - len(found))):
            found += part
    except Exception as error:
        # WSGI does not say what a server raises where a client sends no proper body, and each raises its own.
        raise _broken() from error
    if len(found) > limit:
        raise _too_large(limit)
    if told is not None and len(found) < told:
        # A table that breaks off at the end of a line would else pass for a whole one.
        raise _broken()
    return bytes(found)


def _too_large(limit: int) -> TooLarge:
    return TooLarge(f"the body is larger than {limit} bytes", extra={"limit_bytes": limit})


def _broken() -> MalformedInput:
    expected = "the whole body, as Content-Length or its chunks announce it"
    return MalformedInput([Fault("broken-body", f"the body breaks off: send {expected}", expected=expected)])


def body_media_type(taken: Collection[str]) -> str:
    """Return which of the media types ``taken`` the body is of; raise 415 where it is none, not UTF-8 or compressed."""
    media_type, options = parse_options_header(request.headers.get("Content-Type", ""))
    media_type = media_type.lower()
    if media_type.startswith("application/") and media_type.endswith("+json"):
        media_type = JSON
    wanted = " or ".join(sorted(taken))
    if media_type not in taken:
        raise UnsupportedMediaType(f"the body's Content-Type is {media_type or 'not stated'}: send {wanted}")
    charset = options.get("charset", "utf-8").lower()
    if charset not in ("utf-8", "utf8"):
        raise UnsupportedMediaType(f"the body is in {charset}: send UTF-8")
    if request.headers.get("Content-Encoding", "identity").lower() != "identity":
        raise UnsupportedMediaType("the body is compressed: send it as it is")
    return media_type


def json_body(limit: int) -> Any:
    """Read the body as strict JSON."""
    body_media_type((JSON,))
    return parse_json(body_bytes(limit))


def media_type_asked(asked_format: str | None, offered: Collection[str] = (JSON,)) -> str:
    """Return the media type to answer in: ``format=`` goes before ``Accept``; raise 406 where none of them fits."""
    if asked_format is not None:
        return FORMATS[asked_format]
    accepted: MIMEAccept = request.accept_mimetypes
    if not accepted:
        return JSON
    best = accepted.best_match(list(offered))
    if best is None:
        raise NotAcceptable(f"the answer comes as {', '.join(offered)}, and Accept takes none of them")
    return str(best)
