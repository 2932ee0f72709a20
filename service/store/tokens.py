"""Tokens: who may do what in which workshop. A token is shown once, when it is made; only its digest is kept."""

from __future__ import annotations

import datetime as dt
import hashlib
import secrets
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, bindparam, select
from sqlalchemy.dialects import postgresql, sqlite

from service.errors import Fault, InvalidInput, Unauthorised, UnknownRecord
from service.store.prepared import fetched
from service.store.records import WORKSHOP, body_text
from service.store.session import Database
from service.store.tables import revisions, tokens, workshops
from service.store.tables.truth import SCOPES
from service.store.types import iso_time

PREFIX: Final = "wb_"
FIRST_CURRENCY: Final = "EUR"


@dataclass(frozen=True, slots=True)
class TokenHolder:
    """Who holds a token: the workshop it opens, the scope, the token's public id and the name it was given."""

    workshop_id: int
    workshop: str
    scope: str
    token_id: str
    name: str

    def may(self, scope: str) -> bool:
        """Say whether the holder may do what needs ``scope``: manage includes record, record includes read.

        >>> TokenHolder(1, "attic", "record", "t1", "bench").may("read")
        True
        """
        return SCOPES.index(scope) <= SCOPES.index(self.scope)


@dataclass(frozen=True, slots=True)
class TokenEntry:
    """A token as it is listed: everything but itself. Times are ISO 8601 in UTC."""

    token_id: str
    name: str
    scope: str
    made_at: str
    expires_at: str | None
    revoked_at: str | None


def create_token(
    database: Database,
    workshop: str,
    scope: str,
    name: str | None = None,
    expires_at: dt.datetime | None = None,
    *,
    at: dt.datetime | None = None,
) -> str:
    """Make a token of 256 random bits and return it; the workshop of that name is made when it is new.

    ``scope`` is read, record or manage; ``name`` says who holds it and signs what is written with it. Raises
    :class:`InvalidInput` for another scope.
    """
    if scope not in SCOPES:
        raise InvalidInput([Fault("unknown-scope", f"no scope is called {scope!r}", scope, ", ".join(SCOPES))])
    token, token_id = PREFIX + secrets.token_urlsafe(32), secrets.token_hex(6)
    made_at = iso_time(at or dt.datetime.now(dt.UTC))
    with database.administering() as connection:
        connection.execute(
            tokens.insert(),
            {
                "id": token_id,
                "workshop": _workshop(connection, workshop, made_at),
                "name": name or token_id,
                "scope": scope,
                "digest": _digest(token),
                "made_at": made_at,
                "expires_at": None if expires_at is None else iso_time(expires_at),
                "revoked_at": None,
            },
        )
    return token


# Built once: putting a statement together costs more than running it, and this one runs with every request.
_HOLDER: Final = (
    select(tokens.c.id, tokens.c.name, tokens.c.scope, tokens.c.expires_at, workshops.c.id, workshops.c.name)
    .join(workshops, workshops.c.id == tokens.c.workshop)
    .where(tokens.c.digest == bindparam("digest"), tokens.c.revoked_at.is_(None))
)


def authenticate(database: Database, token: str, at: dt.datetime) -> TokenHolder:
    """Return who holds a token at a time; raises :class:`Unauthorised` where it is unknown, expired or revoked."""
    with database.looking() as connection:
        found = fetched(connection, _HOLDER, {"digest": _digest(token)})
    if not found:
        raise Unauthorised("the token is not known, or it was revoked")
    token_id, name, scope, expires_at, workshop_id, workshop = found[0]
    if expires_at is not None and expires_at <= iso_time(at):
        raise Unauthorised("the token has expired")
    return TokenHolder(workshop_id, workshop, scope, token_id, name)


def list_tokens(database: Database, workshop_id: int) -> list[TokenEntry]:
    """The tokens of a workshop, the oldest first, revoked and expired ones among them."""
    columns = [tokens.c[name] for name in ("id", "name", "scope", "made_at", "expires_at", "revoked_at")]
    statement = select(*columns).where(tokens.c.workshop == workshop_id).order_by(tokens.c.made_at, tokens.c.id)
    with database.looking() as connection:
        return [TokenEntry(*row) for row in connection.execute(statement)]


def revoke_token(database: Database, workshop_id: int, token_id: str, at: dt.datetime) -> None:
    """Let a token open nothing from now on; raises :class:`UnknownRecord` where the workshop has no such token."""
    own = (tokens.c.workshop == workshop_id) & (tokens.c.id == token_id)
    with database.administering() as connection:
        if connection.scalar(select(tokens.c.id).where(own)) is None:
            raise UnknownRecord(f"the workshop has no token {token_id!r}")
        statement = tokens.update().where(own, tokens.c.revoked_at.is_(None))
        connection.execute(statement.values(revoked_at=iso_time(at)))


def find_workshop(database: Database, name: str) -> int:
    """The id of the workshop of that name; raises :class:`UnknownRecord` where there is none."""
    with database.looking() as connection:
        found = connection.scalar(select(workshops.c.id).where(workshops.c.name == name))
    if found is None:
        raise UnknownRecord(f"there is no workshop called {name!r}")
    return int(found)


def list_workshops(database: Database) -> list[tuple[int, str]]:
    """Id and name of every workshop."""
    with database.looking() as connection:
        rows = connection.execute(select(workshops.c.id, workshops.c.name).order_by(workshops.c.id))
        return [(workshop_id, name) for workshop_id, name in rows]


def _workshop(connection: Connection, name: str, at: str) -> int:
    """The id of a workshop; a new one starts at state 1 with the first revision of its own record."""
    dialect: Any = sqlite if connection.dialect.name == "sqlite" else postgresql
    statement = dialect.insert(workshops).on_conflict_do_nothing(index_elements=["name"])
    row = {"name": name, "state": 1, "currency": FIRST_CURRENCY}
    made = connection.execute(statement.returning(workshops.c.id), row).scalar()
    if made is None:
        return int(connection.execute(select(workshops.c.id).where(workshops.c.name == name)).scalar_one())
    first: dict[str, Any] = {"workshop": made, "kind": WORKSHOP, "code": WORKSHOP, "revision": 1, "state": 1, "seq": 1}
    first |= {
        "body": body_text({"currency": FIRST_CURRENCY}),
        "by": "weighbook",
        "token": None,
        "at": at,
        "reason": None,
    }
    connection.execute(revisions.insert(), first)
    return int(made)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
