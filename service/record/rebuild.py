"""Make everything that is derived again, from the revisions alone."""

from __future__ import annotations

from typing import Any, Final

from service.record.bench import Bench
from service.record.derive import Change, apply
from service.schemas.kinds import load_record
from service.store import records, standing
from service.store.records import StoredRecord
from service.store.session import Database

_AT_ONCE: Final = 1000


def rebuild(database: Database, workshop_id: int) -> int:
    """Throw a workshop's derived rows away and make them again from its revisions; return how many were replayed.

    In one transaction, in the order in which they were written: every row comes out as it was, with the state that last
    wrote it. The workshop's state does not move.
    """
    replayed = 0
    with database.replaying(workshop_id) as writing:
        standing.clear(writing)
        bench = Bench(writing)
        last: dict[tuple[str, str], Any] = {}
        after = (0, 0)
        while some := records.replay(writing, after, _AT_ONCE):
            for place, stored in some:
                writing.state, after = stored.state, place
                key = (stored.kind, stored.code)
                record = _record(stored)
                apply(bench, Change(*key, stored.revision, record, last.get(key), stored.reason), refuse=False)
                last[key] = record
                replayed += 1
    return replayed


def _record(stored: StoredRecord) -> Any:
    return None if stored.deleted else load_record(stored.kind, stored.code, stored.body)
