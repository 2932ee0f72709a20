"""The feed of changes: every revision in the order in which it was written, for who keeps a copy of the records."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version

from flask import Response, request

from service.api import query
from service.api.answered import refuse_state_to_come
from service.api.conditional import not_modified, tag_of, with_tag
from service.api.operation import Answer, Call, Operation
from service.api.paging import cursor_after, page_of, page_parameters, place_of
from service.api.query import canonical
from service.api.wire import JSON, json_response, media_type_asked
from service.schemas.change_answers import ChangesAnswer
from service.store import records
from service.store.records import Changed

_SINCE = query.whole(
    "since",
    "The state of the workshop that is known already, as the page before told it; 0 or left out: all that ever was.",
    least=0,
    most=2**53 - 1,
    default=0,
)


def _changes(call: Call) -> Response:
    media_type_asked(None)
    asked = call.query
    since, limit = asked["since"], asked["limit"]
    after = (0, 0) if asked["cursor"] is None else place_of(asked["cursor"], (), (int, int))
    with call.service.database.reading(call.who.workshop_id) as reading:
        refuse_state_to_come("since", since, reading.state)
        tag = tag_of(reading.workshop_id, reading.state, request.path, canonical(asked), version("weighbook"))
        if unchanged := not_modified(tag):
            return unchanged
        found = records.changes(reading, since, limit + 1, (after[0], after[1]))
    shown = found[:limit]
    cursor = cursor_after((), shown[-1][0]) if len(found) > limit else None
    told, headers = page_of([_told(changed) for _, changed in shown], limit, cursor, since=since, state=reading.state)
    return with_tag(json_response(told, headers=headers), tag)


def _told(changed: Changed) -> dict[str, object]:
    return {
        "kind": changed.kind,
        "code": changed.code,
        "revision": changed.revision,
        "state": changed.state,
        "removed": changed.deleted,
        "at": changed.at,
        "by": changed.by,
    }


def operations() -> Sequence[Operation]:
    """Return the operation that tells of changes."""
    return (
        Operation(
            id="list_changes",
            method="GET",
            rule="/v1/changes",
            tag="records",
            summary="What was written since a state",
            description="Every revision after that state in the order of writing, removals among them, none left out. "
            "To keep a copy: follow next to its end, and ask again with the state of the last page.",
            view=_changes,
            answers={
                200: Answer("One page.", {JSON: ChangesAnswer}, ("ETag", "Link")),
                304: Answer("What is held already still stands."),
            },
            parameters=(_SINCE, *page_parameters()),
            fields=("If-None-Match",),
        ),
    )
