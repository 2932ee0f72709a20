"""Write many records at once: all of them, or none with every fault of every line."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from typing import Any, Final, Protocol

from service.domain.run import Run
from service.domain.workshop import ExchangeRate, Workshop
from service.errors import MOST_FAULTS, Conflict, Fault, Forbidden, InvalidInput, RevisionRequired, UnknownRecord
from service.record.bench import Bench
from service.record.derive import Change
from service.record.etags import ANY
from service.record.import_order import LoadedLine, Target, given_by_body, in_order, loaded_line
from service.record.import_refusals import Refusals, currencies_brought
from service.record.import_text import MOST_FAULTS_LOOKED_FOR, ImportLine, ImportText, read_array, read_ndjson
from service.record.put import write
from service.record.rate_needs import shortfalls
from service.record.weighings import read_weighings
from service.record.written import Move
from service.schemas.kinds import WORKSHOP, load_record, singular
from service.store.imports import keep_report, report_of
from service.store.records import same_body
from service.store.session import Database, Reading, Writing
from service.store.types import iso_time

EFFECTS: Final = ("created", "changed", "unchanged")
OPENING_ETAG: Final = "r1"
"""The version of a workshop's own record that came with the workshop, and that nobody wrote."""
RECORDS_A_STATE: Final = 500
"""Records written before the workshop's state moves once more."""
READERS: Final[Mapping[str, Callable[[bytes], ImportText]]] = {
    "application/json": read_array,
    "application/x-ndjson": read_ndjson,
    "text/csv": read_weighings,
}


class Watch(Protocol):
    """Somebody who looks at the book within the transaction of an import, before its lines are written and after."""

    def before(self, writing: Writing, changes: Sequence[Change]) -> None:
        """Look at what the changes may move; they are read, and not checked against the book yet."""

    def faults(self, writing: Writing, runs: Collection[str]) -> Mapping[str, Sequence[Fault]]:
        """Return what is wrong with the credits of runs that were written, by code, as only the whole book can tell."""

    def after(self, writing: Writing, moves: Sequence[Move]) -> Mapping[str, Any]:
        """Return what more the report tells; ``moves`` are of other runs that came out different."""


def import_records(
    database: Database,
    workshop_id: int,
    payload: bytes,
    media_type: str,
    *,
    dry_run: bool = False,
    replace: bool = False,
    may_change_workshop: bool = False,
    by: str,
    at: dt.datetime,
    token: str | None = None,
    watch: Callable[[], Watch] | None = None,
) -> dict[str, Any]:
    """Write the records of a file and all that is derived from them in one transaction; return the report.

    ``payload`` is the file, of a ``media_type`` among :data:`READERS`; its size is the caller's to bound. Lines come in
    any order: a run may charge a lot that a later line makes. A record that is equal to the one that stands is left
    alone, so that a file sent again writes nothing; one that differs is refused, or written over with ``replace``. The
    workshop's own record is written over without it as long as nobody wrote one, and only where
    ``may_change_workshop``. A ``dry_run`` checks everything in a transaction that is then rolled back.

    The workshop's state moves once for each :data:`RECORDS_A_STATE` records written, and not at all where none is. The
    report tells each record, how it was found and where it stood in the file, and is kept under its ``code``, which
    follows from the file and the state that it met: sent again with nothing written between, it has the same code. The
    code of a dry run is that which the import would have had. ``watch`` makes somebody who looks on.

    Raises :class:`MalformedInput` for what cannot be read at all; :class:`InvalidInput` with the faults of all lines,
    each at its place in the file, a line that rests on a refused one left out of the blame; :class:`Conflict`, with the
    same under ``faults``, where all that is wrong is that what is recorded now forbids it; :class:`Forbidden`,
    :class:`TooLarge` and :class:`Unavailable` by their names. Nothing more is looked at once more than
    :data:`MOST_FAULTS_LOOKED_FOR` faults are found by reading alone.
    """
    text = READERS[media_type](payload)
    read = Refusals(list(text.faults), lost=set(text.lost), currencies=currencies_brought(text.lines))
    ordered = _checked(text, read)

    def story() -> dict[str, Any]:
        with database.writing(workshop_id, by, at, token) as writing:
            before = writing.state - 1
            refusals = read.copy()
            lines = _Lines(Bench(writing), refusals, replace, may_change_workshop)
            watcher = None if watch is None else watch()
            lines.write(ordered, watcher)
            refusals.raise_if_any()
            told = {} if watcher is None else watcher.after(writing, lines.moves())
            writing.send()
            if dry_run or not lines.written:
                writing.abandon()
            report = {
                "code": _code(workshop_id, before, replace, media_type, payload),
                "dry_run": dry_run,
                "replace": replace,
                "by": by,
                "at": iso_time(at),
                "lines": len(text.lines),
                **lines.counts(),
                **text.counts,
                **told,
                "state_before": before,
                "state": writing.state,
                "records": [lines.told(line) for line in text.lines],
                "faults": [],
            }
            if not writing.abandoned:
                keep_report(writing.connection, workshop_id, report)
        if not dry_run and not lines.written:
            with database.administering() as connection:
                keep_report(connection, workshop_id, report)
        return report

    return database.retrying(story)


