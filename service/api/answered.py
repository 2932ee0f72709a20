"""How every analytic answer is asked for and given: one snapshot, one tag, JSON or one array of it as a table."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from http import HTTPStatus
from typing import Any, Final

from flask import Response, request

from service.answer.book import Book
from service.api import query
from service.api.conditional import not_modified, tag_of, with_tag
from service.api.operation import Answer, Call, Operation
from service.api.query import Parameter, canonical
from service.api.wire import CSV, FORMATS, JSON, NDJSON, json_bytes, media_type_asked
from service.rendering.table import csv_text, ndjson_text

DEFAULT_CONFIDENCE: Final = 0.9
AS_OF: Final = query.day("as_of", "The date of the answer; today (UTC) where it is left out.")
CURRENCY: Final = query.currency("currency", "The currency of the answer; the workshop's own where it is left out.")
_FORMAT: Final = query.choice("format", "The form of the answer; goes before Accept.", FORMATS)

Compute = Callable[[Book], dict[str, Any]]


def answered(call: Call, method: str, compute: Compute) -> Response:
    """Answer from one snapshot; what the asker holds already is told unchanged before anything is computed."""
    media_type = media_type_asked(call.query["format"], tuple(FORMATS.values()))
    asked = {**call.query, "as_of": as_of(call)}
    with call.service.database.reading(call.who.workshop_id) as reading:
        tag = tag_of(reading.workshop_id, reading.state, request.path, canonical(asked), media_type, method)
        unchanged = not_modified(tag)
        if unchanged is not None:
            return unchanged
        answer = compute(Book(reading, call.service.memory))
    if media_type == JSON:
        return with_tag(Response(json_bytes(answer), content_type=JSON), tag)
    rows = answer[call.query["table"]]
    rendered = csv_text(rows) if media_type == CSV else ndjson_text(rows)
    return with_tag(Response(rendered, content_type=f"{media_type}; charset=utf-8"), tag)


def as_of(call: Call) -> Any:
    """Return the date that was asked for, else today."""
    return call.query["as_of"] or call.service.today()


def answer_operation(
    id: str,
    rule: str,
    summary: str,
    description: str,
    view: Callable[..., Response],
    schema: Any,
    tables: Sequence[str],
    parameters: Sequence[Parameter],
) -> Operation:
    table = query.choice("table", "Which array of the answer a CSV or NDJSON holds.", tables, default=tables[0])
    content = {JSON: schema, CSV: {"type": "string"}, NDJSON: {"type": "string"}}
    return Operation(
        id=id,
        method="GET",
        rule=rule,
        tag="answers",
        summary=summary,
        description=description,
        view=view,
        answers={200: Answer(summary + ".", content, ("ETag",)), 304: Answer("What is held already still stands.")},
        parameters=(*parameters, AS_OF, _FORMAT, table),
        fields=("If-None-Match",),
        problems=(HTTPStatus.UNPROCESSABLE_ENTITY,),
    )
