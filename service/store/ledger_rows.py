"""The ledger's lines as they are read to be traced: whole, what is newer than a state, or what one lot came from.

The unit of change is the source record: one that anything of was touched since a state is read whole again.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple, TypeVar

from sqlalchemy import Select, and_, func, or_, select

from service.store.ledger_lines import (
    SOURCE_KINDS,
    TAKEN,
    Line,
    LotRow,
    RunRow,
    Source,
    Taken,
    amounts_statement,
    behind_statement,
    derived_statement,
    lines_statement,
    lots_moved_statement,
    lots_statement,
    moved_statement,
    runs_statement,
    undated_takers_statement,
)
from service.store.rows import chunks, of_workshop
from service.store.session import Reading
from service.store.tables import entries, lots, runs, steps

_Row = TypeVar("_Row", bound=tuple[Any, ...])
_MOST_TAKES: Final = 20_000


@dataclass(frozen=True, slots=True)
class LedgerRows:
    """Lines of whole sources, sorted by source, with the lots that these made and the runs among them."""

    lines: Sequence[Line]
    lots: Sequence[LotRow]
    runs: Sequence[RunRow]


@dataclass(frozen=True, slots=True)
class Touched:
    """What moved after a state: ``sources`` to be read again (or gone), and which records money may rest on did."""

    sources: frozenset[Source]
    pricing: frozenset[Source]


def whole_ledger(reading: Reading) -> LedgerRows:
    """Return all of a workshop's ledger."""
    values = {"workshop": reading.workshop_id}
    return LedgerRows(
        _fetched(reading, lines_statement("all"), values, Line),
        _fetched(reading, lots_statement("all"), values, LotRow),
        _fetched(reading, runs_statement("all"), values, RunRow),
    )


def ledger_of_sources(reading: Reading, sources: Collection[Source]) -> LedgerRows:
    """Return the lines of some records, those that there are."""
    lines: list[Line] = []
    made: list[LotRow] = []
    of_runs: list[RunRow] = []
    for kind, codes in _by_kind(sources).items():
        for chunk in _lists(codes):
            values = {"workshop": reading.workshop_id, "kind": kind, "codes": chunk}
            lines += _fetched(reading, lines_statement("sources"), values, Line)
            made += _fetched(reading, lots_statement("sources"), values, LotRow)
            if kind == "runs":
                del values["kind"]
                of_runs += _fetched(reading, runs_statement("some"), values, RunRow)
    return LedgerRows(lines, made, of_runs)


def _by_kind(sources: Collection[Source]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for kind, code in sources:
        found.setdefault(kind, []).append(code)
    return found


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


def sources_behind(reading: Reading, codes: Collection[str]) -> set[Source]:
    """Return the records that some lots were made by, and all lots that they were made of, through any number."""
    found: set[Source] = set()
    for chunk in chunks(codes):
        values = {"workshop": reading.workshop_id, "codes": chunk}
        found |= {(kind, code) for kind, code in reading.connection.execute(behind_statement("lots"), values) if kind}
    return found


def sources_behind_run(reading: Reading, run: str) -> set[Source]:
    """Return a run and the records behind the lots that it takes from, through any number of them."""
    found = reading.connection.execute(behind_statement("run"), {"workshop": reading.workshop_id, "code": run})
    return {("runs", run), *((kind, source) for kind, source in found if kind is not None)}


def lots_resting_on(reading: Reading, sources: Collection[Source], most: int) -> tuple[list[str], bool]:
    """Return the lots that some records made, or that were made of those, the nearest first; and whether that is all.

    The walk ends once more than ``most`` are found, of which the first ``most`` are returned, or once it would read
    very many takes of one generation.
    """
    found: dict[str, None] = {}
    waiting, seen = set(sources), set(sources)
    whole = True
    while waiting and len(found) <= most:
        made = sorted({row.code for row in lots_made_by(reading, waiting)} - found.keys())
        found |= dict.fromkeys(made)
        taken = takes_of_lots(reading, made[: most + 1], _MOST_TAKES + 1) if made else []
        whole = whole and len(taken) <= _MOST_TAKES
        waiting = {line.source for line in taken if line.kind in TAKEN} - seen
        seen |= waiting
    return list(found)[:most], whole and len(found) <= most


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


def lots_made_by(reading: Reading, sources: Collection[Source]) -> list[LotRow]:
    """Return the lots that some records made."""
    found: list[LotRow] = []
    for kind, codes in _by_kind(sources).items():
        for chunk in _lists(codes):
            values = {"workshop": reading.workshop_id, "kind": kind, "codes": chunk}
            found += _fetched(reading, lots_statement("sources"), values, LotRow)
    return found


def takes_of_lots(reading: Reading, codes: Collection[str], most: int) -> list[Line]:
    """Return the lines by which something was taken of these lots, or counted: at most so many."""
    found: list[Line] = []
    for chunk in _lists(codes):
        if len(found) < most:
            values = {"workshop": reading.workshop_id, "codes": chunk, "most": most - len(found)}
            found += _fetched(reading, lines_statement("takes"), values, Line)
    return found


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


def amounts_taken(reading: Reading, codes: Collection[str], last: str) -> list[Taken]:
    """Return how much every line took of these lots by a ``last`` day, as ISO text; one without a day may have."""
    found: list[Taken] = []
    for chunk in _lists(codes):
        values = {"workshop": reading.workshop_id, "codes": chunk, "last": last}
        found += _fetched(reading, amounts_statement(), values, Taken)
    return found


def _lists(codes: Collection[str]) -> Iterator[list[str]]:
    """Give codes in lists that one statement names, each of two at least.

    Of a list of one SQLite makes an equality, with which the order that was asked for says nothing more; a planner
    without statistics then goes through all lines of the workshop. A code that is said twice stays a list.
    """
    for chunk in chunks(codes):
        if chunk:
            yield chunk if len(chunk) > 1 else chunk * 2


def _fetched(reading: Reading, statement: Select[Any], values: dict[str, Any], row: type[_Row]) -> list[_Row]:
    # Plain tuples straight from the driver: nothing in them needs to be converted, and there may be many.
    cursor: Any = reading.connection.execute(statement, values).cursor
    found: Iterable[tuple[Any, ...]] = cursor.fetchall()
    cursor.close()
    make: Any = row
    return list(map(make._make, found))
