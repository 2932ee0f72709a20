"""Who may ask what: the table is made from the operations themselves, so that none can be forgotten."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Any

import pytest
from flask.testing import FlaskClient

from service.api.operation import Operation
from service.api.operations import all_operations
from service.store.session import Database
from service.store.tokens import create_token, find_workshop, revoke_token
from service.store.tokens import list_tokens as tokens_of
from tests.api.conftest import AppOf

OPERATIONS = all_operations()
OPEN = {
    "read_live", "read_ready", "read_about", "read_openapi", "read_docs", "read_docs_file", "read_problem",
}  # fmt: skip
COMPUTING = {"balance_reaction", "ask_what_if", "ask_carry_on"}  # a body is sent, and no record is written
LEVELS = {"read": 0, "record": 1, "manage": 2}
NOW = dt.datetime.now(dt.UTC)


@dataclass(frozen=True)
class Identity:
    """What one asker sends, and what it may do at most: None where it is nobody."""

    name: str
    authorization: str | None
    level: int | None


def test_only_these_answer_without_a_token() -> None:
    assert {operation.id for operation in OPERATIONS if operation.scope is None} == OPEN


def test_what_computes_needs_the_scope_to_read_and_what_writes_needs_more() -> None:
    scopes = {operation.id: operation.scope for operation in OPERATIONS}
    asking = {operation.id for operation in OPERATIONS if operation.method == "GET"}
    assert {scope for name, scope in scopes.items() if name in asking and name not in OPEN} == {"read", "manage"}
    assert {name for name in asking if scopes[name] == "manage"} == {"list_tokens"}
    assert {name for name, scope in scopes.items() if scope == "read" and name not in asking} == COMPUTING
    assert all(scopes[name] in ("record", "manage") for name in scopes.keys() - asking - COMPUTING)


@pytest.fixture
def asked(app_of: AppOf, database: Database, workshop: str) -> tuple[FlaskClient, list[Identity]]:
    """A client without a token, and everybody who may come."""

    def token(scope: str, **more: Any) -> str:
        return "Bearer " + create_token(database, workshop, scope, **more)

    revoked = token("manage", name="revoked")
    workshop_id = find_workshop(database, workshop)
    (entry,) = [entry for entry in tokens_of(database, workshop_id) if entry.name == "revoked"]
    revoke_token(database, workshop_id, entry.token_id, NOW)
    nobody = {
        "no token": None,
        "garbage": "Bearer wb_garbage-garbage-garbage-garbage",
        "basic": "Basic d2VpZ2hib29rOndlaWdoYm9vaw==",
        "expired": token("manage", expires_at=NOW - dt.timedelta(seconds=1)),
        "revoked": revoked,
    }
    identities = [Identity(name, sent, None) for name, sent in nobody.items()]
    identities += [Identity(scope, token(scope), level) for scope, level in LEVELS.items()]
    return app_of().test_client(), identities


def path_of(operation: Operation) -> str:
    """An address that the operation answers, whether or not there is anything."""
    return re.sub("<[a-z_]+>", "1", operation.rule)


def test_everybody_at_every_operation(asked: tuple[FlaskClient, list[Identity]]) -> None:
    client, identities = asked
    wrong = []
    for operation in OPERATIONS:
        for identity in identities:
            headers = {} if identity.authorization is None else {"Authorization": identity.authorization}
            # A parameter that nothing knows stops each request that was let in before it does anything.
            told = client.open(f"{path_of(operation)}?stop=here", method=operation.method, headers=headers)
            if operation.scope is None or (identity.level is not None and identity.level >= LEVELS[operation.scope]):
                expected = 400
            else:
                expected = 401 if identity.level is None else 403
            if told.status_code != expected:
                wrong.append((operation.id, identity.name, told.status_code, expected))
    assert not wrong


def test_another_workshop_sees_nothing(app_of: AppOf, database: Database, workshop: str, bench: FlaskClient) -> None:
    for path, record in {
        "/v1/materials/water": {"name": "water"},
        "/v1/lots/tap": {"material": "water", "amount": "5 L"},
        "/v1/projects/pond": {"name": "the pond"},
    }.items():
        assert bench.put(path, json=record).status_code == 201
    stranger = app_of().test_client()
    token = create_token(database, workshop + "-next-door", "manage")
    stranger.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {token}"
    etag = bench.get("/v1/materials/water").headers["ETag"]
    for path in ("/v1/materials/water", "/v1/lots/tap", "/v1/projects/pond", "/v1/materials/water/revisions"):
        assert stranger.get(path).status_code == 404
        assert stranger.get(path, headers={"If-None-Match": f"*, {etag}"}).status_code == 404
    assert stranger.delete("/v1/materials/water", headers={"If-Match": etag}).status_code == 404
    for path in ("/v1/materials", "/v1/lots", "/v1/projects"):
        assert stranger.get(f"{path}?count=true").get_json() == {"items": [], "next": None, "limit": 100, "count": 0}
    refused = stranger.put("/v1/lots/mine", json={"material": "water", "amount": "1 L"})
    assert refused.status_code in (409, 422)
    assert stranger.put("/v1/materials/water", json={"name": "mine"}).status_code == 201
    assert bench.get("/v1/materials/water").get_json()["name"] == "water"
