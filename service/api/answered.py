"""How every analytic answer is asked for and given: one snapshot, one tag, JSON or one array of it as a table."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from http import HTTPStatus
from typing import Any, Final

from flask import Response, request

from service.answer.book import Book
from service.api import query
from service.api.conditional import not_modified, tag_of, with_tag
from service.api.operation import Answer, Call, Operation
from service.api.query import Parameter, canonical
from service.api.wire import CSV, FORMATS, JSON, NDJSON, SVG, TABLE_FORMATS, json_bytes, media_type_asked
from service.errors import Fault, MalformedInput
from service.rendering.table import csv_text, ndjson_text
from service.schemas.columns import columns_of
from service.store.session import Reading

DEFAULT_CONFIDENCE: Final = 0.9
AS_OF: Final = query.day("as_of", "The date of the answer; today (UTC) where it is left out.")
CURRENCY: Final = query.currency("currency", "The currency of the answer; the workshop's own where it is left out.")
STATE: Final = query.whole(
    "state",
    "The state of the workshop to answer from, as rests_on tells it, so that an earlier answer is given again. The "
    "present one where it is left out. The date of the answer is as_of all the same: today, unless it is given.",
    least=1,
    most=2**53 - 1,
)
LABOUR: Final = query.yes_or_no("labour", "Count hours of labour at the rate of their day.")
_FORMAT: Final = "The form of the answer; goes before Accept."
# A picture brings its own style and nothing else: opened by itself it may load, run and frame nothing.
_PICTURE_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"

Compute = Callable[[Book], dict[str, Any]]
Picture = Callable[[Book], str]


def answered(call: Call, method: str, compute: Compute, picture: Picture | None = None) -> Response:
    """Answer from one snapshot; what the asker holds already is told unchanged before anything is computed.

    ``picture`` draws the answer, None where it has no picture.
    """
    offered = [FORMATS[name] for name in (*TABLE_FORMATS, *(("svg",) if picture else ()))]
    media_type = media_type_asked(call.query["format"], offered)
    asked = {**call.query, "as_of": as_of(call), "state": None}  # the state is a part of the tag by itself
    with call.service.database.reading(call.who.workshop_id) as reading:
        state = _state_asked(call, reading)
        tag = tag_of(reading.workshop_id, state, request.path, canonical(asked), media_type, method)
        unchanged = not_modified(tag)
        if unchanged is not None:
            return unchanged
        with _book_at(call, reading, state) as book:
            if media_type == SVG and picture is not None:
                drawn = Response(picture(book), content_type=f"{SVG}; charset=utf-8")
                drawn.headers["Content-Security-Policy"] = _PICTURE_POLICY
                return with_tag(drawn, tag)
            answer = compute(book)
    if media_type == JSON:
        return with_tag(Response(json_bytes(answer), content_type=JSON), tag)
    rows = answer[call.query["table"]]
    # Without a row nothing shows which columns there are: the shape of the answer does.
    columns = None if rows else columns_of(call.shape, call.query["table"])
    rendered = csv_text(rows, columns) if media_type == CSV else ndjson_text(rows)
    return with_tag(Response(rendered, content_type=f"{media_type}; charset=utf-8"), tag)


def _state_asked(call: Call, reading: Reading) -> int:
    """Return the state that was asked for, else the present one; raise :class:`MalformedInput` for one yet to come."""
    asked: int | None = call.query["state"]
    if asked is None:
        return reading.state
    refuse_state_to_come("state", asked, reading.state)
    return asked


def refuse_state_to_come(parameter: str, asked: int, present: int) -> None:
    """Raise :class:`MalformedInput` where a parameter names a state that the workshop has not reached."""
    if asked > present:
        detail = f"state {asked} is yet to come: the workshop is at state {present}"
        raise MalformedInput(
            [Fault("bad-parameter", detail, asked, f"a whole number up to {present}", parameter=parameter)]
        )


@contextmanager
def book_asked(call: Call) -> Iterator[Book]:
    """One snapshot of the book as of the state that was asked for, else the present one."""
    with (
        call.service.database.reading(call.who.workshop_id) as reading,
        _book_at(call, reading, _state_asked(call, reading)) as book,
    ):
        yield book


@contextmanager
def _book_at(call: Call, reading: Reading, state: int) -> Iterator[Book]:
    """The book as it stands, or as it stood."""
    if state == reading.state:
        yield Book(reading, call.service.memory)
        return
    with call.service.past.reading(reading, state) as (earlier, memory):
        yield Book(earlier, memory)


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
    *,
    picture: bool = False,
    names_records: bool = False,
) -> Operation:
    """Return a GET of an answer; ``tables`` are its arrays that a CSV may hold, ``picture`` says that it is drawn.

    With ``names_records`` its query names records that there may not be, as the address of most answers does.
    """
    table = query.choice("table", "Which array of the answer a CSV or NDJSON holds.", tables, default=tables[0])
    content = {JSON: schema, CSV: {"type": "string"}, NDJSON: {"type": "string"}}
    if picture:
        content[SVG] = {"type": "string"}
    forms = query.choice("format", _FORMAT, (*TABLE_FORMATS, *(("svg",) if picture else ())))
    return Operation(
        id=id,
        method="GET",
        rule=rule,
        tag="answers",
        summary=summary,
        description=description,
        view=view,
        answers={200: Answer(summary + ".", content, ("ETag",)), 304: Answer("What is held already still stands.")},
        parameters=(*parameters, AS_OF, STATE, forms, table),
        fields=("If-None-Match",),
        problems=(HTTPStatus.UNPROCESSABLE_ENTITY, *((HTTPStatus.NOT_FOUND,) if names_records else ())),
    )
