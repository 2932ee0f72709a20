"""The shelf: lots as the rest of the book sees them, whichever record they were written through."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import Select, bindparam, select

from service.domain.lot import ShelfLot, Strength
from service.store.rows import chunks, of_workshop, remove, upsert
from service.store.session import Reading, Writing
from service.store.strengths import strength_from, strength_text
from service.store.tables import entries, lots
from service.store.types import iso


@dataclass(frozen=True, slots=True)
class StoredLot:
    """A lot on the shelf with what was put there.

    ``amount`` in ng, nL or nmol by the lot's dimension, None where it cannot be told; ``value_micro`` is 10⁻⁶ of
    ``currency``, what the whole lot is worth where it was written so. ``revision`` is that of the lot's own record,
    None where it has none; ``state`` the one that last wrote it. ``assayed`` is what later assays found, which its
    strength has over what its record states; ``recounts`` how often it was counted.
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


def stored_lots(reading: Reading, codes: Collection[str] | None = None) -> dict[str, StoredLot]:
    """The lots on the shelf by code, all or those of ``codes``."""
    found: dict[str, StoredLot] = {}
    for chunk in chunks(codes):
        values = {"workshop": reading.workshop_id} | ({} if chunk is None else {"codes": chunk})
        rows = reading.connection.execute(_lots(every=chunk is None), values).mappings()
        found |= {row["code"]: _stored(row) for row in rows}
    return found


def shelf_lots(reading: Reading, codes: Collection[str] | None = None) -> dict[str, ShelfLot]:
    """The lots by code, without what was put there."""
    return {code: stored.lot for code, stored in stored_lots(reading, codes).items()}


def made_by(reading: Reading, kind: str, code: str) -> dict[str, StoredLot]:
    """The lots that were written through one record."""
    statement = select(lots).where(of_workshop(reading, lots), lots.c.source_kind == kind, lots.c.source_code == code)
    rows = reading.connection.execute(statement.order_by(lots.c.code)).mappings()
    return {row["code"]: _stored(row) for row in rows}


def of_material(reading: Reading, materials: Collection[str]) -> list[str]:
    """The codes of the lots of some materials."""
    found: list[str] = []
    for chunk in chunks(materials):
        statement = select(lots.c.code).where(of_workshop(reading, lots), lots.c.material.in_(chunk or []))
        found += reading.connection.scalars(statement)
    return found


def put_lots(writing: Writing, stored: Sequence[StoredLot]) -> None:
    """Put lots on the shelf, or overwrite them."""
    upsert(writing, lots, [_row(lot) for lot in stored])


def remove_lots(writing: Writing, codes: Collection[str]) -> None:
    """Take lots off the shelf."""
    remove(writing, lots, [{"code": code} for code in sorted(codes)])


def descendants(reading: Reading, made: Collection[str], most: int | None = None) -> set[str]:
    """The lots that anything of the lots ``made`` went into, through any number of runs and pools.

    With ``most`` no more are looked for than about so many.
    """
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
    return set(reading.connection.scalars(select(down.c.code).limit(most))) - {*made, None}


@cache
def _lots(*, every: bool) -> Select[Any]:
    """The lots by code, every one or those in the list ``codes``; built once."""
    statement = select(lots).where(lots.c.workshop == bindparam("workshop")).order_by(lots.c.code)
    return statement if every else statement.where(lots.c.code.in_(bindparam("codes", expanding=True)))


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
    return StoredLot(lot, **{name: row[name] for name in others}, assayed=assayed)


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
