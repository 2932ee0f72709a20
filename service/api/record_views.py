"""What is done with a record of any kind: list, read, write by code or under a made code, remove, look back."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from importlib.metadata import version
from typing import Any, Final

from flask import Response, request

from service.answer.book import Book
from service.answer.credits import refuse_credits_above_cost
from service.answer.finding_replies import replies_on
from service.answer.records import view, views, with_cost
from service.answer.snapshot import Memory
from service.api.conditional import not_modified, tag_of, tag_of_body, tags_in, with_tag
from service.api.idempotency import idempotency_key
from service.api.moves import looked_before, lots_moved, runs_moved
from service.api.operation import Call
from service.api.paging import cursor_after, page_of, place_of
from service.api.query import canonical
from service.api.wire import json_body, json_bytes, json_response, media_type_asked, sent
from service.errors import Fault, MalformedInput, UnknownRecord
from service.record.put import post_record, put_record
from service.record.remove import delete_record
from service.record.written import Written
from service.schemas.kinds import singular
from service.store import records
from service.store.listing import LISTED, count, filters_of, page
from service.store.records import StoredRecord
from service.store.session import Reading

NAMED: Final[Mapping[str, str]] = {
    "analyte": "materials", "lot": "lots", "material": "materials", "product": "materials", "project": "projects",
    "route": "routes", "supplier": "suppliers",
}  # fmt: skip
"""Filters of lists that name records of another kind: what names none is asked by mistake."""


# ---- reading


def _told(call: Call, reading: Reading, stored: StoredRecord) -> dict[str, Any]:
    return view(Book(reading, call.service.memory), stored)


def _stored(reading: Reading, kind: str, code: str) -> StoredRecord:
    found = records.current(reading, kind, code)
    if found is None and kind == "lots":
        # A lot that a run or a pool makes has no record of its own; the list knows it all the same.
        found = next(iter(page(reading, kind, {"code": [code]}, (), None, 1).records), None)
    if found is None:
        raise Book(reading, Memory()).unknown(kind, code)
    return found


def tag_of_record(stored: StoredRecord, body: bytes) -> str:
    """Return the tag of a record as it is read: its own version, then what is derived of others.

    The part before the dot is what a write must name; the whole changes too where a balance or a cost does.
    """
    return f"{stored.etag}.{tag_of_body(body)[:12]}"


def read_record(call: Call, kind: str, code: str) -> Response:
    """Answer with one record."""
    media_type_asked(None)
    with call.service.database.reading(call.who.workshop_id) as reading:
        stored = _stored(reading, kind, code)
        told = _told(call, reading, stored)
        if kind == "runs":
            told = with_cost(Book(reading, call.service.memory), told, call.service.now().date())
    body = json_bytes(told)
    tag = tag_of_record(stored, body)
    return not_modified(tag) or with_tag(sent(body), tag)


def list_records(call: Call, kind: str) -> Response:
    """Answer with one page of the records of a kind."""
    media_type_asked(None)
    asked = call.query
    filters = {name: _values(asked[name]) for name in filters_of(kind) if asked[name] not in (None, ())}
    order = asked["sort"]
    keys = [name for name, _ in order] + ["code"] * all(name != "code" for name, _ in order)
    after = None
    if asked["cursor"] is not None:
        after = place_of(asked["cursor"], order, [int if LISTED[kind][name] == "flag" else str for name in keys])
    with call.service.database.reading(call.who.workshop_id) as reading:
        tag = tag_of(reading.workshop_id, reading.state, request.full_path, canonical(asked), version("weighbook"))
        unchanged = not_modified(tag)
        if unchanged is not None:
            return unchanged
        book = Book(reading, call.service.memory)
        for name, codes in filters.items():
            if name in NAMED:
                book.require(NAMED[name], codes)
        found = page(reading, kind, filters, order, after, asked["limit"])
        items = views(book, found.records)
        more = {"count": count(reading, kind, filters)} if asked["count"] else {}
    if asked["fields"]:
        kept = {"code", *asked["fields"]}
        items = [{name: value for name, value in item.items() if name in kept} for item in items]
    cursor = None if found.after is None else cursor_after(order, found.after)
    told, headers = page_of(items, asked["limit"], cursor, **more)
    response = json_response(told, headers=headers)
    return with_tag(response, tag)


def _values(asked: Any) -> list[str]:
    return [str(value) for value in (asked if isinstance(asked, tuple) else (asked,))]


def list_revisions(call: Call, kind: str, code: str) -> Response:
    """Answer with the revisions of a record, the newest first."""
    media_type_asked(None)
    with call.service.database.reading(call.who.workshop_id) as reading:
        found = records.history(reading, kind, code)
        answered = replies_on(reading, kind, code)
    if not found:
        raise UnknownRecord(f"this workshop never had a {singular(kind)} with the code {code}")
    cursor = call.query["cursor"]
    before = found[0].revision + 1 if cursor is None else place_of(cursor, (), (int,))[0]
    rest = [stored for stored in found if stored.revision < before]
    limit = call.query["limit"]
    following = cursor_after((), [rest[limit - 1].revision]) if len(rest) > limit else None
    told, headers = page_of([_revision_told(stored) for stored in rest[:limit]], limit, following, replies=answered)
    body = json_bytes(told)
    tag = tag_of_body(body)
    return not_modified(tag) or with_tag(sent(body, headers=headers), tag)


def read_revision(call: Call, kind: str, code: str, number: str) -> Response:
    """Answer with one revision of a record."""
    media_type_asked(None)
    found = None
    if number.isascii() and number.isdigit() and len(number) <= 9:
        with call.service.database.reading(call.who.workshop_id) as reading:
            found = records.at_revision(reading, kind, code, int(number))
    if found is None:
        raise UnknownRecord(f"the {singular(kind)} {code} has no revision {number}")
    told = _revision_told(found)
    tag = tag_of(told)
    return not_modified(tag) or with_tag(json_response(told), tag)


def _revision_told(stored: StoredRecord) -> dict[str, Any]:
    return {
        "kind": stored.kind,
        "code": stored.code,
        "revision": stored.revision,
        "state": stored.state,
        "at": stored.at,
        "by": stored.by,
        "reason": stored.reason,
        "record": None if stored.deleted else stored.body,
    }


# ---- writing


def _if_match() -> str | None:
    """Return If-Match with the versions that a write knows, ``*`` for any; None where there is none."""
    field = request.headers.get("If-Match")
    if field is None:
        return None
    versions = sorted({tag.partition(".")[0] for tag in tags_in(field)})
    if not versions:
        detail = "If-Match cannot be read: it takes the ETag as it was given, in its quotes, or *"
        raise MalformedInput([Fault("bad-if-match", detail, field[:64], 'an ETag such as "r3", or *')])
    return "*" if "*" in versions else ", ".join(f'"{each}"' for each in versions)


def _create_only() -> bool:
    field = request.headers.get("If-None-Match")
    if field is None:
        return False
    if field.strip() != "*":
        detail = "If-None-Match on a write takes only *, to create and never to change"
        raise MalformedInput([Fault("bad-if-none-match", detail, field[:64], "*")])
    return True


def write_record(call: Call, kind: str, code: str) -> Response:
    """Write the record of that code, and answer with it."""
    written = put_record(
        call.service.database,
        call.who.workshop_id,
        kind,
        code,
        json_body(call.service.body_limit_bytes),
        if_match=_if_match(),
        if_none_match=_create_only(),
        by=call.who.name,
        at=call.service.now(),
        token=call.who.token_id,
        tell=lambda writing, written: _standing(call, writing, written),
        look=looked_before,
    )
    return _written(call, written)


def post_new_record(call: Call, kind: str) -> Response:
    """Write a record under a code that the service makes; with an Idempotency-Key only once."""
    written = post_record(
        call.service.database,
        call.who.workshop_id,
        kind,
        json_body(call.service.body_limit_bytes),
        idempotency_key=idempotency_key(),
        by=call.who.name,
        at=call.service.now(),
        token=call.who.token_id,
        tell=lambda writing, written: _standing(call, writing, written),
        look=looked_before,
    )
    response = _written(call, written, HTTPStatus.CREATED)
    if written.replayed:
        response.headers["Idempotent-Replayed"] = "true"
    return response


def _standing(call: Call, reading: Reading, written: Written) -> tuple[StoredRecord, dict[str, Any], dict[str, Any]]:
    """The record as it stands after a write, as it is read, and the lots that cost otherwise by it."""
    stored = written.stored or _stored(reading, written.kind, written.code)
    if written.kind == "runs" and written.changed:
        refuse_credits_above_cost(Book(reading, Memory()), stored)
    return (
        stored,
        view(Book(reading, call.service.memory), stored, written.outcome, written.left),
        lots_moved(reading, written),
    )


def _written(call: Call, written: Written, status: int | None = None) -> Response:
    """Tell of the record as it stands after a write, and which other runs and whose costs came out different."""
    if written.told is not None:
        stored, told, moved_lots = written.told
    else:
        with call.service.database.reading(call.who.workshop_id) as reading:
            stored, told, moved_lots = _standing(call, reading, written)
    body = json_bytes(told)
    tag = tag_of_record(stored, body)
    if written.moved:
        moved_lots = {"moved": list(written.moved), **runs_moved(written.moves), **moved_lots}
    if status is None:
        status = HTTPStatus.CREATED if written.created else HTTPStatus.OK
    response = with_tag(sent(json_bytes({**told, **moved_lots}) if moved_lots else body, status), tag)
    if status == HTTPStatus.CREATED:
        response.headers["Location"] = f"/v1/{written.kind}/{written.code}"
    return response


def remove_record(call: Call, kind: str, code: str) -> Response:
    """Remove a record; its revisions stay. Only where lots cost otherwise by it is there something to tell."""
    written = delete_record(
        call.service.database,
        call.who.workshop_id,
        kind,
        code,
        if_match=_if_match(),
        by=call.who.name,
        at=call.service.now(),
        token=call.who.token_id,
        tell=lots_moved,
        look=looked_before,
    )
    return json_response(written.told) if written.told else Response(status=HTTPStatus.NO_CONTENT)
