"""What statistics ask of runs beside their outcomes: the lots that they took of a material, why they are left out."""

from __future__ import annotations

import json
from collections.abc import Collection

from sqlalchemy import select

from service.store.records import many
from service.store.rows import of_workshop
from service.store.session import Reading
from service.store.tables import entries, lots


def charged_lots(reading: Reading, material: str) -> dict[str, str]:
    """Return, by run, the lot that it took of a material; several are joined with a plus, in order."""
    e = entries.c
    statement = (
        select(e.source_code, e.lot)
        .where(of_workshop(reading, entries), e.source_kind == "runs", e.kind == "charge", e.lot.is_not(None))
        .where(e.lot.in_(select(lots.c.code).where(of_workshop(reading, lots), lots.c.material == material)))
        .order_by(e.source_code, e.lot)
        .distinct()
    )
    found: dict[str, str] = {}
    for run, lot in reading.connection.execute(statement):
        found[run] = f"{found[run]}+{lot}" if run in found else lot
    return found


def suppliers_of_lots(reading: Reading) -> dict[str, str]:
    """Return the supplier of every lot that has one."""
    statement = select(lots.c.code, lots.c.supplier).where(of_workshop(reading, lots), lots.c.supplier.is_not(None))
    return {row.code: row.supplier for row in reading.connection.execute(statement)}


def runs_excluded(reading: Reading, runs: Collection[str]) -> dict[str, str]:
    """Return, of ``runs``, the reason of each that its record leaves out of statistics."""
    found = {}
    for stored in many(reading, "runs", sorted(runs)) if runs else ():
        exclude = json.loads(stored.text).get("exclude")
        if exclude:
            found[stored.code] = exclude["reason"]
    return found
