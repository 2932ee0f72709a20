"""The workshop's own record, and the tokens that open it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from functools import partial
from http import HTTPStatus
from typing import Any, Final

from flask import Response

from service.api import record_views as views
from service.api.conditional import not_modified, tag_of, with_tag
from service.api.operation import Answer, Call, Operation
from service.api.records import CONFLICTS
from service.api.wire import JSON, json_body, json_response, media_type_asked
from service.errors import Fault, InvalidInput
from service.schemas.answers import RECORD_ANSWERS
from service.schemas.kinds import SCHEMAS, WORKSHOP
from service.store.tokens import authenticate, create_token, list_tokens, revoke_token

_LONGEST_NAME: Final = 100
_SCOPES: Final = ("read", "record", "manage")
_TOKEN_ASKED: Final = {
    "type": "object",
    "required": ["scope"],
    "additionalProperties": False,
    "properties": {
        "scope": {"type": "string", "enum": list(_SCOPES)},
        "name": {"type": ["string", "null"], "minLength": 1, "maxLength": _LONGEST_NAME},
        "expires_at": {"type": ["string", "null"], "format": "date-time", "description": "RFC 3339, with its zone"},
    },
}
_TEXT_OR_NULL: Final = {"type": ["string", "null"]}
_TOKEN_TOLD: Final = {
    "type": "object",
    "required": ["code", "name", "scope", "made_at", "expires_at", "revoked_at"],
    "properties": {
        "code": {"type": "string", "description": "what it is revoked by; not the token itself"},
        "name": {"type": "string"},
        "scope": {"type": "string"},
        "made_at": {"type": "string", "format": "date-time"},
        "expires_at": _TEXT_OR_NULL,
        "revoked_at": _TEXT_OR_NULL,
    },
}
_TOKEN_MADE: Final = {
    "type": "object",
    "required": ["token", *_TOKEN_TOLD["required"]],
    "properties": {"token": {"type": "string", "description": "told this once"}, **_TOKEN_TOLD["properties"]},  # type: ignore[dict-item]
}
_TOKENS_TOLD: Final = {
    "type": "object",
    "required": ["items"],
    "properties": {"items": {"type": "array", "items": _TOKEN_TOLD}},
}


def _tokens(call: Call) -> dict[str, dict[str, Any]]:
    return {
        entry.token_id: {
            "code": entry.token_id,
            "name": entry.name,
            "scope": entry.scope,
            "made_at": entry.made_at,
            "expires_at": entry.expires_at,
            "revoked_at": entry.revoked_at,
        }
        for entry in list_tokens(call.service.database, call.who.workshop_id)
    }


def _list_tokens(call: Call) -> Response:
    media_type_asked(None)
    told = {"items": list(_tokens(call).values())}
    tag = tag_of(told)
    return not_modified(tag) or with_tag(json_response(told), tag)


def _post_token(call: Call) -> Response:
    scope, name, expires_at = _asked_token(json_body(call.service.body_limit_bytes), call.service.now())
    database, now = call.service.database, call.service.now()
    token = create_token(database, call.who.workshop, scope, name, expires_at, at=now)
    code = authenticate(database, token, now).token_id
    told = {"token": token, **_tokens(call)[code]}
    return json_response(told, HTTPStatus.CREATED, {"Location": f"/v1/tokens/{code}"})


def _asked_token(body: Any, now: dt.datetime) -> tuple[str, str | None, dt.datetime | None]:
    expected = "an object with scope, perhaps name and expires_at"
    if not isinstance(body, Mapping):
        raise InvalidInput([Fault("wrong-type", f"the body is not {expected}", expected=expected, pointer="")])
    faults = [
        Fault("unknown-key", f"a token has no {str(key)[:64]!r}", expected=expected, pointer=f"/{str(key)[:64]}")
        for key in body
        if key not in ("scope", "name", "expires_at")
    ]
    scope, name, until = body.get("scope"), body.get("name"), body.get("expires_at")
    if scope not in _SCOPES:
        scopes = " or ".join(_SCOPES)
        faults.append(Fault("unknown-scope", f"the scope is {scopes}", str(scope)[:64], scopes, pointer="/scope"))
    if name is not None and not (
        isinstance(name, str) and 0 < len(name.strip()) <= _LONGEST_NAME and name.isprintable()
    ):
        expected = f"a text of 1 to {_LONGEST_NAME} characters"
        faults.append(Fault("bad-name", f"the name is {expected}", str(name)[:64], expected, pointer="/name"))
    expires_at = None
    if until is not None:
        try:
            expires_at = dt.datetime.fromisoformat(until)
            good = expires_at.tzinfo is not None and expires_at.astimezone(dt.UTC) > now
        except (TypeError, ValueError, OverflowError):
            good = False
        if not good:
            expected = "a time to come with its zone, such as 2027-01-31T18:00:00Z"
            fault = Fault("bad-time", f"expires_at is {expected}", str(until)[:64], expected, pointer="/expires_at")
            faults.append(fault)
    if faults:
        raise InvalidInput(faults)
    return str(scope), name, expires_at


def _delete_token(call: Call, code: str) -> Response:
    revoke_token(call.service.database, call.who.workshop_id, code, call.service.now())
    return Response(status=HTTPStatus.NO_CONTENT)


def operations() -> Sequence[Operation]:
    """Return the operations on the workshop itself."""
    told = {JSON: RECORD_ANSWERS[WORKSHOP]}
    unchanged = Answer("What is held already still stands.")
    return (
        Operation(
            id="get_workshop",
            method="GET",
            rule="/v1/workshop",
            tag="workshop",
            summary="Read the workshop's own record",
            description="Its book currency, its room, the limits that it keeps for itself.",
            view=partial(views.read_record, kind=WORKSHOP, code=WORKSHOP),
            answers={200: Answer("The workshop.", told, ("ETag",)), 304: unchanged},
            fields=("If-None-Match",),
        ),
        Operation(
            id="put_workshop",
            method="PUT",
            rule="/v1/workshop",
            tag="workshop",
            summary="Write the workshop's own record",
            description="A body equal to the record changes nothing. A differing one needs If-Match.",
            view=partial(views.write_record, kind=WORKSHOP, code=WORKSHOP),
            answers={200: Answer("The workshop as it stands now.", told, ("ETag",))},
            scope="manage",
            fields=("If-Match",),
            body={JSON: SCHEMAS[WORKSHOP]},
            problems=CONFLICTS,
        ),
        Operation(
            id="list_tokens",
            method="GET",
            rule="/v1/tokens",
            tag="workshop",
            summary="List the tokens of the workshop",
            description="All that were made, the revoked and expired ones too; never the tokens themselves.",
            view=_list_tokens,
            answers={200: Answer("The tokens.", {JSON: _TOKENS_TOLD}, ("ETag",)), 304: unchanged},
            scope="manage",
            fields=("If-None-Match",),
        ),
        Operation(
            id="post_token",
            method="POST",
            rule="/v1/tokens",
            tag="workshop",
            summary="Make a token",
            description="The answer is the only one that tells it; only its digest is kept.",
            view=_post_token,
            answers={201: Answer("The token was made.", {JSON: _TOKEN_MADE}, ("Location",))},
            scope="manage",
            body={JSON: _TOKEN_ASKED},
        ),
        Operation(
            id="delete_token",
            method="DELETE",
            rule="/v1/tokens/<code>",
            tag="workshop",
            summary="Revoke a token",
            description="It opens nothing from now on.",
            view=_delete_token,
            answers={204: Answer("It is revoked.")},
            scope="manage",
        ),
    )
