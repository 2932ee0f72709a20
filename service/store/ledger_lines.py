"""The ledger's lines, lots and runs as they are read to be traced, and the statements that fetch them."""

from __future__ import annotations

from functools import cache
from typing import Any, Final, NamedTuple

from sqlalchemy import Select, and_, bindparam, literal, select, union

from service.store.tables import entries, lots, outcomes, revisions, runs

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
    """A lot on the shelf, as far as the ledger asks: ``strength`` is its text, ``amount`` what was put there, in ng, nL
    or nmol by its dimension, None where it cannot be told."""

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
    amount: int | None


class RunRow(NamedTuple):
    """A run, as far as the ledger asks; ``contained_g`` is of its product, None where not known."""

    run: str
    route: str
    step: str
    route_revision: int
    status: str
    started_on: str | None
    finished_on: str | None
    operator: str | None
    project: str | None
    contained_g: float | None


class Taken(NamedTuple):
    """How much one line took of a lot, below 0 as it was written; nothing else of it."""

    lot: str
    source_kind: str
    source_code: str
    on: str | None
    quantity: int | None

    def whole(self) -> Taken:
        """The same of a sum, which some databases tell as a decimal number."""
        return self._replace(quantity=None if self.quantity is None else int(self.quantity))


MAKING: Final = ("opening", "purchase", "outturn", "pool-out")


def _codes() -> Any:
    return bindparam("codes", expanding=True)


@cache
def lines_statement() -> Select[Any]:
    """All lines, those of one source side by side."""
    e = entries.c
    statement = select(*(e[name] for name in Line._fields)).where(e.workshop == bindparam("workshop"))
    return statement.order_by(e.source_kind, e.source_code, e.kind, e.line)


@cache
def lots_statement() -> Select[Any]:
    """All lots."""
    return select(*(lots.c[name] for name in LotRow._fields)).where(lots.c.workshop == bindparam("workshop"))


@cache
def runs_statement() -> Select[Any]:
    """All runs."""
    o = outcomes.c
    columns = [runs.c[name] if name == "route_revision" else o[name] for name in RunRow._fields]
    both = outcomes.join(runs, and_(runs.c.workshop == o.workshop, runs.c.code == o.run))
    return select(*columns).select_from(both).where(o.workshop == bindparam("workshop"))


@cache
def moved_statement() -> Select[Any]:
    """The records, of the kinds that matter here, that were written or removed after a state."""
    r = revisions.c
    wanted = r.kind.in_([*SOURCE_KINDS, *PRICING_KINDS])
    return (
        select(r.kind, r.code)
        .distinct()
        .where(r.workshop == bindparam("workshop"), r.state > bindparam("state"), wanted)
    )


@cache
def derived_statement() -> Any:
    """The sources of which something was derived again after a state."""
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
def lots_moved_statement() -> Select[Any]:
    """The lots that moved after a state."""
    return select(lots.c.code).where(lots.c.workshop == bindparam("workshop"), lots.c.state > bindparam("state"))


@cache
def undated_takers_statement() -> Select[Any]:
    """The sources without a day of lines on some lots."""
    e = entries.c
    statement = select(e.source_kind, e.source_code).where(e.workshop == bindparam("workshop"))
    return statement.where(e.lot.in_(_codes()), e.on.is_(None)).order_by(e.lot)
