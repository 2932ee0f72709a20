"""The ledger's lines as they are read to be traced: whole, what is newer than a state, or what one lot came from.

The unit of change is the source record: one that anything of was touched since a state is read whole again.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import Any, Final, Literal, NamedTuple, TypeVar

from sqlalchemy import Executable, and_, false, func, or_, select

from service.domain.run import WASTE
from service.store.ledger_behind import (
    amounts_statement,
    behind_statement,
    made_by_statement,
    made_of_statement,
    sorted_out,
    takes_statement,
)
from service.store.ledger_lines import (
    SOURCE_KINDS,
    TAKEN,
    Line,
    LotRow,
    RunRow,
    Source,
    Taken,
    derived_statement,
    lines_statement,
    lots_moved_statement,
    lots_statement,
    moved_statement,
    runs_statement,
    undated_takers_statement,
)
from service.store.rows import chunks, code_list, of_workshop
from service.store.session import Reading
from service.store.tables import entries, lots, runs, steps

_Row = TypeVar("_Row", bound=tuple[Any, ...])
_MOST_TAKES: Final = 20_000
_MOST_UNITS: Final = 2**60
_AT_ONCE: Final = 100
"""Lots of which one statement asks what was made of them."""


@dataclass(frozen=True, slots=True)
class LedgerRows:
    """Lines of some records, by record and in order, with the lots that these made and the runs among them."""

    lines: Mapping[Source, Sequence[Line]]
    lots: Sequence[LotRow]
    runs: Sequence[RunRow]

    @property
    def taken(self) -> set[str]:
        """The lots that a run or a pool of these takes from."""
        return {
            line.lot for lines in self.lines.values() for line in lines if line.kind in TAKEN and line.lot is not None
        }

    @property
    def days(self) -> set[str]:
        """The days of all lines and of all lots, as ISO text: on no other does any of these take anything."""
        days = {line.on for lines in self.lines.values() for line in lines}
        return {day for day in (*days, *(lot.received_on for lot in self.lots)) if day is not None}

    def joined(self, others: LedgerRows) -> LedgerRows:
        """Return these rows and some others, each once."""
        made = {row.code: row for row in (*self.lots, *others.lots)}
        of_runs = {row.run: row for row in (*self.runs, *others.runs)}
        return LedgerRows({**self.lines, **others.lines}, list(made.values()), list(of_runs.values()))


@dataclass(frozen=True, slots=True)
class WholeLedger:
    """All of a workshop's ledger; ``lines`` come from the database while they are gone through, which goes but once."""

    lines: Iterable[tuple[Source, Sequence[Line]]]
    lots: Sequence[LotRow]
    runs: Sequence[RunRow]


@dataclass(frozen=True, slots=True)
class Touched:
    """What moved after a state: ``sources`` to be read again (or gone), and which records money may rest on did."""

    sources: frozenset[Source]
    pricing: frozenset[Source]


def whole_ledger(reading: Reading) -> WholeLedger:
    """Return all of a workshop's ledger."""
    values = {"workshop": reading.workshop_id}
    made = _fetched(reading, lots_statement(), values, LotRow)
    of_runs = _fetched(reading, runs_statement(), values, RunRow)
    lines = map(Line._make, _one_by_one(reading, lines_statement(), values))
    by_source = ((source, list(several)) for source, several in groupby(lines, key=itemgetter(0, 1)))
    return WholeLedger(by_source, made, of_runs)


def ledger_of_sources(reading: Reading, sources: Collection[Source]) -> LedgerRows:
    """Return the lines of some records, those that there are."""
    return _behind(reading, "sources", {"sources": _given(sources)})


def ledger_behind(reading: Reading, codes: Collection[str]) -> LedgerRows:
    """Return the lines of the records that some lots were made by, and all lots that they were made of, through any
    number."""
    return _behind(reading, "lots", {"codes": code_list(reading, codes)})


def ledger_behind_runs(reading: Reading, codes: Collection[str]) -> LedgerRows:
    """Return the lines of some runs and of the records behind the lots that they take from, through any number."""
    return _behind(reading, "runs", {"codes": code_list(reading, codes)})


def _behind(reading: Reading, of: Literal["lots", "runs", "sources"], asked: Mapping[str, Any]) -> LedgerRows:
    values = {"workshop": reading.workshop_id, **asked}
    return LedgerRows(*sorted_out(_all(reading, behind_statement(of, reading.dialect), values)))


def _given(sources: Collection[Source]) -> str:
    return json.dumps(sorted(sources))


