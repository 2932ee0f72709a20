"""A step's bill in grams: what a gram of key input needs of everything else, and what it can give at the most."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from service.domain.charge import Holding, Inputs, density_of, holding_of, molar_mass_of
from service.domain.lot import Measured, Strength
from service.domain.material import Material
from service.domain.quantity import Quantity
from service.domain.route import CONTENT, MASS_RATIO, RECOVERY, BillLine, Step

ONE_GRAM = Quantity(Decimal(1), "g", dimension="mass")
ONE_OF = {
    "mass": ONE_GRAM,
    "volume": Quantity(Decimal(1), "mL", dimension="volume"),
    "amount": Quantity(Decimal(1), "mol", dimension="amount"),
}
"""The fixed unit of each dimension in which a lot is counted."""


@dataclass(frozen=True, slots=True)
class Need:
    """What one line of a bill asks for: ``per_g`` gross grams a gram of key input and ``per_batch_g`` grams a batch.

    Both None, with the reason, where the line cannot be turned into grams.
    """

    material: str
    per_g: float | None
    per_batch_g: float | None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class UnitHolding:
    """What a gross gram, or another amount, of a material as it stands holds; None where not known, with the reason."""

    contained_g: float | None
    contained_mol: float | None
    g_per_ml: float | None
    reasons: Mapping[str, str]


def unit_holding(
    code: str, materials: Mapping[str, Material], strength: Strength, of: Quantity = ONE_GRAM
) -> UnitHolding:
    """Return what a gross gram of ``code`` at ``strength`` holds: contained g and mol, and its density in g/mL.

    ``of``: the amount that is meant, where it is not a gram.

    >>> unit_holding("chalk", {"chalk": Material("chalk", "chalk")}, Strength(assay=Measured(0.9))).contained_g
    0.9
    """
    material = materials[code]
    inputs = Inputs()
    mass = molar_mass_of(material, materials.get(material.analyte_code))
    held: Holding = holding_of(of, strength, material, mass, inputs, code)
    x = inputs.values
    density = density_of(strength, material)
    return UnitHolding(
        None if held.contained is None else held.contained(x),
        None if held.mol is None else held.mol(x),
        None if density is None else density.value,
        held.reasons,
    )


def contained_in_one(
    dimension: str, code: str, strength: Strength, materials: Mapping[str, Material]
) -> float | None:
    """Return the grams of the wanted substance in one g, mL or mol of ``code``; None where nothing tells.

    ``materials`` may lack it where a mass states its fraction.

    >>> contained_in_one("mass", "chalk", Strength(assay=Measured(0.9)), {})
    0.9
    """
    if dimension == "mass" and not strength.is_solution:
        return strength.mass_fraction
    return unit_holding(code, materials, strength, ONE_OF[dimension]).contained_g


def need_of(step: Step, line: BillLine, materials: Mapping[str, Material], strengths: Mapping[str, Strength]) -> Need:
    """Return what one line of the bill of ``step`` needs, in gross grams of the line's material.

    ``materials`` holds the step's materials; ``strengths`` what is known of the amounts that will be used, by material
    code: one that is not in it is taken as pure and dry. ``equivalents`` are moles per mole of key input.

    >>> from service.domain.quantity import parse_number
    >>> water = {"chalk": Material("chalk", "chalk", stated_molar_mass=Quantity(Decimal("100"), "g/mol")),
    ...          "acid": Material("acid", "acid", stated_molar_mass=Quantity(Decimal("50"), "g/mol"))}
    >>> line = BillLine("acid", equivalents=parse_number("2", name="equivalents"))
    >>> step = Step("s", "s", "stoichiometric", "chalk", "salt")
    >>> need_of(step, line, water, {"acid": Strength(assay=Measured(0.5))}).per_g
    2.0
    """
    held = unit_holding(line.material, materials, strengths.get(line.material, Strength()))
    if line.equivalents is not None:
        key = unit_holding(step.key_input, materials, strengths.get(step.key_input, Strength()))
        for code, found in ((step.key_input, key), (line.material, held)):
            if not found.contained_mol:
                return Need(line.material, None, None, found.reasons.get("contained_mol", f"{code} holds none"))
        assert key.contained_mol is not None
        assert held.contained_mol is not None
        return Need(line.material, line.equivalents.base() * key.contained_mol / held.contained_mol, 0.0)
    amount = line.per_key_input or line.per_batch
    assert amount is not None
    grams, reason = _grams(amount, held, line.material)
    if line.per_batch is not None:
        return Need(line.material, None if grams is None else 0.0, grams, reason)
    return Need(line.material, grams, None if grams is None else 0.0, reason)


def theoretical_per_gram(
    step: Step, materials: Mapping[str, Material], strengths: Mapping[str, Strength]
) -> tuple[float | None, str | None]:
    """Return the contained grams of product that a gross gram of key input can give at the bill's proportions.

    The least over the key input and the billed reactants for a stoichiometric step, the analyte's content for a
    content step, the contained mass for a recovery step, 1 for a mass ratio. None, with the reason, where it cannot be
    known. Arguments as for :func:`need_of`.

    >>> step = Step("dry", "dry", "recovery", "damp", "chalk")
    >>> materials = {"damp": Material("damp", "damp chalk", analyte="chalk"), "chalk": Material("chalk", "chalk")}
    >>> theoretical_per_gram(step, materials, {"damp": Strength(loss_on_drying=Measured(0.2))})
    (0.8, None)
    """
    strength = strengths.get(step.key_input, Strength())
    if step.basis == MASS_RATIO:
        return 1.0, None
    key = unit_holding(step.key_input, materials, strength)
    if step.basis == RECOVERY:
        return key.contained_g, key.reasons.get("contained_g")
    if step.basis == CONTENT:
        assert step.analyte is not None
        stated = materials[step.key_input].contents.get(step.analyte)
        content = strength.contents.get(step.analyte) or (None if stated is None else Measured(stated.base()))
        if content is None:
            return None, f"the content of {step.analyte} in {step.key_input} is not known"
        return content.value, None
    reaction = step.reaction
    assert reaction is not None
    product = materials[step.product]
    mass = molar_mass_of(product, materials.get(product.analyte_code))
    if mass is None:
        return None, f"the molar mass of {step.product} is not known"
    if not key.contained_mol:
        return None, key.reasons.get("contained_mol", f"{step.key_input} holds none")
    extents = [key.contained_mol / reaction.reactants[step.key_input]]
    for line in step.bill:
        # An amount for each batch whatever its size bounds no batch of unknown size.
        if line.material not in reaction.reactants or line.per_batch is not None:
            continue
        if line.equivalents is not None:
            # Moles for moles: no density and no assay is asked for.
            extents.append(line.equivalents.base() * key.contained_mol / reaction.reactants[line.material])
            continue
        need = need_of(step, line, materials, strengths)
        held = unit_holding(line.material, materials, strengths.get(line.material, Strength()))
        if need.per_g is None or held.contained_mol is None:
            return None, need.reason or held.reasons.get("contained_mol")
        extents.append(need.per_g * held.contained_mol / reaction.reactants[line.material])
    return min(extents) * reaction.products[step.product] * mass.value, None


def _grams(amount: Quantity, held: UnitHolding, code: str) -> tuple[float | None, str | None]:
    """Gross grams of an amount, or of an amount a gram, whose dimension may be mass, volume or moles."""
    kind = amount.dimension
    if kind in ("mass", "mass-per-mass", "fraction"):
        return amount.base(), None
    if kind in ("volume", "volume-per-mass"):
        if held.g_per_ml is None:
            return None, f"the density of {code} is not known"
        return amount.base() * held.g_per_ml, None
    if not held.contained_mol:
        return None, held.reasons.get("contained_mol", f"{code} holds none")
    return amount.base() / held.contained_mol, None
