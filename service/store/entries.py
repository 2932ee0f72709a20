"""The ledger's lines: what each record puts on a lot or takes from it, and the balances that they come to."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from sqlalchemy import ColumnElement, Select, and_, bindparam, func, select

from service.store.rows import among, chunks, code_list, of_workshop, remove, upsert
from service.store.session import Reading, Writing
from service.store.tables import entries, outcomes

_COLUMNS: Final = (
    "source_kind",
    "source_code",
    "kind",
    "line",
    "lot",
    "material",
    "on",
    "dimension",
    "quantity",
    "reason",
    "price_micro",
    "currency",
    "role",
    "waste_class",
    "cost_share_micro",
    "credit_micro",
)
_KEY: Final = _COLUMNS[:4]
GIGA: Final = 10**9


@dataclass(frozen=True, slots=True)
class Entry:
    """One line: ``kind`` is opening, purchase, charge, outturn, pool-in, pool-out, the kind of a stock entry, labour or
    energy; ``line`` counts in that list of its record.

    ``quantity`` is signed, whole ng, nL or nmol of the lot's own dimension (of its own where it has no lot), None with
    a ``reason`` where it cannot be converted; ms of labour, mJ of energy. ``on`` is a day as ISO text, None where none
    was written. ``price_micro`` is money that the record states for the line, ``credit_micro`` what an outturn is
    credited with, both 10⁻⁶ of ``currency``; ``cost_share_micro`` 10⁻⁶ of the run's cost. ``material`` is None for
    labour and energy only.
    """

    source_kind: str
    source_code: str
    kind: str
    line: int
    lot: str | None
    material: str | None
    on: str | None
    dimension: str
    quantity: int | None
    reason: str | None = None
    price_micro: int | None = None
    currency: str | None = None
    role: str | None = None
    waste_class: str | None = None
    cost_share_micro: int | None = None
    credit_micro: int | None = None

    def row(self) -> dict[str, Any]:
        """The line as the table keeps it."""
        return {name: getattr(self, name) for name in _COLUMNS}


@dataclass(frozen=True, slots=True)
class Balance:
    """What is left of a lot, in ng, nL or nmol: the sum of its lines; ``unknown`` counts those that no sum can hold."""

    dimension: str
    quantity: int
    unknown: int


def of_sources(reading: Reading, kind: str, codes: Collection[str] | None = None) -> list[Entry]:
    """The lines that records of a kind wrote, all or those of ``codes``, by record, list and line."""
    return _several(reading, codes, entries.c.source_code.in_, entries.c.source_kind == kind)


def of_lots(reading: Reading, codes: Collection[str] | None = None) -> list[Entry]:
    """The lines on lots, all or those of ``codes``, by record, list and line; not those without a lot."""
    return _several(reading, codes, entries.c.lot.in_, entries.c.lot.is_not(None))


def balances(reading: Reading, codes: Collection[str] | None = None) -> dict[str, Balance]:
    """What is left of each lot, all or those of ``codes``; below zero where more was taken than put there."""
    values = {"workshop": reading.workshop_id} | ({} if codes is None else {"codes": code_list(reading, codes)})
    rows = reading.connection.execute(_balances(reading.dialect, every=codes is None), values)
    return {code: Balance(dimension, whole(giga, rest), unknown) for code, dimension, giga, rest, unknown in rows}


def came_out(reading: Reading, route: str, roles: Collection[str], until: str) -> list[tuple[str, str, str, int]]:
    """Return what of some roles the runs of a route gave by a day: step, role, material, and in how many runs."""
    e, o = entries.c, outcomes.c
    runs = and_(o.workshop == e.workshop, o.run == e.source_code)
    statement = (
        select(o.step, e.role, e.material, func.count(e.source_code.distinct()))
        .select_from(outcomes.join(entries, runs))
        .where(of_workshop(reading, outcomes), o.route == route, e.source_kind == "runs", e.kind == "outturn")
        .where(e.role.in_(roles), e.on <= until)
        .group_by(o.step, e.role, e.material)
        .order_by(o.step, e.role, e.material)
    )
    return [(step, role, material, int(count)) for step, role, material, count in reading.connection.execute(statement)]


def whole(giga: Any, rest: Any) -> int:
    """A sum that was made in two parts, of what is whole in 10⁹ and of the rest; 0 where there was nothing to sum."""
    return int(giga or 0) * GIGA + int(rest or 0)


@cache
def _balances(dialect: str, *, every: bool) -> Select[Any]:
    """The sums of the lines by lot, of every lot or of those in the list ``codes``; built once.

    Every lot has a line of its own, that of its opening or of what made it: no table but this one needs to be read.
    """
    e = entries.c
    statement = (
        select(
            e.lot,
            func.min(e.dimension),
            # In two parts: large lines together may be beyond 64 bits, which SQLite refuses to sum.
            func.sum(e.quantity.op("/")(GIGA)),
            func.sum(e.quantity % GIGA),
            func.count(e.reason),
        )
        .where(e.workshop == bindparam("workshop"), e.lot.is_not(None))
        .group_by(e.lot)
        .order_by(e.lot)
    )
    return statement if every else statement.where(among(e.lot, "codes", dialect))


def replace_entries(writing: Writing, before: Iterable[Entry], after: Sequence[Entry]) -> set[str]:
    """Turn the lines ``before`` into those ``after``; a line that stays as it is keeps its state.

    Return the lots on which a line is new, gone or another.
    """
    known = {_key(entry): entry for entry in before}
    kept = {_key(entry) for entry in after}
    gone = [key for key in known if key not in kept]
    changed = [(known.get(_key(entry)), entry) for entry in after if known.get(_key(entry)) != entry]
    remove(writing, entries, [dict(zip(_KEY, key, strict=True)) for key in gone])
    upsert(writing, entries, [entry.row() for _, entry in changed])
    lots = {known[key].lot for key in gone} | {each.lot for pair in changed for each in pair if each is not None}
    return {lot for lot in lots if lot is not None}


def _several(
    reading: Reading, codes: Collection[str] | None, within: Any, condition: ColumnElement[bool]
) -> list[Entry]:
    columns = [entries.c[name] for name in _COLUMNS]
    found: list[Entry] = []
    for chunk in chunks(codes):
        statement = select(*columns).where(of_workshop(reading, entries), condition).order_by(*columns[:4])
        rows = reading.connection.execute(statement if chunk is None else statement.where(within(chunk)))
        found += [Entry(*row) for row in rows]
    return found


def _key(entry: Entry) -> tuple[Any, ...]:
    return tuple(getattr(entry, name) for name in _KEY)
