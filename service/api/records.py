"""The operations on records, the same seven for every kind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from http import HTTPStatus
from typing import Final

from service.api import query
from service.api import record_views as views
from service.api.operation import Answer, Operation
from service.api.paging import page_parameters, sort_parameter
from service.api.query import Parameter
from service.api.wire import JSON
from service.schemas.answers import PAGES, RECORD_ANSWERS, ReplyTold, RevisionAnswer
from service.schemas.kinds import KINDS, SCHEMAS, WORKSHOP, singular
from service.schemas.moves import MovedLots
from service.store.listing import LISTED, filters_of

_CODES: Final = frozenset({"code", "material", "supplier", "project", "route", "step", "lot", "analyte", "product"})
"""Filters whose values are codes."""
CONFLICTS: Final = (HTTPStatus.CONFLICT, HTTPStatus.PRECONDITION_FAILED, HTTPStatus.PRECONDITION_REQUIRED)
"""What a write of an existing record can run into."""
PRICES: Final = ("offers", "rates", "exchange-rates", "routes")
"""Kinds to which nothing needs to refer where something costs by them."""
_REMOVED: Final[Mapping[int, Answer]] = {
    HTTPStatus.OK: Answer("It is removed, and these lots cost otherwise by it.", {JSON: MovedLots}),
    HTTPStatus.NO_CONTENT: Answer("It is removed, and nothing costs otherwise by it."),
}
_REVISION_PAGE: Final = {
    "type": "object",
    "required": ["items", "next", "limit"],
    "properties": {
        "items": {"type": "array", "items": RevisionAnswer},
        "next": {"type": ["string", "null"]},
        "limit": {"type": "integer"},
        "replies": {"type": "array", "items": ReplyTold},
    },
}


def _filter(name: str, what: str) -> Parameter:
    if what == "date":
        end = {"from": "On or after this date.", "to": "On or before this date."}
        return query.day(name, end.get(name.rpartition("_")[2], "On this date."))
    if what == "flag":
        return query.choice(name, "Only those that are so, or are not.", ("true", "false"))
    if name in _CODES:
        known = " It must be there." if name in views.NAMED else ""
        return query.code(name, f"Only of this {name}; several are alternatives.{known}", repeated=True)
    return query.text(name, f"Only with this {name}, exactly; given several times, alternatives.", repeated=True)


def _fields_parameter(kind: str) -> Parameter:
    schema = RECORD_ANSWERS[kind]()
    names = sorted({"code", "etag"} | {field.data_key or name for name, field in schema.fields.items()})

    def read(text: str) -> str:
        if text not in names:
            raise ValueError(text)
        return text

    expected = f"names among {', '.join(names)}"
    told = "Only these keys of each item, beside its code."
    return Parameter("fields", told, read, expected, {"type": "string", "enum": names}, repeated=True)


def _of_kind(kind: str) -> Sequence[Operation]:
    one, record = singular(kind), SCHEMAS[kind]
    path, by_code = f"/v1/{kind}", f"/v1/{kind}/<code>"
    name, names = one.replace("-", "_"), kind.replace("-", "_")
    told = {JSON: RECORD_ANSWERS[kind]}
    unchanged = Answer("What is held already still stands.")
    made = Answer(f"The {one} was made.", told, ("ETag", "Location"))
    an = "an" if one[0] in "aeiou" else "a"
    return (
        Operation(
            id=f"list_{names}",
            method="GET",
            rule=path,
            tag="records",
            summary=f"List {kind}",
            description=f"The {kind} of the workshop, page by page, filtered and sorted. New records do not move a "
            "page that a cursor leads to.",
            view=partial(views.list_records, kind=kind),
            answers={200: Answer("One page.", {JSON: PAGES[kind]}, ("ETag", "Link")), 304: unchanged},
            parameters=(
                *(_filter(*each) for each in filters_of(kind).items()),
                sort_parameter(tuple(LISTED[kind])),
                *page_parameters(),
                _fields_parameter(kind),
                query.yes_or_no("count", "Count all that pass the filters."),
            ),
            fields=("If-None-Match",),
            problems=(HTTPStatus.NOT_FOUND,) if views.NAMED.keys() & filters_of(kind).keys() else (),
        ),
        Operation(
            id=f"post_{name}",
            method="POST",
            rule=path,
            tag="records",
            summary=f"Write {an} {one} under a code that the service makes",
            description="With Idempotency-Key the same request finds the same record again.",
            view=partial(views.post_new_record, kind=kind),
            answers={201: Answer(made.description, told, ("ETag", "Location", "Idempotent-Replayed"))},
            scope="record",
            fields=("Idempotency-Key",),
            body={JSON: record},
            problems=(HTTPStatus.CONFLICT,),
        ),
        Operation(
            id=f"get_{name}",
            method="GET",
            rule=by_code,
            tag="records",
            summary=f"Read {an} {one}",
            description="What was recorded as it was recorded, and what follows from it in fixed units.",
            view=partial(views.read_record, kind=kind),
            answers={200: Answer(f"The {one}.", told, ("ETag",)), 304: unchanged},
            fields=("If-None-Match",),
        ),
        Operation(
            id=f"put_{name}",
            method="PUT",
            rule=by_code,
            tag="records",
            summary=f"Write {an} {one} by its code",
            description="Safe to repeat: a body equal to the record changes nothing. A differing one needs If-Match. "
            "The answer tells under moved_runs and moved_lots what else gives or costs something else by it.",
            view=partial(views.write_record, kind=kind),
            answers={200: Answer(f"The {one} as it stands now.", told, ("ETag",)), 201: made},
            scope="record",
            fields=("If-Match", "If-None-Match"),
            body={JSON: record},
            problems=CONFLICTS,
        ),
        Operation(
            id=f"delete_{name}",
            method="DELETE",
            rule=by_code,
            tag="records",
            summary=f"Remove {an} {one}",
            description="Refused while something refers to it. Its revisions stay.",
            view=partial(views.remove_record, kind=kind),
            answers=_REMOVED if kind in PRICES else {204: Answer("It is removed.")},
            scope="record",
            fields=("If-Match",),
            problems=CONFLICTS,
        ),
        Operation(
            id=f"list_{name}_revisions",
            method="GET",
            rule=f"{by_code}/revisions",
            tag="records",
            summary=f"Look back at {an} {one}",
            description="Every revision, the newest first: what was written, by whom, when and why.",
            view=partial(views.list_revisions, kind=kind),
            answers={200: Answer("One page.", {JSON: _REVISION_PAGE}, ("ETag", "Link")), 304: unchanged},
            parameters=page_parameters(),
            fields=("If-None-Match",),
        ),
        Operation(
            id=f"get_{name}_revision",
            method="GET",
            rule=f"{by_code}/revisions/<number>",
            tag="records",
            summary=f"Read one revision of {an} {one}",
            description="What the record was from that revision on; null where it was removed.",
            view=partial(views.read_revision, kind=kind),
            answers={200: Answer("The revision.", {JSON: RevisionAnswer}, ("ETag",)), 304: unchanged},
            fields=("If-None-Match",),
        ),
    )


def operations() -> Sequence[Operation]:
    """Return the operations on records of every kind but the workshop's own."""
    return tuple(operation for kind in KINDS if kind != WORKSHOP for operation in _of_kind(kind))