def touched_since(reading: Reading, state: int) -> Touched:
    """Return what moved after ``state``: records written or removed, and whatever was derived again.

    A run without a day counts on the latest day of the lots that it takes from: it is touched with them.
    """
    values = {"workshop": reading.workshop_id, "state": state}
    moved = {(kind, code) for kind, code in reading.connection.execute(moved_statement(), values)}
    sources = {(kind, code) for kind, code in reading.connection.execute(derived_statement(), values)}
    sources |= {source for source in moved if source[0] in SOURCE_KINDS}
    for chunk in _lists(set(reading.connection.scalars(lots_moved_statement(), values))):
        taking = reading.connection.execute(
            undated_takers_statement(), {"workshop": reading.workshop_id, "codes": chunk}
        )
        sources |= {(kind, code) for kind, code in taking}
    return Touched(frozenset(sources), frozenset(moved - {source for source in moved if source[0] in SOURCE_KINDS}))


def sources_of_materials(reading: Reading, materials: Collection[str]) -> set[Source]:
    """Return the records with a line of one of these materials."""
    found: set[Source] = set()
    for chunk in _lists(materials):
        statement = select(entries.c.source_kind, entries.c.source_code).distinct()
        statement = statement.where(of_workshop(reading, entries), entries.c.material.in_(chunk))
        found |= {(kind, code) for kind, code in reading.connection.execute(statement)}
    return found


def sources_of_work(reading: Reading, of: Collection[str], since: str) -> set[Source]:
    """Return the runs with a line of labour, energy or waste (``of``) from a day on, as ISO text, or without a day."""
    e = entries.c
    lines = e.kind.in_(sorted(of)) | (e.role == WASTE if "waste" in of else false())
    statement = select(e.source_kind, e.source_code).distinct().where(of_workshop(reading, entries), lines)
    rows = reading.connection.execute(statement.where(or_(e.on.is_(None), e.on >= since)))
    return {(kind, code) for kind, code in rows}


def own_made(reading: Reading) -> frozenset[str]:
    """Return the materials that a step of the workshop makes."""
    statement = select(steps.c.product).distinct().where(of_workshop(reading, steps))
    return frozenset(reading.connection.scalars(statement))


def days_of_lots(reading: Reading, codes: Collection[str]) -> dict[str, str]:
    """Return the day, as ISO text, from which each of these lots was there, where one is known."""
    found: dict[str, str] = {}
    for chunk in _lists(codes):
        statement = select(lots.c.code, lots.c.received_on).where(of_workshop(reading, lots))
        statement = statement.where(lots.c.code.in_(chunk), lots.c.received_on.is_not(None))
        found |= {row.code: row.received_on for row in reading.connection.execute(statement)}
    return found


def lots_resting_on(reading: Reading, sources: Collection[Source], most: int) -> tuple[list[str], bool]:
    """Return the lots that some records made, or that were made of those, the nearest first; and whether that is all.

    The walk ends once more than ``most`` are found, of which the first ``most`` are returned, or once it would read
    very many takes of one generation.
    """
    found: dict[str, None] = {}
    values = {"workshop": reading.workshop_id, "sources": _given(sources)}
    made = {row[0] for row in _all(reading, made_by_statement(reading.dialect), values)}
    whole = True
    while codes := sorted(made - found.keys()):
        found |= dict.fromkeys(codes)
        if len(found) > most:
            break
        taken, rows = takes_of_lots(reading, codes, _MOST_TAKES + 1)
        made, whole = {row.code for row in rows}, whole and len(taken) <= _MOST_TAKES
    return list(found)[:most], whole and len(found) <= most


def count_made_of(reading: Reading, codes: Collection[str], most: int) -> int:
    """Return how many lots anything of some lots went into, through any number of others and beyond these; ``most``
    where there are more.

    Unlike one recursive statement this ends with so many found, not with so many gone on from.
    """
    found, waiting = set(codes), list(codes)
    while waiting and len(found) - len(codes) < most:
        asked, waiting = waiting[:_AT_ONCE], waiting[_AT_ONCE:]
        values = {"workshop": reading.workshop_id, "codes": code_list(reading, asked)}
        made = {row[0] for row in _all(reading, made_of_statement(reading.dialect), values)} - found
        found |= made
        waiting += sorted(made)
    return min(len(found) - len(codes), most)


def runs_begun_from(reading: Reading, codes: Collection[str], day: str) -> list[str]:
    """Return those of some runs that were begun on a day or later; one that nobody dated may have been."""
    found: list[str] = []
    for chunk in chunks(codes):
        statement = select(runs.c.code).where(of_workshop(reading, runs), runs.c.code.in_(chunk or []))
        begun = or_(runs.c.started_on >= day, and_(runs.c.started_on.is_(None), runs.c.finished_on >= day))
        undated = and_(runs.c.started_on.is_(None), runs.c.finished_on.is_(None))
        found += reading.connection.scalars(statement.where(or_(begun, undated)))
    return found


