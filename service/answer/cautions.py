"""The cautions of one planned batch: the records laid out as plain numbers for ``service.domain.caution``."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from service.answer.book import Book
from service.answer.route_model import Input, RouteModel, StepModel
from service.answer.shelf import LotOnShelf
from service.domain.atomic_weights import ELEMENTS
from service.domain.bill import theoretical_per_gram, unit_holding
from service.domain.caution import Caution, batch_cautions
from service.domain.charge import molar_mass_of
from service.domain.formula import Formula
from service.domain.lot import Strength
from service.domain.material import Material
from service.domain.planned_batch import BatchMaterial, GasRelease, PlannedBatch
from service.domain.route import Step

GAS = "gas"
SOLUTION = "solution"
WATER = {"H": 2, "O": 1}
CARBON_DIOXIDE = {"C": 1, "O": 2}


def cautions_of(
    book: Book,
    model: RouteModel,
    this: StepModel,
    batch_g: float,
    lots: Sequence[LotOnShelf] = (),
    *,
    reaction_mass_g: float | None = None,
    batches: int = 1,
) -> tuple[tuple[Caution, ...], tuple[str, ...]]:
    """Return the cautions of a batch of ``batch_g`` gross grams of key input, and what was not assessed.

    ``lots`` are those that it will be weighed from, where they are known: their strength and their hazard statements go
    before those of the material. ``reaction_mass_g``: what will be in the vessel while heat is given off, else as the
    step has it. ``batches``: so many of this size are planned, which limits of amounts count together.
    """
    step = this.step
    charges = tuple(_charge(model, each.material, _gross(each, batch_g), lots) for each in this.inputs)
    extent_mol = _extent(this, model, batch_g)
    masses = [charge.mass_g for charge in charges]
    volumes = [charge.volume_ml for charge in charges]
    workshop = book.workshop
    batch = PlannedBatch(
        step=step.code,
        key_input_g=batch_g,
        charges=charges,
        made=_made(this, model, batch_g, extent_mol),
        gases=_gases(this, model, extent_mol),
        largest_before_g=this.runs.largest_batch_g,
        enthalpy_kj_per_mol=None if step.reaction_enthalpy is None else step.reaction_enthalpy.base(),
        extent_mol=extent_mol,
        contents_g=_sum(masses),
        specific_heat_j_per_g_k=None if step.specific_heat is None else step.specific_heat.base(),
        contents_ml=_sum(volumes),
        vessel_ml=None if step.vessel is None else step.vessel.base(),
        room_ml=None if workshop.room_volume is None else workshop.room_volume.base(),
        all_at_once=step.all_at_once,
        closed_vessel=step.closed_vessel,
        foams=step.foams,
        recorded=step.cautions,
        reaction_mass_g=reaction_mass_g or _reaction_mass(step, batch_g),
        batches=batches,
        mean_yield=_mean_yield(this),
    )
    found, unknown = batch_cautions(batch, workshop.limits)
    return found, tuple(f"{step.code}: {each}" for each in unknown)


def _reaction_mass(step: Step, batch_g: float) -> float | None:
    if step.reaction_mass is None:
        return None
    stated = step.reaction_mass.base()
    return stated if step.reaction_mass.dimension == "mass" else stated * batch_g


def _mean_yield(this: StepModel) -> float | None:
    """All contained over all theoretical, failures at zero; None without a run, and 1 at the most."""
    theoretical_g = float(this.runs.all_theoretical_g.sum())
    return min(1.0, float(this.runs.all_contained_g.sum()) / theoretical_g) if theoretical_g > 0.0 else None


def _gross(each: Input, batch_g: float) -> float | None:
    need = each.need
    return None if need.per_g is None else need.per_g * batch_g + (need.per_batch_g or 0.0)


def _sum(values: Sequence[float | None]) -> float | None:
    """The sum, None where a part is not known."""
    known = [value for value in values if value is not None]
    return math.fsum(known) if len(known) == len(values) else None


def _charge(model: RouteModel, code: str, gross_g: float | None, lots: Sequence[LotOnShelf]) -> BatchMaterial:
    """One material that goes in, at the strength of the first named lot of it, with the statements of all of them."""
    material = model.materials[code]
    named = [each.lot for each in lots if each.lot.material == code]
    strength = named[0].strength if named else model.strengths.get(code, Strength())
    stated = [material.hazards if lot.hazards is None else lot.hazards for lot in named] or [material.hazards]
    hazards = tuple(dict.fromkeys(statement for each in stated for statement in each))
    held = unit_holding(code, model.materials, strength)
    counted_in_ml = code in model.by_volume

    def of(per_gram: float | None) -> float | None:
        return None if gross_g is None or per_gram is None else gross_g * per_gram

    formula = material.formula or _analyte(model, material).formula
    dissolved = material.phase == SOLUTION or strength.is_solution
    water = is_water(material)
    return BatchMaterial(
        code=code,
        mass_g=None if counted_in_ml else gross_g,
        volume_ml=of(1.0 / held.g_per_ml) if held.g_per_ml else None,
        amount_mol=of(held.contained_mol),
        mass_fraction=None if counted_in_ml else held.contained_g,
        molarity_mol_per_l=None if strength.molarity is None else strength.molarity.value,
        concentration_g_per_l=None if strength.mass_concentration is None else strength.mass_concentration.value,
        hazards=hazards,
        elements=frozenset() if formula is None else frozenset(formula.elements),
        acid=_is_acid(material, water),
        water=True if water else (None if dissolved else False),
        element_g=_element_g(formula, of(held.contained_mol)),
        holds=_holds(material, held.contained_g, strength),
        analyte=material.analyte_code,
    )


def _element_g(formula: Formula | None, amount_mol: float | None) -> dict[str, float]:
    """Grams of each element in so many moles; empty where they are not known."""
    if formula is None or amount_mol is None:
        return {}
    counts = formula.elements.items()
    return {each: amount_mol * float(n) * float(ELEMENTS[each].g_per_mol) for each, n in counts if each in ELEMENTS}


def _holds(material: Material, contained_g: float | None, strength: Strength) -> dict[str, float | None]:
    """Mass fractions of the other materials that this one is a form of, or a feed with a known content of."""
    contents = {code: content.base() for code, content in material.contents.items()}
    contents |= {code: content.value for code, content in strength.contents.items()}
    own = {} if material.analyte is None else {material.analyte: contained_g}
    return {**contents, **own}


def is_water(material: Material) -> bool:
    """Whether it is water, which comes from the tap where no lot of it is kept."""
    return material.formula is not None and dict(material.formula.elements) == WATER


def _is_acid(material: Material, water: bool) -> bool | None:
    """Whether the material's own name calls it an acid; None where it does not say."""
    if water:
        return False
    return True if re.search(r"\bacid\b", material.name, re.IGNORECASE) else None


