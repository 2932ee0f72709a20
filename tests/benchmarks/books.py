"""Books to measure on: the generator's, brought in through an import as a client would."""

from __future__ import annotations

import datetime as dt
import json
import secrets
from dataclasses import dataclass

from service.record.importing import import_records
from service.store.session import Database
from service.store.tokens import create_token, find_workshop
from tests.world import iter_records

AT = dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)
NDJSON = "application/x-ndjson"
ROUTE = "r0"
"""The first route of a generated book: a plain chain of steps."""


@dataclass(frozen=True, slots=True)
class Workshop:
    """A workshop that nobody else knows, and a token that may do everything in it."""

    id: int
    token: str


def new_workshop(database: Database) -> Workshop:
    """Make an empty workshop."""
    name = f"workshop-{secrets.token_hex(6)}"
    token = create_token(database, name, "manage", "bench")
    return Workshop(find_workshop(database, name), token)


def payload(steps: int, runs_per_step: int) -> bytes:
    """The import lines of a book of one route."""
    lines = iter_records(1, routes=1, steps_per_route=steps, runs_per_step=runs_per_step)
    return b"".join(json.dumps(line).encode() + b"\n" for line in lines)


def bring_in(database: Database, workshop: Workshop, lines: bytes) -> None:
    """Import the lines of a book."""
    import_records(database, workshop.id, lines, NDJSON, may_change_workshop=True, by="bench", at=AT)


def filled(database: Database, *, steps: int, runs_per_step: int) -> Workshop:
    """Make a workshop with a book of one route."""
    workshop = new_workshop(database)
    bring_in(database, workshop, payload(steps, runs_per_step))
    return workshop
