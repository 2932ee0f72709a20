"""What is derived, in a digest a table: equal digests, equal rows."""

from __future__ import annotations

import hashlib
from typing import Final

from sqlalchemy import select

from service.store.session import Reading
from service.store.tables import DERIVED

_ROWS_AT_ONCE: Final = 1000


def derived_digests(reading: Reading) -> dict[str, str]:
    """Return, for each table that is made from the revisions, the SHA-256 of a workshop's rows in the order of keys."""
    found = {}
    for table in DERIVED:
        digest = hashlib.sha256()
        statement = select(table).where(table.c.workshop == reading.workshop_id).order_by(*table.primary_key.columns)
        for rows in reading.connection.execute(statement).partitions(_ROWS_AT_ONCE):
            digest.update("".join(f"{tuple(row)!r}\n" for row in rows).encode())
        found[table.name] = digest.hexdigest()
    return found
