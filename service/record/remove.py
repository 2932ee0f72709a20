"""Remove a record: a tombstone in the revisions, refused while something refers to it."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from service.domain.lot import Pool
from service.domain.purchase import Purchase
from service.domain.run import Run
from service.errors import Conflict, RevisionRequired, StaleRevision, UnknownRecord
from service.record.bench import Bench
from service.record.checks import check_written_here, refuse_if_referred_to
from service.record.derive import Change, apply, made_lots
from service.record.etags import names
from service.record.put import Look, Tell
from service.record.rate_needs import note_rates, refuse_shortfall
from service.record.stock import STOCK_ENTRIES, refuse_removal
from service.record.written import Written
from service.schemas.kinds import WORKSHOP, singular
from service.store import records
from service.store.session import Database


def delete_record(
    database: Database,
    workshop_id: int,
    kind: str,
    code: str,
    *,
    if_match: str | None,
    by: str,
    at: dt.datetime,
    token: str | None = None,
    tell: Tell | None = None,
    look: Look | None = None,
) -> Written:
    """Remove the record of a kind and code, and all that is derived from it; its revisions stay.

    ``tell`` and ``look`` are those of :func:`service.record.put.put_record`.

    ``if_match`` is the header of that name. Raises :class:`UnknownRecord` where there is none,
    :class:`RevisionRequired` without ``if_match``, :class:`StaleRevision` where that does not name the current version,
    :class:`Conflict` while another record refers to it or to a lot that it makes, or has money that needs it.
    """

    def story() -> Written:
        with database.writing(workshop_id, by, at, token) as writing:
            written = remove(Bench(writing), kind, code, if_match, look)
            return written if tell is None else replace(written, told=tell(writing, written))

    return database.retrying(story)


def remove(bench: Bench, kind: str, code: str, if_match: str | None, look: Look | None = None) -> Written:
    """Remove one record within a write transaction, which the caller commits."""
    writing, one = bench.writing, singular(kind)
    if kind == WORKSHOP:
        raise Conflict("the workshop's own record cannot be removed", code="not-removable")
    if kind == "lots":
        check_written_here(bench, code)
    found = records.current(writing, kind, code)
    if found is None:
        raise UnknownRecord(f"there is no {one} {code}")
    if kind == STOCK_ENTRIES:
        refuse_removal(code)
    if if_match is None:
        raise RevisionRequired(
            f"say in If-Match which version of {one} {code} is to be removed", extra={"etag": found.etag}
        )
    if not names(if_match, found.etag):
        told = f'{one} {code} is now "{found.etag}", and If-Match names {if_match}: read it again'
        raise StaleRevision(told, extra={"etag": found.etag})
    record = bench.loaded(found)
    refuse_if_referred_to(bench, kind, [code], "cannot be removed:")
    if isinstance(record, Run | Pool | Purchase):
        refuse_if_referred_to(bench, "lots", made_lots(record), "would be gone, but")
    revision = found.revision + 1
    change = Change(kind, code, revision, None, record)
    note_rates(bench, kind)
    looked = None if look is None else look(writing, change)
    bench.wrote(records.append(writing, kind, code, revision, None, None))
    apply(bench, change)
    refuse_shortfall(bench)
    return Written(kind, code, False, True, revision, writing.state, None, looked=looked)
