"""Tokens: random, kept as digests, bound to one workshop, and dead at once when revoked or expired."""

from __future__ import annotations

import datetime as dt
import hashlib

import pytest
from sqlalchemy import select

from service.errors import InvalidInput, Unauthorised, UnknownRecord
from service.record.rebuild import rebuild
from service.store import records
from service.store.session import Database
from service.store.tables import tokens
from service.store.tokens import (
    authenticate,
    create_token,
    find_workshop,
    list_tokens,
    list_workshops,
    revoke_token,
)

AT = dt.datetime(2026, 5, 1, 12, tzinfo=dt.UTC)
HOUR = dt.timedelta(hours=1)


def test_a_token_opens_its_workshop(database: Database, workshop: str) -> None:
    token = create_token(database, workshop, "record", "bench", AT + HOUR)
    holder = authenticate(database, token, AT)
    assert (holder.workshop, holder.scope, holder.name) == (workshop, "record", "bench")
    assert holder.workshop_id == find_workshop(database, workshop)
    assert [holder.may(scope) for scope in ("read", "record", "manage")] == [True, True, False]
    assert (holder.workshop_id, workshop) in list_workshops(database)


def test_a_new_workshop_starts_with_its_own_record(database: Database, workshop: str) -> None:
    create_token(database, workshop, "read")
    create_token(database, workshop, "manage")
    workshop_id = find_workshop(database, workshop)
    with database.reading(workshop_id) as reading:
        stored = records.current(reading, "workshop", "workshop")
        assert stored is not None
        assert (reading.state, stored.revision, stored.body) == (1, 1, {"currency": "EUR"})
        assert [found.kind for found in records.many(reading, "workshop")] == ["workshop"]
    assert len(list_tokens(database, workshop_id)) == 2
    assert rebuild(database, workshop_id) == 1


def test_only_the_digest_is_kept(database: Database, workshop: str) -> None:
    token = create_token(database, workshop, "read")
    assert token.startswith("wb_")
    assert len(token) == len("wb_") + 43  # 256 bits in base 64
    with database.looking() as connection:
        rows = connection.execute(select(tokens)).all()
    assert not [row for row in rows if token in row]
    assert hashlib.sha256(token.encode()).hexdigest() in [row.digest for row in rows]


def test_expired_revoked_and_unknown_tokens_open_nothing(database: Database, workshop: str) -> None:
    token = create_token(database, workshop, "read", expires_at=AT + HOUR)
    with pytest.raises(Unauthorised):
        authenticate(database, token, AT + HOUR)
    for unknown in ("", "wb_", token[:-1], token + "x", "\udc80"):
        with pytest.raises(Unauthorised):
            authenticate(database, unknown, AT)
    holder = authenticate(database, token, AT)
    revoke_token(database, holder.workshop_id, holder.token_id, AT)
    with pytest.raises(Unauthorised):
        authenticate(database, token, AT)
    (entry,) = list_tokens(database, holder.workshop_id)
    assert entry.revoked_at == "2026-05-01T12:00:00.000000Z"


def test_a_workshop_revokes_its_own_tokens_only(database: Database, workshop: str) -> None:
    holder = authenticate(database, token := create_token(database, workshop, "read"), AT)
    create_token(database, f"{workshop}-other", "manage")
    with pytest.raises(UnknownRecord):
        revoke_token(database, find_workshop(database, f"{workshop}-other"), holder.token_id, AT)
    assert authenticate(database, token, AT) == holder


def test_scopes_are_three(database: Database, workshop: str) -> None:
    with pytest.raises(InvalidInput):
        create_token(database, workshop, "admin")
    with pytest.raises(UnknownRecord):
        find_workshop(database, workshop)
