"""Books to measure on: the generator's, brought in through an import as a client would."""

from __future__ import annotations

import datetime as dt
import json
import secrets
from dataclasses import dataclass

from sqlalchemy import func, select, text

from service.record.importing import import_records
from service.record.put import put_record
from service.store.records import many
from service.store.session import Database
from service.store.tables import runs
from service.store.tokens import create_token, find_workshop
from tests.world import iter_records

AT = dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)
NDJSON = "application/x-ndjson"
LINES_A_FILE = 6_000
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


def files(steps: int, runs_per_step: int) -> list[bytes]:
    """The import lines of a book of one route, in files that an import takes, each line after what it names."""
    lines = iter_records(1, routes=1, steps_per_route=steps, runs_per_step=runs_per_step)
    written = [json.dumps(line).encode() + b"\n" for line in lines]
    return [b"".join(written[start : start + LINES_A_FILE]) for start in range(0, len(written), LINES_A_FILE)]


def bring_in(database: Database, workshop: Workshop, several: list[bytes]) -> None:
    """Import the files of a book."""
    for lines in several:
        import_records(database, workshop.id, lines, NDJSON, may_change_workshop=True, by="bench", at=AT)


def rewritten(database: Database, workshop: Workshop, number: int) -> None:
    """Write the first run of a book anew, other masses among what changes."""
    with database.reading(workshop.id) as reading:
        code = reading.connection.scalar(select(func.min(runs.c.code)).where(runs.c.workshop == workshop.id))
        (stored,) = many(reading, "runs", [code])
    amount = {"amount": f"{80 + number / 100:.2f} g"}
    body = {**stored.body, "charges": [{**stored.body["charges"][0], **amount}, *stored.body["charges"][1:]]}
    put_record(database, workshop.id, "runs", code, body, if_match="*", by="bench", at=AT)


def filled(database: Database, *, steps: int, runs_per_step: int) -> Workshop:
    """Make a workshop with a book of one route."""
    workshop = new_workshop(database)
    bring_in(database, workshop, files(steps, runs_per_step))
    if database.dialect == "postgresql":
        with database.administering() as connection:
            connection.execute(text("ANALYZE"))  # as the server does by itself, within a minute
    return workshop