def has_lines(reading: Reading, day: str, of: str | None = None) -> bool:
    """Say whether there is a line of a day or later, or without one: any, or of ``labour``, ``energy`` or ``waste``."""
    e = entries.c
    own = {"labour": e.kind == "labour", "energy": e.kind == "energy", "waste": e.role == "waste"}
    statement = select(e.source_code).where(of_workshop(reading, entries), or_(e.on.is_(None), e.on >= day))
    statement = statement if of is None else statement.where(own[of])
    return reading.connection.execute(statement.limit(1)).first() is not None


def count_lines(reading: Reading, most: int) -> int:
    """Return how many lines the ledger has, or ``most`` where it has more."""
    some = select(entries.c.source_code).where(of_workshop(reading, entries)).limit(most).subquery()
    return int(reading.connection.scalar(select(func.count()).select_from(some)) or 0)


def runs_charging_bare(reading: Reading, materials: Collection[str]) -> list[str]:
    """Return the runs that charged one of these materials without its lot and without a price."""
    found: set[str] = set()
    for chunk in _lists(materials):
        e = entries.c
        bare = and_(e.kind == "charge", e.lot.is_(None), e.price_micro.is_(None), e.material.in_(chunk))
        found |= set(reading.connection.scalars(select(e.source_code).where(of_workshop(reading, entries), bare)))
    return sorted(found)


def takes_of_lots(reading: Reading, codes: Collection[str], most: int) -> tuple[list[Line], list[LotRow]]:
    """Return the lines by which something was taken of these lots, or counted, at most so many, and the lots that the
    records of these lines made."""
    values = {"workshop": reading.workshop_id, "codes": code_list(reading, codes), "most": most}
    lines, made, _ = sorted_out(_all(reading, takes_statement(reading.dialect), values))
    return [line for several in lines.values() for line in several], made


class StatedIncome(NamedTuple):
    """What one opening or bought lot is worth by its own line."""

    kind: str
    origin: str
    on: str | None
    price_micro: int
    currency: str


def stated_incomes(reading: Reading, until: str) -> list[StatedIncome]:
    """Return what every opening and bought lot is worth that was there by a day; one without a day always was."""
    e = entries.c
    both = entries.join(lots, and_(lots.c.workshop == e.workshop, lots.c.code == e.lot))
    statement = (
        select(e.kind, lots.c.origin, e.on, e.price_micro, e.currency)
        .select_from(both)
        .where(of_workshop(reading, entries), e.kind.in_(["opening", "purchase"]), e.price_micro.is_not(None))
        .where(or_(e.on.is_(None), e.on <= until))
    )
    return [StatedIncome(*row) for row in reading.connection.execute(statement)]


def amounts_taken(reading: Reading, codes: Collection[str], days: Collection[str]) -> list[Taken]:
    """Return how much was taken of these lots by the last of some days, as ISO text; what has no day may have been.

    On these days and without one it is told line by line, of another day all of a lot together, as of no source.
    """
    told = set(days)
    while True:
        values = {"workshop": reading.workshop_id, "codes": code_list(reading, codes), "last": max(told, default="")}
        values["days"] = code_list(reading, told)
        found = _fetched(reading, amounts_statement(reading.dialect), values, Taken)
        beyond = {each.on for each in found if not each.source_kind and abs(each.quantity or 0) > _MOST_UNITS}
        if not beyond:
            return [each if each.source_kind or each.quantity is None else each.whole() for each in found]
        told |= {on for on in beyond if on is not None}  # what no whole number of 64 bits holds is told line by line


def _lists(codes: Collection[str]) -> Iterator[list[str]]:
    """Give codes in lists that one statement names, each of two at least.

    Of a list of one SQLite makes an equality, with which the order that was asked for says nothing more; a planner
    without statistics then goes through all lines of the workshop. A code that is said twice stays a list.
    """
    for chunk in chunks(codes):
        if chunk:
            yield chunk if len(chunk) > 1 else chunk * 2


def _fetched(reading: Reading, statement: Executable, values: dict[str, Any], row: type[_Row]) -> list[_Row]:
    make: Any = row
    return list(map(make._make, _all(reading, statement, values)))


def _all(reading: Reading, statement: Executable, values: dict[str, Any]) -> list[tuple[Any, ...]]:
    """Return the rows straight from the driver: nothing in them needs to be converted, and there may be many."""
    cursor: Any = reading.connection.execute(statement, values).cursor
    found: list[tuple[Any, ...]] = cursor.fetchall()
    cursor.close()
    return found


def _one_by_one(reading: Reading, statement: Executable, values: dict[str, Any]) -> Iterator[tuple[Any, ...]]:
    """Give the same while they are gone through."""
    cursor: Any = reading.connection.execute(statement, values).cursor
    try:
        yield from cursor
    finally:
        cursor.close()
