"""Cautions of what goes into a batch and what comes of it: statements, pairs, metals, the workshop's limits."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from service.domain.caution_kind import JUDGEMENT, STATEMENTS, Caution, Level
from service.domain.planned_batch import BatchMaterial, PlannedBatch
from service.domain.quantity import Quantity
from service.domain.workshop import MaterialLimit

Said = Iterator[Caution | str]

_GRAVE: Final = frozenset({"H200", "H201", "H202", "H203", "H240", "H250", "H300", "H310", "H330", "H340", "H350"})
_AQUATIC: Final = frozenset({"H400", "H410", "H411"})
# Metals whose salts are collected whatever the label says.
_METALS: Final = frozenset(
    ("Ag", "As", "Ba", "Cd", "Co", "Cr", "Cu", "Hg", "Mn", "Mo", "Ni", "Pb", "Sb", "Se", "Sn", "Tl", "V", "Zn")
)
_SET_OFF: Final[Mapping[str, tuple[str, Level, str]]] = {
    "H260": ("water", "stop", "gives off flammable gas that may ignite by itself"),
    "H261": ("water", "warn", "gives off flammable gas"),
    "EUH014": ("water", "warn", "reacts violently"),
    "EUH029": ("water", "warn", "gives off toxic gas"),
    "EUH031": ("acid", "warn", "gives off toxic gas"),
    "EUH032": ("acid", "stop", "gives off very toxic gas"),
}


def _grams(material: BatchMaterial) -> str:
    return f"{'an unknown mass' if material.mass_g is None else f'{material.mass_g:.3g} g'} of {material.code}"


def hazards(batch: PlannedBatch) -> Said:
    """Yield the hazard statements of what goes in, comes out and is given off, with masses; and what has none.

    >>> [said.detail for said in hazards(PlannedBatch("s", 5.0, (BatchMaterial("lye", 5.0, hazards=("H314",)),)))]
    ['5 g of lye: H314']
    """
    given_off = {gas.code for gas in batch.gases or ()}
    held = [material for material in batch.charges + batch.made if material.code not in given_off]
    silent = [material.code for material in held if not material.hazards]
    silent += [gas.code for gas in batch.gases or () if not gas.hazards]
    for material in held:
        if material.hazards:
            grave = _GRAVE.intersection(part[:4] for statement in material.hazards for part in statement.split("+"))
            detail = f"{_grams(material)}: {', '.join(material.hazards)}"
            yield Caution(
                "warn" if grave else "note", "hazard-statements", batch.step, detail, material.mass_g, STATEMENTS
            )
    for gas in batch.gases or ():
        if gas.hazards:
            detail = f"{gas.code}, given off: {', '.join(gas.hazards)}"
            yield Caution("warn", "hazard-statements", batch.step, detail, gas.amount_mol, STATEMENTS)
    if silent:
        yield f"hazards of {', '.join(dict.fromkeys(silent))}: no statement is recorded"


def pairs(batch: PlannedBatch) -> Said:
    """Yield the incompatible pairs that statements show: what sets off which, among all that is in the vessel.

    >>> hydride, water = BatchMaterial("hydride", 2.0, hazards=("H260",)), BatchMaterial("water", 9.0, water=True)
    >>> [said.detail for said in pairs(PlannedBatch("s", 2.0, (hydride, water)))]
    ['2 g of hydride (H260) gives off flammable gas that may ignite by itself with water, which is or holds water']
    """
    there = {material.code: material for material in batch.made + batch.charges}.values()
    for material in there:
        for statement in material.hazards:
            if statement not in _SET_OFF:
                continue
            trigger, level, what = _SET_OFF[statement]
            unknown = []
            for other in there:
                holds = other.water if trigger == "water" else other.acid
                if other.code == material.code:
                    continue
                if holds:
                    detail = f"{_grams(material)} ({statement}) {what} with {other.code}, which is or holds {trigger}"
                    yield Caution(level, "incompatible", batch.step, detail, material.mass_g, STATEMENTS)
                elif holds is None:
                    unknown.append(other.code)
            if unknown:
                yield f"{material.code} ({statement}): needs whether {', '.join(unknown)} is or holds {trigger}"


def liquors(batch: PlannedBatch) -> Said:
    """Yield what must not go down a drain: materials that poison water, and those that hold a metal of the list.

    >>> salt = BatchMaterial("salt", 50.0, elements=frozenset({"Cu", "S", "O"}))
    >>> [said.code for said in liquors(PlannedBatch("s", 50.0, (salt,)))]
    ['liquors-to-collect']
    """
    for material in batch.charges:
        signs = sorted(_AQUATIC.intersection(material.hazards)) + sorted(_METALS & material.elements)
        if signs:
            detail = (
                f"{_grams(material)} ({', '.join(signs)}): what the product does not hold is in liquors and residues; "
                "collect them, nothing goes down a drain"
            )
            yield Caution("warn", "liquors-to-collect", batch.step, detail, material.mass_g, JUDGEMENT)


def metals(batch: PlannedBatch) -> Said:
    """Yield how much of each metal of the list goes to waste: what is charged, less what the product holds.

    The product's share is that of the mean yield of the record; without a record it is not assessed, and all that is
    charged is shown.

    >>> salt = BatchMaterial("salt", 50.0, elements=frozenset({"Cu"}), element_g={"Cu": 12.0})
    >>> oxide = BatchMaterial("oxide", 15.0, elements=frozenset({"Cu"}), element_g={"Cu": 12.0})
    >>> (said,) = metals(PlannedBatch("s", 50.0, (salt,), (oxide,), mean_yield=0.75))
    >>> said.value
    3.0
    """
    for metal in sorted({each for material in batch.charges for each in material.elements & _METALS}):
        holders = [each for each in batch.charges if metal in each.elements]
        if unknown := [each.code for each in holders if metal not in each.element_g]:
            yield f"{metal} going to waste: needs the amount of {', '.join(unknown)}"
            continue
        charged_g = math.fsum(each.element_g[metal] for each in holders)
        product = batch.made[0] if batch.made else None
        if product is not None and metal in product.elements and metal not in product.element_g:
            yield f"{metal} going to waste: needs the amount of {product.code}"
            continue
        most_g = product.element_g.get(metal, 0.0) if product is not None else 0.0
        if most_g and batch.mean_yield is None:
            yield f"{metal} going to waste: needs a run of the step, for its yield"
        kept_g = most_g * (batch.mean_yield or 0.0)
        lost_g = max(0.0, charged_g - kept_g)
        detail = (
            f"of {charged_g:.3g} g of {metal} charged, {lost_g:.3g} g go to liquors and residues at the mean yield so "
            f"far; all of it where the batch fails"
            if kept_g
            else f"{charged_g:.3g} g of {metal} are charged, and the product is not known to hold any of it"
        )
        yield Caution("warn", "metal-to-waste", batch.step, detail, lost_g, JUDGEMENT)


def workshop_limits(batch: PlannedBatch, limits: Sequence[MaterialLimit]) -> Said:
    """Yield where the workshop's own limits are passed: by what is charged, by what is made, by what either holds.

    A limit of a material holds for everything that contains it: solutions and concentrates of it, crude forms, feeds.
    Amounts are of all planned batches of the step together, charges of one material summed: planning smaller batches
    is no way under a limit. Concentrations are of each material as it stands.

    >>> from datetime import date
    >>> from service.domain.quantity import parse_quantity
    >>> limit = MaterialLimit("peroxide", "house rule", date(2026, 1, 1), parse_quantity("10 g", ("mass",)))
    >>> strong = BatchMaterial("peroxide-30", 25.0, holds={"peroxide": 0.3})
    >>> [said.value for said in workshop_limits(PlannedBatch("s", 25.0, (strong,), batches=2), [limit])]
    [15.0]
    """
    for limit in limits:
        source = f"{limit.source}, {limit.on.isoformat()}"
        of_it = [each for each in batch.charges if _concerns(limit, each)]
        made = [each for each in batch.made if _concerns(limit, each)]
        if limit.licence is not None and (of_it or made):
            detail = f"{limit.material} asks for a licence: {limit.licence}"
            yield Caution("warn", "licence", batch.step, detail, None, source)
        if limit.largest_amount is not None:
            for several in filter(None, (of_it, *([each] for each in made))):
                yield from _amount(batch, limit, limit.largest_amount, several, source)
        if limit.largest_concentration is not None:
            for each in (*of_it, *made):
                yield from _concentration(batch, limit, limit.largest_concentration, each, source)


def _concerns(limit: MaterialLimit, material: BatchMaterial) -> bool:
    return limit.material == material.code or limit.material in material.holds


def _held(limit: MaterialLimit, material: BatchMaterial) -> dict[str, float | None]:
    """What a material has of that which is limited, by dimension; None where it is not known."""
    if limit.material == material.code:
        return {
            "mass": material.mass_g,
            "volume": material.volume_ml,
            "amount": material.amount_mol,
            "fraction": material.mass_fraction,
            "molar-concentration": material.molarity_mol_per_l,
            "mass-concentration": material.concentration_g_per_l,
        }
    part = material.holds[limit.material]
    whole = material.mass_g
    return {
        "mass": None if part is None or whole is None else part * whole,
        "amount": material.amount_mol if limit.material == material.analyte else None,
        "fraction": part,
        "molar-concentration": material.molarity_mol_per_l if limit.material == material.analyte else None,
        "mass-concentration": material.concentration_g_per_l if limit.material == material.analyte else None,
    }


def _amount(
    batch: PlannedBatch, limit: MaterialLimit, largest: Quantity, several: Sequence[BatchMaterial], source: str
) -> Said:
    parts = [_held(limit, each).get(largest.dimension) for each in several]
    known = [part for part in parts if part is not None]
    total = math.fsum(known) * batch.batches
    names = " and ".join(each.code for each in several)
    if total > largest.base():
        over = f" over {batch.batches} batches" if batch.batches > 1 else ""
        held = "" if names == limit.material else f" in {names}"
        detail = f"{limit.material}{held}{over} is beyond the workshop's limit of {largest.text()}"
        yield Caution("stop", "workshop-limit", batch.step, detail, total, source)
    elif len(known) < len(parts):
        yield f"{names} against the limit of {largest.text()} of {limit.material}: needs its {largest.dimension}"


def _concentration(
    batch: PlannedBatch, limit: MaterialLimit, largest: Quantity, material: BatchMaterial, source: str
) -> Said:
    value = _held(limit, material).get(largest.dimension)
    if value is None:
        against = f"the limit of {largest.text()} of {limit.material}"
        yield f"{material.code} against {against}: needs its {largest.dimension}"
    elif value > largest.base():
        held = "" if material.code == limit.material else f" in {material.code}"
        detail = f"{limit.material}{held} is beyond the workshop's limit of {largest.text()}"
        yield Caution("stop", "workshop-limit", batch.step, detail, value, source)