def _analyte(model: RouteModel, material: Material) -> Material:
    return model.materials.get(material.analyte_code, material)


def _extent(this: StepModel, model: RouteModel, batch_g: float) -> float | None:
    """Moles of reaction as written, at full conversion."""
    reaction = this.step.reaction
    if reaction is None or this.step.product not in reaction.products:
        return None
    product = model.materials[this.step.product]
    mass = molar_mass_of(product, _analyte(model, product))
    per_gram, _ = theoretical_per_gram(this.step, model.materials, model.strengths)
    if mass is None or per_gram is None:
        return None
    return per_gram * batch_g / mass.value / reaction.products[this.step.product]


def _gases(this: StepModel, model: RouteModel, extent_mol: float | None) -> tuple[GasRelease, ...] | None:
    reaction = this.step.reaction
    if reaction is None:
        return None
    found = []
    for code, coefficient in reaction.products.items():
        material = model.materials[code]
        if material.phase != GAS:
            continue
        limit = material.lower_flammable_limit
        found.append(
            GasRelease(
                code=code,
                amount_mol=None if extent_mol is None else extent_mol * coefficient,
                lower_flammable_limit=None if limit is None else limit.base(),
                hazards=material.hazards,
                carbon_dioxide=material.formula is not None and dict(material.formula.elements) == CARBON_DIOXIDE,
            )
        )
    return tuple(found)


def _made(this: StepModel, model: RouteModel, batch_g: float, extent_mol: float | None) -> tuple[BatchMaterial, ...]:
    """The product first, at full conversion and of the content that it had so far; then whatever else is made."""
    step, runs = this.step, this.runs
    products = {} if step.reaction is None else step.reaction.products
    made = []
    for code in dict.fromkeys((step.product, *step.co_products, *products)):
        material = model.materials[code]
        analyte = _analyte(model, material)
        formula = material.formula or analyte.formula
        amount_mol = None if extent_mol is None or code not in products else extent_mol * products[code]
        mass, grams, fraction = molar_mass_of(material, analyte), None, None
        if code == step.product:
            grams = None if this.factor_g_per_g is None else this.factor_g_per_g * batch_g
            fraction = runs.product_fraction if len(runs.net_g) else None
        elif amount_mol is not None and mass is not None:
            grams = amount_mol * mass.value
        water = is_water(material)
        made.append(
            BatchMaterial(
                code,
                mass_g=grams,
                volume_ml=None if grams is None or material.density is None else grams / material.density.base(),
                amount_mol=amount_mol,
                mass_fraction=fraction,
                hazards=material.hazards,
                elements=frozenset() if formula is None else frozenset(formula.elements),
                acid=_is_acid(material, water),
                water=True if water else (None if material.phase == SOLUTION else False),
                element_g=_element_g(formula, amount_mol),
                holds={} if material.analyte is None else {material.analyte: fraction},
                analyte=material.analyte_code,
            )
        )
    return tuple(made)
