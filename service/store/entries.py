"""The ledger's lines: what each record puts on a lot or takes from it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import Any, Final, NamedTuple

from sqlalchemy import ColumnElement, and_, func, select

from service.store.balances import GIGA, whole
from service.store.rows import chunks, of_workshop, remove, upsert
from service.store.session import Reading, Writing
from service.store.tables import entries, outcomes


class Entry(NamedTuple):
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


_KEY: Final = Entry._fields[:4]


class Move(NamedTuple):
    """By how much the lines of a lot come to more than before: ``quantity`` in its own unit, ``unknown`` lines.

    ``since`` is the first day on which a line is new, gone or another, as ISO text; "" where one of those has no day.
    """

    quantity: int
    unknown: int
    since: str


def of_sources(reading: Reading, kind: str, codes: Collection[str] | None = None) -> list[Entry]:
    """The lines that records of a kind wrote, all or those of ``codes``, by record, list and line."""
    return _several(reading, codes, entries.c.source_code.in_, entries.c.source_kind == kind)


def of_lots(reading: Reading, codes: Collection[str] | None = None) -> list[Entry]:
    """The lines on lots, all or those of ``codes``, by record, list and line; not those without a lot."""
    return _several(reading, codes, entries.c.lot.in_, entries.c.lot.is_not(None))


def came_out(reading: Reading, route: str, roles: Collection[str]) -> list[tuple[str, Entry]]:
    """Return the lines of some roles that the runs of a route wrote, each with its step, by run and line."""
    e, o = entries.c, outcomes.c
    runs = and_(o.workshop == e.workshop, o.run == e.source_code)
    statement = (
        select(o.step, *(e[name] for name in Entry._fields))
        .select_from(outcomes.join(entries, runs))
        .where(of_workshop(reading, outcomes), o.route == route, e.source_kind == "runs", e.kind == "outturn")
        .where(e.role.in_(roles))
        .order_by(e.source_code, e.line)
    )
    return [(step, Entry(*line)) for step, *line in reading.connection.execute(statement)]


def priced_charges(reading: Reading, material: str, until: str, most: int) -> list[Entry]:
    """The charges of a material that state a price, of runs that began by a day or have none, the newest first."""
    e = entries.c
    day = func.coalesce(e.on, "")
    statement = (
        select(*(e[name] for name in Entry._fields))
        .where(of_workshop(reading, entries), e.material == material, e.kind == "charge", e.price_micro.is_not(None))
        .where(day <= until)
        .order_by(day.desc(), e.source_code.desc(), e.line.desc())
        .limit(most)
    )
    return [Entry(*line) for line in reading.connection.execute(statement)]


class Sum(NamedTuple):
    """What lines come to: their ``quantity`` together, and how many have none, which are ``unknown``."""

    quantity: int
    unknown: int


def sum_of(lines: Iterable[Entry]) -> Sum:
    """What some lines of one lot come to."""
    several = list(lines)
    return Sum(sum(line.quantity or 0 for line in several), sum(line.quantity is None for line in several))


def booked_after(reading: Reading, lot: str, day: str, *, but: str) -> Sum:
    """What the lines of later days than ``day``, which is ISO text, come to on a lot, those of a kind left out."""
    e = entries.c
    # In two parts: large lines together may be beyond 64 bits, which SQLite refuses to sum.
    sums = select(
        func.sum(e.quantity.op("/")(GIGA)), func.sum(e.quantity % GIGA), func.count() - func.count(e.quantity)
    )
    own = (of_workshop(reading, entries), e.lot == lot, e.on > day, e.source_kind != but)
    giga, rest, unknown = reading.connection.execute(sums.where(*own)).one()
    return Sum(whole(giga, rest), unknown)


def replace_entries(writing: Writing, before: Iterable[Entry], after: Sequence[Entry]) -> dict[str, Move]:
    """Turn the lines ``before`` into those ``after``; a line that stays as it is keeps its state.

    Return by how much each lot moves on which a line is new, gone or another.
    """
    known = {entry[:4]: entry for entry in before}
    new = [entry for entry in after if known.get(entry[:4]) != entry]
    kept = {entry[:4] for entry in after} if known else ()
    gone = [entry for key, entry in known.items() if key not in kept]
    remove(writing, entries, [dict(zip(_KEY, entry[:4], strict=True)) for entry in gone])
    upsert(writing, entries, [entry._asdict() for entry in new])
    moves: dict[str, Move] = {}
    for entry in new:
        _count(moves, entry, 1)
        if (was := known.get(entry[:4])) is not None:
            _count(moves, was, -1)
    for entry in gone:
        _count(moves, entry, -1)
    return moves


def _count(moves: dict[str, Move], entry: Entry, sign: int) -> None:
    if entry.lot is None:
        return
    day = entry.on or ""
    quantity, unknown, since = moves.get(entry.lot, (0, 0, day))
    quantity, unknown = (
        (quantity, unknown + sign) if entry.quantity is None else (quantity + sign * entry.quantity, unknown)
    )
    moves[entry.lot] = Move(quantity, unknown, min(since, day))


def _several(
    reading: Reading, codes: Collection[str] | None, within: Any, condition: ColumnElement[bool]
) -> list[Entry]:
    columns = [entries.c[name] for name in Entry._fields]
    found: list[Entry] = []
    for chunk in chunks(codes):
        statement = select(*columns).where(of_workshop(reading, entries), condition).order_by(*columns[:4])
        rows = reading.connection.execute(statement if chunk is None else statement.where(within(chunk)))
        found += [Entry(*row) for row in rows]
    return found
