"""Which lots went into runs: what a step's runs have in common by what they were made from."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import Select, and_, bindparam, select

from service.store.rows import chunks
from service.store.session import Reading
from service.store.tables import entries, lots


@dataclass(frozen=True, slots=True)
class ChargedLot:
    """A charge from a lot: ``quantity`` in ng, nL or nmol of the lot's dimension, 0 where it is not known."""

    run: str
    material: str
    lot: str
    supplier: str | None
    quantity: int


def charged_lots(reading: Reading, runs: Collection[str]) -> list[ChargedLot]:
    """Return the charges of runs that were taken from a lot, by run and line, each with the lot's supplier."""
    found: list[ChargedLot] = []
    for chunk in chunks(runs):
        rows = reading.connection.execute(_charges(), {"workshop": reading.workshop_id, "runs": chunk})
        found += [
            ChargedLot(run, material, lot, supplier, -(taken or 0)) for run, material, lot, supplier, taken in rows
        ]
    return found


@cache
def _charges() -> Select[Any]:
    """The charges from lots of the runs in the list ``runs``; built once."""
    e = entries.c
    of_lot = and_(lots.c.workshop == e.workshop, lots.c.code == e.lot)
    return (
        select(e.source_code, e.material, e.lot, lots.c.supplier, e.quantity)
        .join_from(entries, lots, of_lot)
        .where(
            e.workshop == bindparam("workshop"),
            e.source_kind == "runs",
            e.source_code.in_(bindparam("runs", expanding=True)),
            e.kind == "charge",
        )
        .order_by(e.source_code, e.line)
    )