def import_report(reading: Reading, code: str) -> dict[str, Any]:
    """Return what an import answered with; raises :class:`UnknownRecord` where there was none of that code."""
    report = report_of(reading, code)
    if report is None:
        raise UnknownRecord(f"this workshop has no import with the code {code!r}")
    return report


def _checked(text: ImportText, refusals: Refusals) -> list[LoadedLine]:
    """Read the records of all lines, blame those that cannot be taken by themselves, and put the others in order."""
    loaded: list[LoadedLine] = []
    first: dict[Target, ImportLine] = {}
    for line in text.lines:
        if len(refusals.faults) > MOST_FAULTS_LOOKED_FOR:
            break
        faults = list(line.faults)
        record: Any = None
        try:
            record = load_record(line.kind, line.code, line.body)
        except InvalidInput as refused:
            faults += line.place.placed(refused.faults)
        gives = set(given_by_body(line))
        other = first.setdefault((line.kind, line.code), line)
        if other is not line:
            gives.remove((line.kind, line.code))
            place = ", ".join(f"{name} {value}" for name, value in other.place.as_dict().items())
            detail = f"{singular(line.kind)} {line.code} stands in the file twice, first at {place}"
            repeated = Fault("repeated-code", detail, line.code, "each record once", parameter="code")
            faults += line.place.placed([repeated])
        if faults or record is None:
            refusals.faults += faults
            refusals.refused |= gives
        else:
            loaded.append(loaded_line(line, record))
    ordered, circles = in_order(loaded)
    for waiting, faults in circles:
        refusals.blame(waiting, faults)
    return ordered


