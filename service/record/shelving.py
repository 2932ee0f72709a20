"""The lots that a record puts on the shelf, and the lines that it writes in the ledger. Sums only, no look-ups."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

from service.domain.blend import BlendPart, blend
from service.domain.ledger_day import made_on, taken_on
from service.domain.lot import Lot, Pool, ShelfLot, Strength, measured, strength_of
from service.domain.material import Material
from service.domain.money import to_micro
from service.domain.quantity import Quantity
from service.domain.run import Charge, Run
from service.domain.shelf_amount import in_dimension, in_units, net_of
from service.domain.stated_money import cost_shares_micro, price_micro
from service.store.entries import Entry
from service.store.shelf import StoredLot
from service.store.types import iso

Materials = Mapping[str, Material]
Lots = Mapping[str, StoredLot]


def lot_of(record: Lot, revision: int) -> StoredLot:
    """The lot that was written as such."""
    strength = strength_of(
        assay=record.assay,
        loss_on_drying=record.loss_on_drying,
        concentration=record.concentration,
        density=record.density,
        contents=record.contents,
    )
    dimension = record.amount.dimension
    lot = ShelfLot(
        record.code, record.material, dimension, strength, "lots", record.code,
        record.project, record.received_on, record.expires_on, record.hazards,
    )  # fmt: skip
    value = record.value
    return StoredLot(
        lot,
        in_units(record.amount.exact_base(), dimension),
        record.origin,
        record.supplier,
        None if value is None else to_micro(value.amount),
        None if value is None else value.currency,
        revision,
    )


def as_found(made: StoredLot, known: StoredLot | None) -> StoredLot:
    """A lot as its record makes it, with what later assays found of the lot that is ``known``, and its recounts."""
    if known is None or (known.assayed is None and not known.recounts):
        return made
    lot = made.lot
    if known.assayed is not None:
        lot = replace(lot, strength=known.assayed.over(lot.strength))
    return replace(made, lot=lot, assayed=known.assayed, recounts=known.recounts)


def run_as_found(run: Run, lots: Lots) -> Run:
    """A run whose outturns are as strong as later assays of their lots found them."""
    found = [None if outturn.lot is None else lots.get(outturn.lot) for outturn in run.outturns]
    if all(stored is None or stored.assayed is None for stored in found):
        return run
    outturns = (
        outturn
        if stored is None or stored.assayed is None
        else replace(outturn, strength=stored.assayed.over(outturn.strength))
        for outturn, stored in zip(run.outturns, found, strict=True)
    )
    return replace(run, outturns=tuple(outturns))


def lots_of_run(run: Run) -> list[StoredLot]:
    """The lots that a run makes, one for each outturn that names one; each is as strong as its outturn states."""
    made = []
    for outturn in run.outturns:
        if outturn.lot is not None:
            dimension, net = net_of(outturn)
            lot = ShelfLot(
                outturn.lot, outturn.material, dimension, outturn.strength, "runs", run.code,
                run.project, made_on(run), outturn.expires_on,
            )  # fmt: skip
            made.append(StoredLot(lot, in_units(net, dimension), "made"))
    return made


def lot_of_pool(pool: Pool, lots: Lots, materials: Materials) -> StoredLot:
    """The lot that a pool makes: as strong as its parts together, but for what was measured on the pool itself.

    It is counted in the dimension of its parts, in mass where they differ. Its amount is None where a part cannot be
    turned into that. It expires with the first of its parts.
    """
    given = [part.amount for part in pool.parts]
    shelf = [lots[part.lot].lot for part in pool.parts]
    dimensions = {amount.dimension for amount in given}
    dimension = dimensions.pop() if len(dimensions) == 1 else "mass"
    amounts = [_converted(amount, dimension, lot, materials) for amount, lot in zip(given, shelf, strict=True)]
    whole = [amount for amount in amounts if isinstance(amount, Fraction)]
    united = blend(
        [
            BlendPart(_number(amount, "mass", lot, materials), _number(amount, "volume", lot, materials), lot.strength)
            for amount, lot in zip(given, shelf, strict=True)
        ]
    )
    strength = Strength(
        assay=measured(pool.assay) or united.assay,
        loss_on_drying=measured(pool.loss_on_drying) or united.loss_on_drying,
        molarity=united.molarity,
        mass_concentration=united.mass_concentration,
        density=united.density,
        contents=united.contents,
    )
    expiries = [lot.expires_on for lot in shelf if lot.expires_on is not None]
    lot = ShelfLot(
        pool.lot, shelf[0].material, dimension, strength, "pools", pool.code,
        pool.project, pool.made_on, min(expiries, default=None), _hazards(shelf),
    )  # fmt: skip
    return StoredLot(
        lot, in_units(sum(whole, Fraction(0)), dimension) if len(whole) == len(amounts) else None, "pooled"
    )


def lines_of_lot(stored: StoredLot) -> list[Entry]:
    """The opening line of a lot that was written as such, with its value."""
    lot = stored.lot
    line = _line("lots", lot.code, "opening", 0, lot, lot.received_on, stored.amount)
    return [line._replace(price_micro=stored.value_micro, currency=stored.currency)]


def lines_of_run(run: Run, lots: Lots, made: Mapping[str, StoredLot], materials: Materials) -> list[Entry]:
    """What a run takes from lots and puts on them, with the money, hours and energy that it states.

    What it takes of no lot or puts on none has a line without a lot.
    """
    begun, ended = taken_on(run), made_on(run)
    lines = [_charge_line(run, i, charge, begun, lots, materials) for i, charge in enumerate(run.charges)]
    shares = cost_shares_micro(run.outturns)
    for i, (outturn, share) in enumerate(zip(run.outturns, shares, strict=True)):
        if outturn.lot is not None:
            stored = made[outturn.lot]
            line = _line("runs", run.code, "outturn", i, stored.lot, ended, stored.amount)
        else:
            dimension, net = net_of(outturn)
            quantity = in_units(net, dimension)
            line = Entry("runs", run.code, "outturn", i, None, outturn.material, iso(ended), dimension, quantity)
        line = line._replace(role=outturn.role, waste_class=outturn.waste_class, cost_share_micro=share)
        if (credit := outturn.credit) is not None:
            line = line._replace(credit_micro=to_micro(credit.amount), currency=credit.currency)
        elif (value := outturn.realisable_value) is not None:
            line = line._replace(price_micro=to_micro(value.amount), currency=value.currency)
        lines.append(line)
    for kind, used in (("labour", run.labour), ("energy", run.energy)):
        if used is not None:
            quantity = in_units(used.exact_base(), used.dimension)
            lines.append(Entry("runs", run.code, kind, 0, None, None, iso(begun), used.dimension, quantity))
    return lines


def _charge_line(run: Run, i: int, charge: Charge, on: dt.date | None, lots: Lots, materials: Materials) -> Entry:
    if charge.lot is not None:
        lot = lots[charge.lot].lot
        strength, material = charge.strength.over(lot.strength), lot.material
        taken = _taken(charge.amount, lot, strength, materials)
        line = _line("runs", run.code, "charge", i, lot, on, taken)
    else:
        assert charge.material is not None, "a charge is of a lot or of a material"
        strength, material, dimension = charge.strength, charge.material, charge.amount.dimension
        quantity = -in_units(charge.amount.exact_base(), dimension)
        line = Entry("runs", run.code, "charge", i, None, material, iso(on), dimension, quantity)
    if charge.price is None:
        return line
    known = materials[material]
    micro = price_micro(charge, strength, known, materials.get(known.analyte_code))
    return line if micro is None else line._replace(price_micro=micro, currency=charge.price.price.currency)


def lines_of_pool(pool: Pool, lots: Lots, made: StoredLot, materials: Materials) -> list[Entry]:
    """What a pool takes from its parts and puts on the lot that it makes."""
    lines = []
    for i, part in enumerate(pool.parts):
        lot = lots[part.lot].lot
        taken = _taken(part.amount, lot, lot.strength, materials)
        lines.append(_line("pools", pool.code, "pool-in", i, lot, pool.made_on, taken))
    amount: int | str = made.amount if made.amount is not None else "the amount of a part cannot be converted"
    return [*lines, _line("pools", pool.code, "pool-out", 0, made.lot, pool.made_on, amount)]


def _line(
    source_kind: str, source: str, kind: str, line: int, lot: ShelfLot, on: dt.date | None, amount: int | str | None
) -> Entry:
    quantity, reason = (amount, None) if isinstance(amount, int) else (None, amount or "the amount is not known")
    return Entry(source_kind, source, kind, line, lot.code, lot.material, iso(on), lot.dimension, quantity, reason)


def _taken(amount: Quantity, lot: ShelfLot, strength: Strength, materials: Materials) -> int | str:
    found = _converted(amount, lot.dimension, lot, materials, strength)
    return found if isinstance(found, str) else -in_units(found, lot.dimension)


def _converted(
    amount: Quantity, dimension: str, lot: ShelfLot, materials: Materials, strength: Strength | None = None
) -> Fraction | str:
    material = materials[lot.material]
    analyte = materials.get(material.analyte_code)
    return in_dimension(amount, dimension, strength or lot.strength, material, analyte)


def _number(amount: Quantity, dimension: str, lot: ShelfLot, materials: Materials) -> float | None:
    found = _converted(amount, dimension, lot, materials)
    return None if isinstance(found, str) else float(found)


def _hazards(lots: Sequence[ShelfLot]) -> tuple[str, ...] | None:
    stated = [lot.hazards for lot in lots if lot.hazards is not None]
    return tuple(dict.fromkeys(code for codes in stated for code in codes)) if stated else None
