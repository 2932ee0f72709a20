"""Records as they stand now, and as they stood: every one of them a row of ``revisions``."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any, Final

from sqlalchemy import (
    ColumnElement,
    CompoundSelect,
    FromClause,
    Select,
    and_,
    bindparam,
    func,
    literal,
    null,
    select,
    tuple_,
    union_all,
)

from service.store.prepared import fetched
from service.store.rows import among, chunks, code_list
from service.store.session import Reading, Writing
from service.store.tables import KINDS, outcomes, revisions
from service.store.types import iso_time

WORKSHOP: Final = "workshop"
Place = tuple[int, int]
"""State and place within it of a revision: the order in which everything was written."""


@dataclass(frozen=True)
class StoredRecord:
    """One revision of one record; the newest one unless asked otherwise.

    ``text`` is the body as it is kept, empty where ``deleted``. ``outcome_state`` is the state that last moved the
    outcome of a run, None for other kinds. ``source`` is the kind and code of the record through which a lot was
    written that has no record of its own: its body is then empty.
    """

    kind: str
    code: str
    revision: int
    state: int
    text: str
    at: str
    by: str
    reason: str | None = None
    deleted: bool = False
    outcome_state: int | None = None
    source: tuple[str, str] | None = None

    @cached_property
    def body(self) -> dict[str, Any]:
        """The body as it was written; an empty one where there is none."""
        found: dict[str, Any] = json.loads(self.text) if self.text else {}
        return found

    @property
    def etag(self) -> str:
        """The opaque version of the record: its revision, and for a run the state of its outcome."""
        return f"r{self.revision}" if self.outcome_state is None else f"r{self.revision}-o{self.outcome_state}"


@dataclass(frozen=True, slots=True)
class Changed:
    """One line of the change feed."""

    kind: str
    code: str
    revision: int
    state: int
    deleted: bool
    at: str
    by: str


def body_text(body: Mapping[str, Any]) -> str:
    """A body as it is kept: keys in the order written, no blanks, every character itself."""
    return json.dumps(body, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def same_body(text: str, body: Mapping[str, Any]) -> bool:
    """Say whether a kept body and another are equal but for the order of their keys; 1 and 1.0 are written unlike."""
    return json.dumps(json.loads(text), sort_keys=True) == json.dumps(body, sort_keys=True)


def append(writing: Writing, kind: str, code: str, revision: int, text: str | None, reason: str | None) -> StoredRecord:
    """Add a revision to the truth, and return it as it is stored; a ``text`` of None is a tombstone."""
    at = iso_time(writing.at)
    row = {
        "workshop": writing.workshop_id,
        "kind": kind,
        "code": code,
        "revision": revision,
        "state": writing.state,
        "seq": writing.next_seq(),
        "body": text,
        "by": writing.by,
        "token": writing.token,
        "at": at,
        "reason": reason,
    }
    writing.put(revisions, row)
    return StoredRecord(kind, code, revision, writing.state, text or "", at, writing.by, reason, text is None)


def newest(reading: Reading, kind: str, code: str) -> StoredRecord | None:
    """The last revision of a record, a tombstone too; None where there never was one. One query."""
    return _one(reading, _last(kind), kind, code)


def current(reading: Reading, kind: str, code: str) -> StoredRecord | None:
    """The record as it stands, or None where there is none (any more). One query."""
    found = newest(reading, kind, code)
    return None if found is None or found.deleted else found


def first(reading: Reading, kind: str, code: str) -> StoredRecord | None:
    """The first revision of a record, as it was made; None where there never was one."""
    return at_revision(reading, kind, code, 1)


def at_revision(reading: Reading, kind: str, code: str, revision: int) -> StoredRecord | None:
    """One revision of a record, a tombstone too; None where there is none of that number."""
    rows = fetched(reading.connection, _numbered(kind), {**_key(reading, kind, code), "revision": revision})
    return _stored(rows[0]) if rows else None


def history(reading: Reading, kind: str, code: str) -> list[StoredRecord]:
    """Every revision of a record, the newest first, tombstones among them."""
    rows = reading.connection.execute(_newest(kind), _key(reading, kind, code))
    return [_stored(row) for row in rows]


def many(reading: Reading, kind: str, codes: Collection[str] | None = None) -> list[StoredRecord]:
    """The records of a kind as they stand, all or those of ``codes``, by code. One query for each 500 codes.

    Lots that a run or a pool makes have no record of their own and are not among them.
    """
    if kind == WORKSHOP:
        found = current(reading, kind, WORKSHOP)
        return [] if found is None else [found]
    found_rows: list[Any] = []
    for chunk in chunks(codes):
        values = {"workshop": reading.workshop_id} | ({} if chunk is None else {"codes": chunk})
        found_rows += reading.connection.execute(_standing(kind, every=chunk is None), values).all()
    return [_stored(row) for row in found_rows]


def several(reading: Reading, named: Mapping[str, Collection[str]]) -> list[StoredRecord]:
    """The records of several kinds as they stand: those of the codes named of each, and the analytes of materials.

    In no order, a material that is asked for and an analyte too perhaps twice. One query. Runs come without the state
    of their outcome.
    """
    wanted = {kind: codes for kind, codes in sorted(named.items()) if codes}
    if not wanted:
        return []
    values = {f"codes_{kind}": code_list(reading, codes) for kind, codes in wanted.items()}
    statement = _several(tuple(wanted), reading.dialect)
    rows = fetched(reading.connection, statement, {"workshop": reading.workshop_id, **values})
    return [_stored(row) for row in rows]


def newest_of(reading: Reading, kind: str, codes: Collection[str]) -> dict[str, StoredRecord]:
    """The last revision of each of ``codes`` that there ever was, tombstones too. One query."""
    values = {"workshop": reading.workshop_id, "kind": kind, "codes": code_list(reading, codes)}
    rows = reading.connection.execute(_newest_of(kind, reading.dialect), values)
    return {row.code: _stored(row) for row in rows}


def at_revisions(
    reading: Reading, kind: str, pairs: Collection[tuple[str, int]]
) -> dict[tuple[str, int], StoredRecord]:
    """The revisions of a kind that ``pairs`` of code and number name."""
    found: dict[tuple[str, int], StoredRecord] = {}
    wanted = sorted(set(pairs))
    for start in range(0, len(wanted), 200):
        statement = _columns(kind).where(
            revisions.c.workshop == reading.workshop_id,
            revisions.c.kind == kind,
            tuple_(revisions.c.code, revisions.c.revision).in_(wanted[start : start + 200]),
        )
        for row in reading.connection.execute(statement):
            found[row.code, row.revision] = _stored(row)
    return found


def changes(reading: Reading, since: int, limit: int, after: Place = (0, 0)) -> list[tuple[Place, Changed]]:
    """What was written after state ``since``, oldest first, each with its place; ``after`` is the last place seen."""
    columns = [revisions.c[name] for name in ("kind", "code", "revision", "state", "seq", "at", "by")]
    statement = (
        select(*columns, revisions.c.body.is_(None).label("deleted"))
        .where(
            revisions.c.workshop == reading.workshop_id, revisions.c.state > since, revisions.c.state <= reading.state
        )
        .where(tuple_(literal(after[0]), literal(after[1])) < _PLACE)
        .order_by(revisions.c.state, revisions.c.seq)
        .limit(limit)
    )
    return [
        (
            (row.state, row.seq),
            Changed(row.kind, row.code, row.revision, row.state, bool(row.deleted), row.at, row.by),
        )
        for row in reading.connection.execute(statement)
    ]


def replay(reading: Reading, after: Place, limit: int) -> list[tuple[Place, StoredRecord]]:
    """The next revisions in the order in which they were written, each with its place; ``after`` is the last."""
    statement = (
        select(revisions)
        .where(revisions.c.workshop == reading.workshop_id, tuple_(literal(after[0]), literal(after[1])) < _PLACE)
        .order_by(revisions.c.state, revisions.c.seq)
        .limit(limit)
    )
    return [
        (
            (row.state, row.seq),
            StoredRecord(
                row.kind,
                row.code,
                row.revision,
                row.state,
                row.body or "",
                row.at,
                row.by,
                row.reason,
                row.body is None,
            ),
        )
        for row in reading.connection.execute(statement)
    ]


_PLACE: Final = tuple_(revisions.c.state, revisions.c.seq)


@cache
def _columns(kind: str) -> Select[Any]:
    """The columns of :class:`StoredRecord`; those of runs with the state of their outcome."""
    r = revisions.c
    columns: list[ColumnElement[Any]] = [r.kind, r.code, r.revision, r.state, r.body, r.at, r.by, r.reason]
    if kind == "runs":
        joined = revisions.outerjoin(outcomes, and_(outcomes.c.workshop == r.workshop, outcomes.c.run == r.code))
        return select(*columns, outcomes.c.state.label("outcome_state")).select_from(joined)
    return select(*columns, null().label("outcome_state"))


@cache
def _newest(kind: str) -> Select[Any]:
    r = revisions.c
    own = and_(r.workshop == bindparam("workshop"), r.kind == bindparam("kind"), r.code == bindparam("code"))
    return _columns(kind).where(own).order_by(r.revision.desc())


@cache
def _numbered(kind: str) -> Select[Any]:
    return _newest(kind).where(revisions.c.revision == bindparam("revision"))


@cache
def _last(kind: str) -> Select[Any]:
    return _newest(kind).limit(1)


@cache
def _standing(kind: str, *, every: bool) -> Select[Any]:
    """The records of a kind as they stand, every one or those in the list ``codes``; built once."""
    r, table = revisions.c, KINDS[kind]
    joined = and_(
        r.workshop == table.c.workshop, r.kind == kind, r.code == table.c.code, r.revision == table.c.revision
    )
    statement = _columns(kind).where(table.c.workshop == bindparam("workshop"), joined).order_by(table.c.code)
    return statement if every else statement.where(table.c.code.in_(bindparam("codes", expanding=True)))


@cache
def _several(kinds: tuple[str, ...], dialect: str) -> CompoundSelect[Any]:
    r = revisions.c
    columns = (r.kind, r.code, r.revision, r.state, r.body, r.at, r.by, r.reason, null().label("outcome_state"))

    def standing(kind: str, table: FromClause) -> Select[Any]:
        own = and_(r.workshop == table.c.workshop, r.kind == kind, r.code == table.c.code)
        return select(*columns).where(table.c.workshop == bindparam("workshop"), own, r.revision == table.c.revision)

    arms = []
    for kind in kinds:
        table = KINDS[kind]
        asked = among(table.c.code, f"codes_{kind}", dialect)
        arms.append(standing(kind, table).where(asked))
        if kind == "materials":
            analytes = table.alias("analytes")
            named = and_(table.c.workshop == analytes.c.workshop, table.c.analyte == analytes.c.code, asked)
            arms.append(standing(kind, analytes).where(named))
    return union_all(*arms)


@cache
def _newest_of(kind: str, dialect: str) -> Select[Any]:
    r, later = revisions.c, revisions.alias("later")
    own = and_(r.workshop == bindparam("workshop"), r.kind == bindparam("kind"), among(r.code, "codes", dialect))
    last = select(func.max(later.c.revision)).where(
        later.c.workshop == r.workshop, later.c.kind == r.kind, later.c.code == r.code
    )
    return _columns(kind).where(own, r.revision == last.correlate(revisions).scalar_subquery())


def _key(reading: Reading, kind: str, code: str) -> dict[str, Any]:
    return {"workshop": reading.workshop_id, "kind": kind, "code": code}


def _one(reading: Reading, statement: Select[Any], kind: str, code: str) -> StoredRecord | None:
    rows = fetched(reading.connection, statement, _key(reading, kind, code))
    return _stored(rows[0]) if rows else None


def _stored(row: Sequence[Any]) -> StoredRecord:
    kind, code, revision, state, body, at, by, reason, outcome_state = row
    return StoredRecord(kind, code, revision, state, body or "", at, by, reason, body is None, outcome_state)