class _Lines:
    """The lines of one import as they are written within one transaction."""

    def __init__(self, bench: Bench, refusals: Refusals, replace: bool, may_change_workshop: bool) -> None:
        self._bench = bench
        self._refusals = refusals
        self._replace = replace
        self._may_change_workshop = may_change_workshop
        self._effects: dict[Target, str] = {}
        self._moved: set[str] = set()
        self.written = 0

    def write(self, ordered: Sequence[LoadedLine], watcher: Watch | None) -> None:
        """Write the lines, and blame each that cannot be written; one that rests on a refused one is passed over."""
        self._look_up(ordered)
        if watcher is not None:
            watcher.before(self._bench.writing, [*self._changes(ordered)])
        self._write_each(ordered)
        self._blame_shortfalls(ordered)
        if watcher is not None:
            runs = {loaded.line.code: loaded for loaded in ordered if self._states_credits(loaded)}
            for code, faults in watcher.faults(self._bench.writing, runs).items() if runs else ():
                self._refusals.blame(runs[code], faults)

    def _write_each(self, ordered: Sequence[LoadedLine]) -> None:
        for loaded in ordered:
            if self._refusals.hides(loaded):
                self._refusals.refused |= loaded.gives
                continue
            if len(self._refusals.faults) >= MOST_FAULTS and (unknown := [*self._unknown(loaded)]):
                self._refusals.blame(loaded, unknown)
                continue
            try:
                self._write(loaded)
            except InvalidInput as refused:
                self._refusals.blame(loaded, refused.faults)
            except RevisionRequired:
                there = {
                    ("lots", code) for code in self._bench.lots(code for kind, code in loaded.gives if kind == "lots")
                }
                there.add((loaded.line.kind, loaded.line.code))
                self._refusals.blame_difference(loaded, self._differences(loaded.line), there)
            except Conflict as refused:
                self._refusals.blame(loaded, [Fault(refused.code, refused.detail, loaded.line.code)], is_conflict=True)

    def _blame_shortfalls(self, ordered: Sequence[LoadedLine]) -> None:
        """Blame the lines that leave recorded money without an exchange rate that it had."""
        for shortfall in shortfalls(self._bench):
            refused = shortfall.refusal()
            for loaded in ordered:
                record, effect = loaded.record, self._effects.get((loaded.line.kind, loaded.line.code))
                pair = (record.base, record.quote) if isinstance(record, ExchangeRate) else ()
                if effect == "changed" and (shortfall.currency in pair or isinstance(record, Workshop)):
                    fault = Fault(refused.code, refused.detail, loaded.line.code)
                    self._refusals.blame(loaded, [fault], is_conflict=True)

    def _changes(self, ordered: Sequence[LoadedLine]) -> Iterator[Change]:
        """What the lines are about to change: not those that stand as they are, or that are refused as they differ."""
        for loaded in ordered:
            line, found = loaded.line, self._bench.newest(loaded.line.kind, loaded.line.code)
            is_there = found is not None and not found.deleted
            if is_there and (not self._replace or self._stands(line)):
                continue
            before = self._bench.loaded(found) if found is not None and is_there else None
            reason = line.body.get("change") if line.kind == "routes" else None
            yield Change(line.kind, line.code, 0, loaded.record, before, reason)

    def _states_credits(self, loaded: LoadedLine) -> bool:
        """Say whether a line is a run that was written and states a credit, of which only the whole book can judge."""
        record, effect = loaded.record, self._effects.get((loaded.line.kind, loaded.line.code), "unchanged")
        return isinstance(record, Run) and effect != "unchanged" and any(each.credit for each in record.outturns)

    def moves(self) -> list[Move]:
        """Return the other runs that came out different, each with what it came to before the first line and now."""
        moved = self._bench.moves
        return [
            Move(run, *moved[run])
            for run in sorted(self._moved)
            if ("runs", run) not in self._effects and moved[run][0] != moved[run][1]
        ]

    def counts(self) -> dict[str, int]:
        """Return how many records were created, changed and unchanged, and how many other runs came out different."""
        effects = Counter(self._effects.values())
        return {**{effect: effects[effect] for effect in EFFECTS}, "runs_moved": len(self.moves())}

    def told(self, line: ImportLine) -> dict[str, Any]:
        """Return what the report says of one line."""
        effect = self._effects[line.kind, line.code]
        return {**line.place.as_dict(), "kind": singular(line.kind), "code": line.code, "effect": effect}

    def _look_up(self, ordered: Sequence[LoadedLine]) -> None:
        """Look up at once what many lines name, and whether what they make is there already."""
        named: dict[str, set[str]] = {}
        written: dict[str, list[str]] = {}
        for loaded in ordered:
            written.setdefault(loaded.line.kind, []).append(loaded.line.code)
            for kind, code in (*loaded.gives, *((found.kind, found.code) for found in loaded.named)):
                named.setdefault(kind, set()).add(code)
        self._bench.look_up(named)
        for kind, codes in written.items():
            self._bench.look_up_newest(kind, codes)

    def _unknown(self, loaded: LoadedLine) -> Iterator[Fault]:
        """The records that a line names and that are not there: counted only, so nobody looks for what was meant."""
        for found in loaded.named:
            if not self._bench.known(found.kind, [found.code]):
                one = singular(found.kind)
                yield Fault("unknown-reference", f"there is no {one} {found.code!r}", found.code, pointer=found.pointer)

    def _write(self, loaded: LoadedLine) -> None:
        line = loaded.line
        if self.written and not self.written % RECORDS_A_STATE and not self._stands(line):
            self._bench.writing.move_on()
        try:
            written = write(self._bench, line.kind, line.code, line.body, record=loaded.record)
        except RevisionRequired as refused:
            opening = line.kind == WORKSHOP and refused.extra["etag"] == OPENING_ETAG
            if not self._replace and not opening:
                raise
            if line.kind == WORKSHOP and not self._may_change_workshop:
                raise Forbidden(
                    "the file changes the workshop's own record, which takes the scope manage: leave that line out"
                ) from refused
            written = write(self._bench, line.kind, line.code, line.body, if_match=ANY, record=loaded.record)
        self.written += written.changed
        self._moved.update(written.moved)
        self._effects[line.kind, line.code] = EFFECTS[0 if written.created else 1 if written.changed else 2]

    def _stands(self, line: ImportLine) -> bool:
        """Say whether a line is recorded already as it is: then no new state is begun for it."""
        found = self._bench.newest(line.kind, line.code)
        return found is not None and not found.deleted and same_body(found.text, line.body)

    def _differences(self, line: ImportLine) -> list[str]:
        """The keys in which a line and the record that stands differ."""
        found = self._bench.newest(line.kind, line.code)
        assert found is not None, "a record that stands was refused"
        return sorted(key for key in found.body | line.body if found.body.get(key) != line.body.get(key))


def _code(workshop_id: int, state: int, replace: bool, media_type: str, payload: bytes) -> str:
    """The code of an import: that of the same file met by the same state is the same."""
    told = hashlib.sha256(f"{workshop_id} {state} {replace} {media_type}\n".encode())
    told.update(payload)
    return f"import-{told.hexdigest()[:20]}"
