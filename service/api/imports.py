"""Many records at once, what came of it, and the table to fill in."""

from __future__ import annotations

from collections.abc import Sequence
from http import HTTPStatus
from typing import Final

from flask import Response

from service.answer.book import Book
from service.answer.import_findings import import_findings
from service.answer.templates import weighings_template
from service.api import query
from service.api.conditional import not_modified, tag_of, with_tag
from service.api.moves import ImportWatch
from service.api.operation import Answer, Call, Operation
from service.api.wire import CSV, JSON, NDJSON, body_bytes, body_media_type, json_response, media_type_asked
from service.record.importing import import_records, import_report
from service.schemas.import_answers import ImportAnswer

_TAKEN: Final = (JSON, NDJSON, CSV)


def _import(call: Call) -> Response:
    media_type = body_media_type(_TAKEN)
    asked = call.query
    report = import_records(
        call.service.database,
        call.who.workshop_id,
        body_bytes(call.service.import_limit_bytes),
        media_type,
        dry_run=asked["dry_run"],
        replace=asked["replace"],
        may_change_workshop=call.who.may("manage"),
        by=call.who.name,
        at=call.service.now(),
        token=call.who.token_id,
        watch=ImportWatch,
    )
    with call.service.database.reading(call.who.workshop_id) as reading:
        report |= import_findings(Book(reading, call.service.memory), report)
    headers = {} if asked["dry_run"] else {"Location": f"/v1/imports/{report['code']}"}
    return json_response(report, HTTPStatus.OK if asked["dry_run"] else HTTPStatus.CREATED, headers)


def _report(call: Call, code: str) -> Response:
    media_type_asked(None)
    with call.service.database.reading(call.who.workshop_id) as reading:
        told = import_report(reading, code)
        told |= import_findings(Book(reading, call.service.memory), told)
    tag = tag_of(told)
    return not_modified(tag) or with_tag(json_response(told), tag)


def _template(call: Call) -> Response:
    with call.service.database.reading(call.who.workshop_id) as reading:
        table = weighings_template(Book(reading, call.service.memory), call.query["route"])
    tag = tag_of(table)
    response = with_tag(Response(table, content_type=f"{CSV}; charset=utf-8"), tag)
    response.headers["Content-Disposition"] = 'attachment; filename="weighings.csv"'
    return not_modified(tag) or response


def operations() -> Sequence[Operation]:
    """Return the operations on many records at once."""
    line = {
        "type": "object",
        "required": ["kind", "code", "record"],
        "properties": {"kind": {"type": "string"}, "code": {"type": "string"}, "record": {"type": "object"}},
    }
    return (
        Operation(
            id="post_import",
            method="POST",
            rule="/v1/imports",
            tag="imports",
            summary="Write many records at once",
            description="All of them or none. Records of any kind in any order; a file sent again changes nothing.",
            view=_import,
            answers={
                200: Answer("What would be written, of a dry run.", {JSON: ImportAnswer}),
                201: Answer("What was written.", {JSON: ImportAnswer}, ("Location",)),
            },
            scope="record",
            parameters=(
                query.yes_or_no("dry_run", "Check everything and write nothing."),
                query.yes_or_no("replace", "Write over records that differ; else they are refused."),
            ),
            body={JSON: {"type": "array", "items": line}, NDJSON: {"type": "string"}, CSV: {"type": "string"}},
            problems=(HTTPStatus.CONFLICT,),
        ),
        Operation(
            id="get_import",
            method="GET",
            rule="/v1/imports/<code>",
            tag="imports",
            summary="Read what came of an import",
            description="The report that the import answered with; what looks wrong in its runs, as they are now.",
            view=_report,
            answers={
                200: Answer("The report.", {JSON: ImportAnswer}, ("ETag",)),
                304: Answer("What is held already still stands."),
            },
            fields=("If-None-Match",),
        ),
        Operation(
            id="get_weighings_template",
            method="GET",
            rule="/v1/templates/weighings",
            tag="imports",
            summary="The table of weighings to fill in",
            description="A CSV with a line for each charge and outturn of every step; filled in, it is imported.",
            view=_template,
            answers={200: Answer("The table.", {CSV: {"type": "string"}}, ("ETag",))},
            parameters=(query.code("route", "The route whose runs are to be written down.", required=True),),
            problems=(HTTPStatus.NOT_FOUND,),
        ),
    )
