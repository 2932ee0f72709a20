"""The ledger's lines as they are read to be traced: whole, what is newer than a state, or what one lot came from.

The unit of change is the source record: one that anything of was touched since a state is read whole again.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final, NamedTuple, TypeVar

from sqlalchemy import Select, and_, bindparam, literal, or_, select, union

from service.store.rows import chunks, of_workshop
from service.store.session import Reading
from service.store.tables import entries, lots, outcomes, revisions, runs, steps

Source = tuple[str, str]
"""Kind and code of the record that wrote a line."""

SOURCE_KINDS: Final = ("lots", "purchases", "runs", "pools", "stock-entries")
PRICING_KINDS: Final = ("materials", "offers", "rates", "exchange-rates", "routes")
"""Kinds of records that the money of a line may rest on."""
TAKEN: Final = ("charge", "pool-in")


class Line(NamedTuple):
    """One line of the ledger, as the table has it: days are ISO text, ``quantity`` is signed, None where not known."""

    source_kind: str
    source_code: str
    kind: str
    line: int
    lot: str | None
    material: str | None
    on: str | None
    dimension: str
    quantity: int | None
    price_micro: int | None
    currency: str | None
    role: str | None
    waste_class: str | None
    cost_share_micro: int | None
    credit_micro: int | None

    @property
    def source(self) -> Source:
        """The record that wrote it."""
        return self.source_kind, self.source_code


class LotRow(NamedTuple):
    """A lot on the shelf, as far as the ledger asks: ``strength`` is its text."""

    code: str
    material: str
    dimension: str
    strength: str
    project: str | None
    received_on: str | None
    expires_on: str | None
    origin: str
    source_kind: str
    source_code: str


class RunRow(NamedTuple):
    """A run, as far as the ledger asks; masses of product in g, None where not known."""

    run: str
    route: str
    step: str
    route_revision: int
    status: str
    started_on: str | None
    finished_on: str | None
    operator: str | None
    project: str | None
    dry_g: float | None
    contained_g: float | None


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
        _fetched(reading, _lines("all"), values, Line),
        _fetched(reading, _lots("all"), values, LotRow),
        _fetched(reading, _runs("all"), values, RunRow),
    )


def ledger_of_sources(reading: Reading, sources: Collection[Source]) -> LedgerRows:
    """Return the lines of some records, those that there are."""
    found = LedgerRows([], [], [])
    wanted = set(sources)
    for chunk in chunks({code for _, code in wanted}):
        values = {"workshop": reading.workshop_id, "codes": chunk}
        lines = _fetched(reading, _lines("sources"), values, Line)
        made = _fetched(reading, _lots("sources"), values, LotRow)
        found.lines.extend(line for line in lines if line[:2] in wanted)  # type: ignore[attr-defined]
        found.lots.extend(lot for lot in made if lot[-2:] in wanted)  # type: ignore[attr-defined]
    for chunk in chunks([code for kind, code in wanted if kind == "runs"]):
        values = {"workshop": reading.workshop_id, "codes": chunk}
        found.runs.extend(_fetched(reading, _runs("some"), values, RunRow))  # type: ignore[attr-defined]
    return found


def touched_since(reading: Reading, state: int) -> Touched:
    """Return what moved after ``state``: records written or removed, and whatever was derived again.

    A run without a day counts on the latest day of the lots that it takes from: it is touched with them.
    """
    values = {"workshop": reading.workshop_id, "state": state}
    moved = {(kind, code) for kind, code in reading.connection.execute(_moved(), values)}
    sources = {(kind, code) for kind, code in reading.connection.execute(_derived(), values)}
    sources |= {source for source in moved if source[0] in SOURCE_KINDS}
    sources |= {(kind, code) for kind, code in reading.connection.execute(_undated_takers(), values)}
    return Touched(frozenset(sources), frozenset(moved - {source for source in moved if source[0] in SOURCE_KINDS}))


def sources_of_materials(reading: Reading, materials: Collection[str]) -> set[Source]:
    """Return the records with a line of one of these materials."""
    found: set[Source] = set()
    for chunk in chunks(materials):
        statement = select(entries.c.source_kind, entries.c.source_code).distinct()
        statement = statement.where(of_workshop(reading, entries), entries.c.material.in_(chunk or []))
        found |= {(kind, code) for kind, code in reading.connection.execute(statement)}
    return found


def own_made(reading: Reading) -> frozenset[str]:
    """Return the materials that a step of the workshop makes."""
    statement = select(steps.c.product).distinct().where(of_workshop(reading, steps))
    return frozenset(reading.connection.scalars(statement))


def days_of_lots(reading: Reading, codes: Collection[str]) -> dict[str, str]:
    """Return the day, as ISO text, from which each of these lots was there, where one is known."""
    found: dict[str, str] = {}
    for chunk in chunks(codes):
        statement = select(lots.c.code, lots.c.received_on).where(of_workshop(reading, lots))
        statement = statement.where(lots.c.code.in_(chunk or []), lots.c.received_on.is_not(None))
        found |= {row.code: row.received_on for row in reading.connection.execute(statement)}
    return found


def lots_behind(reading: Reading, lot: str) -> list[LotRow]:
    """Return the lots that one was made of, itself among them, through any number of runs and pools."""
    return _fetched(reading, _behind(), {"workshop": reading.workshop_id, "lot": lot}, LotRow)


def lots_made_by(reading: Reading, sources: Collection[Source]) -> list[LotRow]:
    """Return the lots that some records made."""
    found: list[LotRow] = []
    for chunk in chunks({code for _, code in sources}):
        values = {"workshop": reading.workshop_id, "codes": chunk}
        made = _fetched(reading, _lots("sources"), values, LotRow)
        found += [lot for lot in made if (lot.source_kind, lot.source_code) in sources]
    return found


def takes_of_lots(reading: Reading, codes: Collection[str]) -> list[Line]:
    """Return every line by which something was taken of these lots, or counted."""
    found: list[Line] = []
    for chunk in chunks(codes):
        values = {"workshop": reading.workshop_id, "codes": chunk}
        found += _fetched(reading, _lines("takes"), values, Line)
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


# ---- statements, each built once

_MAKING: Final = ("opening", "purchase", "outturn", "pool-out")
_Row = TypeVar("_Row", bound=tuple[Any, ...])


def _fetched(reading: Reading, statement: Select[Any], values: dict[str, Any], row: type[_Row]) -> list[_Row]:
    # Plain tuples straight from the driver: nothing in them needs to be converted, and there may be many.
    cursor: Any = reading.connection.execute(statement, values).cursor
    found: Iterable[tuple[Any, ...]] = cursor.fetchall()
    cursor.close()
    make: Any = row
    return list(map(make._make, found))


def _codes() -> Any:
    return bindparam("codes", expanding=True)


@cache
def _lines(which: str) -> Select[Any]:
    e = entries.c
    statement = select(*(e[name] for name in Line._fields)).where(e.workshop == bindparam("workshop"))
    if which == "sources":
        statement = statement.where(e.source_kind.in_(SOURCE_KINDS), e.source_code.in_(_codes()))
    if which == "takes":
        return statement.where(e.lot.in_(_codes()), e.kind.not_in(_MAKING))
    return statement.order_by(e.source_kind, e.source_code, e.kind, e.line)


@cache
def _lots(which: str) -> Select[Any]:
    statement = select(*_LOT_COLUMNS).where(lots.c.workshop == bindparam("workshop"))
    if which == "sources":
        statement = statement.where(lots.c.source_kind.in_(SOURCE_KINDS), lots.c.source_code.in_(_codes()))
    return statement


@cache
def _runs(which: str) -> Select[Any]:
    o = outcomes.c
    columns = [runs.c[name] if name == "route_revision" else o[name] for name in RunRow._fields]
    both = outcomes.join(runs, and_(runs.c.workshop == o.workshop, runs.c.code == o.run))
    statement = select(*columns).select_from(both).where(o.workshop == bindparam("workshop"))
    return statement if which == "all" else statement.where(o.run.in_(_codes()))


@cache
def _moved() -> Select[Any]:
    r = revisions.c
    wanted = r.kind.in_([*SOURCE_KINDS, *PRICING_KINDS])
    return (
        select(r.kind, r.code)
        .distinct()
        .where(r.workshop == bindparam("workshop"), r.state > bindparam("state"), wanted)
    )


@cache
def _derived() -> Any:
    since: Any = bindparam("state")
    workshop: Any = bindparam("workshop")
    e, s, o, r = entries.c, lots.c, outcomes.c, runs.c
    return union(
        select(e.source_kind, e.source_code).where(e.workshop == workshop, e.state > since),
        select(s.source_kind, s.source_code).where(s.workshop == workshop, s.state > since),
        select(literal("runs"), o.run).where(o.workshop == workshop, o.state > since),
        select(literal("runs"), r.code).where(r.workshop == workshop, r.state > since),
    )


@cache
def _undated_takers() -> Select[Any]:
    e, s = entries.c, lots.c
    return (
        select(e.source_kind, e.source_code)
        .distinct()
        .join(lots, and_(s.workshop == e.workshop, s.code == e.lot))
        .where(s.workshop == bindparam("workshop"), s.state > bindparam("state"), e.on.is_(None))
    )


@cache
def _behind() -> Select[Any]:
    workshop: Any = bindparam("workshop")
    first = select(lots.c.code).where(lots.c.workshop == workshop, lots.c.code == bindparam("lot"))
    up = first.cte("up", recursive=True)
    made = lots.alias("made")
    same_source = and_(
        entries.c.workshop == made.c.workshop,
        entries.c.source_kind == made.c.source_kind,
        entries.c.source_code == made.c.source_code,
    )
    further = (
        select(entries.c.lot)
        .select_from(up.join(made, and_(made.c.workshop == workshop, made.c.code == up.c.code)))
        .join(entries, same_source)
        .where(entries.c.kind.in_(TAKEN), entries.c.lot.is_not(None))
    )
    return _lots_within(up.union(further))


def _lots_within(codes: Any) -> Select[Any]:
    both = codes.join(lots, and_(lots.c.workshop == bindparam("workshop"), lots.c.code == codes.c.code))
    return select(*_LOT_COLUMNS).select_from(both)


_LOT_COLUMNS: Final = [lots.c[name] for name in LotRow._fields]
