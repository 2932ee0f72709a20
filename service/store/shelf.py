"""The shelf: lots as the rest of the book sees them, whichever record they were written through."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final, NamedTuple

from sqlalchemy import Select, and_, bindparam, or_, select

from service.domain.lot import ShelfLot, Strength
from service.store.balances import Balance, above_zero, balance_of, whole
from service.store.prepared import fetched
from service.store.rows import among, chunks, code_list, of_workshop, remove, upsert
from service.store.session import Reading, Writing
from service.store.strengths import strength_from, strength_text
from service.store.tables import balances, entries, lots
from service.store.types import iso


@dataclass(frozen=True, slots=True)
class StoredLot:
    """A lot on the shelf with what was put there.

    ``amount`` in ng, nL or nmol by the lot's dimension, None where it cannot be told; ``value_micro`` is 10⁻⁶ of
    ``currency``, what the whole lot is worth where it was written so. ``revision`` is that of the lot's own record,
    None where it has none; ``state`` the one that last wrote it. ``assayed`` is what later assays found, which its
    strength has over what its record states; ``recounts`` how often it was counted. ``left`` is what its lines come to,
    None where it has none: no part of the lot, which is the same lot whatever is taken from it.
    """

    lot: ShelfLot
    amount: int | None
    origin: str
    supplier: str | None = None
    value_micro: int | None = None
    currency: str | None = None
    revision: int | None = None
    state: int | None = None
    assayed: Strength | None = None
    recounts: int = 0
    left: Balance | None = field(default=None, compare=False)


_NAMES: Final = (*lots.columns.keys(), "giga", "rest", "unknown")
_HAS: Final = and_(balances.c.workshop == lots.c.workshop, balances.c.lot == lots.c.code)


def stored_lots(reading: Reading, codes: Collection[str] | None = None) -> dict[str, StoredLot]:
    """The lots on the shelf by code, all or those of ``codes``."""
    values = {"workshop": reading.workshop_id} | ({} if codes is None else {"codes": code_list(reading, codes)})
    rows = fetched(reading.connection, _lots(reading.dialect, every=codes is None), values)
    return {row["code"]: _stored(row) for row in (dict(zip(_NAMES, row, strict=True)) for row in rows)}


def shelf_lots(reading: Reading, codes: Collection[str] | None = None) -> dict[str, ShelfLot]:
    """The lots by code, without what was put there."""
    return {code: stored.lot for code, stored in stored_lots(reading, codes).items()}


def made_by(reading: Reading, kind: str, code: str) -> dict[str, StoredLot]:
    """The lots that were written through one record."""
    own = (of_workshop(reading, lots), lots.c.source_kind == kind, lots.c.source_code == code)
    rows = reading.connection.execute(_with_left().where(*own).order_by(lots.c.code)).mappings()
    return {row["code"]: _stored(row) for row in rows}


def of_material(reading: Reading, materials: Collection[str]) -> list[str]:
    """The codes of the lots of some materials."""
    found: list[str] = []
    for chunk in chunks(materials):
        statement = select(lots.c.code).where(of_workshop(reading, lots), lots.c.material.in_(chunk or []))
        found += reading.connection.scalars(statement)
    return found


class LotsAlike(NamedTuple):
    """Lots of one material that were put on the shelf in one dimension at one strength.

    ``amount`` is that of all of them, in ng, nL or nmol; ``squares`` the sum of the squares of each one's.
    """

    material: str
    dimension: str
    strength_text: str
    amount: int
    squares: int

    @property
    def strength(self) -> Strength:
        """What each of them holds."""
        return strength_from(self.strength_text)


def alike(reading: Reading, materials: Collection[str]) -> list[LotsAlike]:
    """The lots of some materials of which something was put on the shelf, those that are alike taken together."""
    found: dict[tuple[str, str, str], tuple[int, int]] = {}
    # Summed here, in whole numbers of any size: SQLite takes longer to sort the rows than to hand them out.
    for *key, amount in _plain(reading, _amounts(), materials):
        total, squares = found.get(place := tuple(key), (0, 0))
        found[place] = total + amount, squares + amount * amount
    return [LotsAlike(*key, *sums) for key, sums in sorted(found.items())]


def that_state(reading: Reading, materials: Collection[str], names: Collection[str]) -> set[str]:
    """Those of some materials of which any lot states one of ``names``: its assay, its density and so on."""
    own = (lots.c.workshop == bindparam("workshop"), lots.c.material.in_(bindparam("materials", expanding=True)))
    states = or_(*(lots.c.strength.like(f'%"{name}":%') for name in names))
    return {material for (material,) in _plain(reading, select(lots.c.material).where(*own, states), materials)}


class LotLeft(NamedTuple):
    """A lot that still holds something: ``left`` is above zero, in ng, nL or nmol. ``expires_on`` is ISO text."""

    code: str
    material: str
    dimension: str
    strength_text: str
    project: str | None
    expires_on: str | None
    left: int

    @property
    def strength(self) -> Strength:
        """What it holds a gram."""
        return strength_from(self.strength_text)


def lots_left(reading: Reading, materials: Collection[str]) -> list[LotLeft]:
    """The lots of some materials that still hold something, by code."""
    rows = _plain(reading, _lefts(), materials)
    return sorted(LotLeft._make((*row, whole(giga, rest))) for *row, giga, rest in rows)


def _plain(reading: Reading, statement: Select[Any], materials: Collection[str]) -> Iterator[Any]:
    """The rows as the driver hands them out: nothing in them needs to be converted, and there may be many."""
    for chunk in chunks(materials):
        values = {"workshop": reading.workshop_id, "materials": chunk}
        cursor: Any = reading.connection.execute(statement, values).cursor
        yield from cursor
        cursor.close()


@cache
def _amounts() -> Select[Any]:
    own = (lots.c.workshop == bindparam("workshop"), lots.c.material.in_(bindparam("materials", expanding=True)))
    return select(lots.c.material, lots.c.dimension, lots.c.strength, lots.c.amount).where(*own, lots.c.amount > 0)


@cache
def _lefts() -> Select[Any]:
    names = ("code", "material", "dimension", "strength", "project", "expires_on")
    return (
        select(*(lots.c[name] for name in names), balances.c.giga, balances.c.rest)
        .join(balances, _HAS)
        .where(lots.c.workshop == bindparam("workshop"), lots.c.material.in_(bindparam("materials", expanding=True)))
        .where(above_zero())
    )


def put_lots(writing: Writing, stored: Sequence[StoredLot]) -> None:
    """Put lots on the shelf, or overwrite them."""
    upsert(writing, lots, [_row(lot) for lot in stored])


def remove_lots(writing: Writing, codes: Collection[str]) -> None:
    """Take lots off the shelf."""
    remove(writing, lots, [{"code": code} for code in sorted(codes)])


def descendants(reading: Reading, made: Collection[str]) -> set[str]:
    """The lots that anything of the lots ``made`` went into, through any number of runs and pools."""
    taken = entries.c.kind.in_(["charge", "pool-in"])
    own = of_workshop(reading, lots)
    down = select(lots.c.code).where(own, lots.c.code.in_(sorted(made))).cte("down", recursive=True)
    # An outer join, so that lines come first: a planner without statistics would begin with all lots of the workshop.
    same_source = (
        (lots.c.workshop == entries.c.workshop)
        & (lots.c.source_kind == entries.c.source_kind)
        & (lots.c.source_code == entries.c.source_code)
    )
    step = (
        select(lots.c.code)
        .select_from(down.join(entries, of_workshop(reading, entries) & (entries.c.lot == down.c.code)))
        .join(lots, same_source, isouter=True)
        .where(taken)
    )
    down = down.union(step)
    return set(reading.connection.scalars(select(down.c.code))) - {*made, None}


@cache
def _lots(dialect: str, *, every: bool) -> Select[Any]:
    """The lots by code, every one or those in the list ``codes``; built once."""
    statement = _with_left().where(lots.c.workshop == bindparam("workshop")).order_by(lots.c.code)
    return statement if every else statement.where(among(lots.c.code, "codes", dialect))


@cache
def _with_left() -> Select[Any]:
    """Lots with what is left of them."""
    left = (balances.c.giga, balances.c.rest, balances.c.unknown)
    return select(lots, *left).select_from(lots.outerjoin(balances, _HAS))


def _stored(row: Mapping[Any, Any]) -> StoredLot:
    lot = ShelfLot(
        code=row["code"],
        material=row["material"],
        dimension=row["dimension"],
        strength=strength_from(row["strength"]),
        source_kind=row["source_kind"],
        source_code=row["source_code"],
        project=row["project"],
        received_on=_day(row["received_on"]),
        expires_on=_day(row["expires_on"]),
        hazards=None if row["hazards"] is None else tuple(row["hazards"].split()),
    )
    others = ("amount", "origin", "supplier", "value_micro", "currency", "revision", "state", "recounts")
    assayed = None if row["assayed"] is None else strength_from(row["assayed"])
    left = None if row["giga"] is None else balance_of(lot.dimension, row["giga"], row["rest"], row["unknown"])
    return StoredLot(lot, **{name: row[name] for name in others}, assayed=assayed, left=left)


def _row(stored: StoredLot) -> dict[str, Any]:
    lot = stored.lot
    return {
        "code": lot.code,
        "revision": stored.revision,
        "material": lot.material,
        "dimension": lot.dimension,
        "amount": stored.amount,
        "strength": strength_text(lot.strength),
        "assayed": None if stored.assayed is None else strength_text(stored.assayed),
        "recounts": stored.recounts,
        "hazards": None if lot.hazards is None else " ".join(lot.hazards),
        "source_kind": lot.source_kind,
        "source_code": lot.source_code,
        "origin": stored.origin,
        "supplier": stored.supplier,
        "project": lot.project,
        "received_on": iso(lot.received_on),
        "expires_on": iso(lot.expires_on),
        "value_micro": stored.value_micro,
        "currency": stored.currency,
    }


def _day(text: str | None) -> dt.date | None:
    return None if text is None else dt.date.fromisoformat(text)
