"""Write a record: by its code (PUT), or under a code that the service makes (POST)."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import replace
from typing import Any

from service.errors import Conflict, Fault, InvalidInput, RevisionRequired, StaleRevision
from service.record.bench import Bench
from service.record.checks import check, check_written_here
from service.record.derive import Change, apply
from service.record.etags import names
from service.record.rate_needs import note_rates, refuse_shortfall
from service.record.stock import STOCK_ENTRIES, refuse_change
from service.record.written import Move, Written
from service.schemas.kinds import load_record, singular
from service.schemas.route import CHANGES
from service.store import records, standing
from service.store.records import WORKSHOP, StoredRecord, body_text, same_body
from service.store.session import Database, Reading, Writing

Tell = Callable[[Writing, Written], Any]
Look = Callable[[Writing, Change], Any]


def put_record(
    database: Database,
    workshop_id: int,
    kind: str,
    code: str,
    body: Mapping[str, Any],
    *,
    if_match: str | None = None,
    if_none_match: bool = False,
    by: str,
    at: dt.datetime,
    token: str | None = None,
    tell: Tell | None = None,
    look: Look | None = None,
) -> Written:
    """Write the record of a kind and code, and all that is derived from it, in one transaction.

    ``tell`` reads in that same transaction what is to be said of a record that was written; it stands in ``told``.
    ``look`` reads in it, once the record is found to be good, what is to be known of the book before it is written.

    ``if_match`` is the header of that name, or None; ``if_none_match`` is true where the record must be new; ``by`` and
    ``token`` say who writes, ``at`` when. A body that is equal to the current record writes nothing, whatever
    ``if_match`` says. Raises :class:`RevisionRequired` for another body without ``if_match``, :class:`StaleRevision`
    where that does not name the current version, :class:`InvalidInput` with every fault of the record,
    :class:`Conflict` where others refer to what would be gone, :class:`Unavailable` where the database is busy or away.
    """

    def story() -> Written:
        with database.writing(workshop_id, by, at, token) as writing:
            bench = Bench(writing)
            written = write(bench, kind, code, body, if_match=if_match, if_none_match=if_none_match, look=look)
            if not written.changed:
                writing.abandon()
                return replace(written, state=writing.state)
            refuse_shortfall(bench)
            return _told(writing, written, tell)

    return database.retrying(story)


def post_record(
    database: Database,
    workshop_id: int,
    kind: str,
    body: Mapping[str, Any],
    *,
    idempotency_key: str | None = None,
    by: str,
    at: dt.datetime,
    token: str | None = None,
    tell: Tell | None = None,
    look: Look | None = None,
) -> Written:
    """Write a new record under a code that the service makes.

    With an ``idempotency_key`` the code follows from workshop, kind and key: the same body finds its record again
    (``replayed``), before anything else is asked; another body raises :class:`InvalidInput`, as the record may itself.
    ``tell`` and ``look`` are those of :func:`put_record`.
    """
    if idempotency_key is None:
        return database.retrying(
            lambda: _post_new(database.writing(workshop_id, by, at, token), kind, body, tell, look)
        )
    told = json.dumps([workshop_id, kind, idempotency_key]).encode()
    code = f"{singular(kind)}-{hashlib.sha256(told).hexdigest()[:20]}"

    def story() -> Written:
        with database.reading(workshop_id) as reading:
            if (replayed := _replayed(reading, kind, code, body, idempotency_key)) is not None:
                return replayed
        with database.writing(workshop_id, by, at, token) as writing:
            replayed = _replayed(writing, kind, code, body, idempotency_key)
            if replayed is None:
                return _told(writing, write(Bench(writing), kind, code, body, look=look), tell)
            writing.abandon()
            return replace(replayed, state=writing.state)

    return database.retrying(story)


def _told(writing: Writing, written: Written, tell: Tell | None) -> Written:
    return written if tell is None else replace(written, told=tell(writing, written))


def _post_new(
    session: AbstractContextManager[Writing],
    kind: str,
    body: Mapping[str, Any],
    tell: Tell | None,
    look: Look | None,
) -> Written:
    with session as writing:
        code = made = f"{singular(kind)}-{writing.state}"
        taken = 0
        while standing.codes_of(writing, kind, [code]) or records.newest(writing, kind, code) is not None:
            taken += 1
            code = f"{made}-{taken}"
        return _told(writing, write(Bench(writing), kind, code, body, look=look), tell)


def write(
    bench: Bench,
    kind: str,
    code: str,
    body: Mapping[str, Any],
    *,
    if_match: str | None = None,
    if_none_match: bool = False,
    record: Any = None,
    look: Look | None = None,
) -> Written:
    """Write one record within a write transaction, which the caller commits, or abandons where nothing changed.

    The caller asks :func:`service.record.rate_needs.shortfalls` once all is written.

    ``record`` is what ``body`` was read as already, None where it was not. Preconditions, checks and errors are those
    of :func:`put_record`.
    """
    writing = bench.writing
    found = bench.newest(kind, code)
    if (same := _unchanged(writing, found, kind, body, if_none_match)) is not None:
        return same
    if kind == "lots":
        check_written_here(bench, code)
    if kind == STOCK_ENTRIES and found is not None:
        refuse_change(code)
    _check_precondition(found, kind, code, if_match, if_none_match)
    if record is None:
        record = load_record(kind, code, body)
    before = None if found is None or found.deleted else bench.loaded(found)
    reason = body.get("change") if kind == "routes" else None
    check(bench, kind, record, before, reason)
    revision = 1 if found is None else found.revision + 1
    note_rates(bench, kind)
    change = Change(kind, code, revision, record, before, reason)
    looked = None if look is None else look(writing, change)
    stored = records.append(writing, kind, code, revision, body_text(_kept(kind, body)), reason)
    moved = apply(bench, change)
    outcome = bench.outcomes[code] if kind == "runs" else None
    if outcome is not None:
        stored = replace(stored, outcome_state=outcome.state)
    bench.wrote(stored)
    return Written(
        kind,
        code,
        before is None,
        True,
        revision,
        writing.state,
        stored.etag,
        moved,
        tuple(Move(run, *bench.moves[run]) for run in moved),
        looked=looked,
        stored=stored,
        outcome=outcome,
        left=None if outcome is None else bench.left_of(charge.lot for charge in record.charges),
    )


def _unchanged(
    reading: Reading, found: StoredRecord | None, kind: str, body: Mapping[str, Any], if_none_match: bool
) -> Written | None:
    """What there is to say of a body that is equal to the current record; None where it is another."""
    if found is None or found.deleted or if_none_match or not isinstance(body, Mapping):
        return None
    if body.get("code") not in (None, found.code) or not same_body(found.text, _kept(kind, body)):
        return None
    return Written(kind, found.code, False, False, found.revision, reading.state, found.etag)


def _check_precondition(
    found: StoredRecord | None, kind: str, code: str, if_match: str | None, if_none_match: bool
) -> None:
    one = f"{singular(kind)} {code}" if kind != WORKSHOP else "the workshop's own record"
    if found is None or found.deleted:
        if if_match is not None:
            raise StaleRevision(f"there is no {one} that If-Match could name", extra={"etag": None})
        return
    if if_none_match:
        raise StaleRevision(f"{one} is there already", code="already-exists", extra={"etag": found.etag})
    if if_match is None:
        raise RevisionRequired(
            f"{one} is there already, and this would change it: say in If-Match which version you have read, "
            "or * for whichever stands there",
            extra={"etag": found.etag},
        )
    if not names(if_match, found.etag):
        told = f'{one} is now "{found.etag}", and If-Match names {if_match}: read it again and write on that'
        raise StaleRevision(told, extra={"etag": found.etag})


def _replayed(reading: Reading, kind: str, code: str, body: Mapping[str, Any], key: str) -> Written | None:
    """The answer to a key that was used before; None for a new one."""
    first = records.first(reading, kind, code)
    if first is None:
        return None
    told = body.get("code") if isinstance(body, Mapping) else None
    if not isinstance(body, Mapping) or told not in (None, code) or not same_body(first.text, _kept(kind, body)):
        detail = f"the key was used for another {singular(kind)}, {code}: take a new key for a new record"
        fault = Fault("idempotency-key-reused", detail, key[:64], "a key that was not used before")
        raise InvalidInput([fault], code="idempotency-key-reused")
    now = records.newest(reading, kind, code)
    assert now is not None
    if now.deleted:
        one = singular(kind)
        raise Conflict(
            f"the {one} {code} that this key made was removed since: take a new key for a new record",
            code="removed-since",
        )
    return Written(kind, code, False, False, now.revision, reading.state, now.etag, replayed=True)


def _kept(kind: str, body: Mapping[str, Any]) -> dict[str, Any]:
    """A body as it is kept: without its code, and without what only this write of a route says."""
    # What is no such word is kept as a difference, so that it comes to be refused.
    left_out = ("code", "change") if kind == "routes" and body.get("change") in (None, *CHANGES) else ("code",)
    return {key: value for key, value in body.items() if key not in left_out}
