"""The bill of a step in grams, against hand sums with standard atomic weights (IUPAC 2021)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from service.domain.bill import Need, need_of, theoretical_per_gram, unit_holding
from service.domain.formula import parse_formula
from service.domain.lot import Measured, Strength
from service.domain.material import Material
from service.domain.quantity import Quantity, parse_fraction, parse_number, parse_quantity
from service.domain.reaction import Reaction
from service.domain.route import BillLine, Step

M_VITRIOL, M_SODA, M_MALACHITE = 249.677, 105.988, 221.114
"""g/mol of CuSO4·5H2O, Na2CO3 and Cu2(OH)2CO3 to the third decimal, summed by hand."""


def material(code: str, formula: str | None = None, **more: Any) -> Material:
    return Material(code, code, None if formula is None else parse_formula(formula), **more)


def strength(**values: float) -> Strength:
    return Strength(**{name: Measured(value) for name, value in values.items()})


def density(text: str) -> Quantity:
    return parse_quantity(text, ("density",))


MATERIALS = {
    made.code: made
    for made in (
        material("vitriol", "CuSO4.5H2O"),
        material("crude-vitriol", analyte="vitriol"),
        material("soda", "Na2CO3"),
        material("malachite", "Cu2(OH)2CO3"),
        material("sulfate", "Na2SO4"),
        material("gas", "CO2"),
        material("water", "H2O", density=density("0.998 g/mL")),
        material("spirit"),
        material("root", contents={"alizarin": parse_fraction("0.012", name="content")}),
        material("alizarin", "C14H8O4"),
        material("extract", analyte="alizarin"),
    )
}
SODA = BillLine("soda", equivalents=parse_number("1.1", name="equivalents"))
WATER = BillLine("water", per_key_input=parse_quantity("8 mL/g", ("volume-per-mass",)))
CARBONATE = Step(
    "carbonate",
    "carbonate",
    "stoichiometric",
    "vitriol",
    "malachite",
    reaction=Reaction({"vitriol": 2, "soda": 2}, {"malachite": 1, "sulfate": 2, "gas": 1, "water": 9}),
    bill=(SODA, WATER),
)


def need(line: BillLine, **strengths: Strength) -> Need:
    return need_of(CARBONATE, line, MATERIALS, strengths)


def per_gram(step: Step, **strengths: Strength) -> float:
    found, reason = theoretical_per_gram(step, MATERIALS, strengths)
    assert reason is None
    assert found is not None
    return found


def test_equivalents_are_moles_per_mole_of_key_input() -> None:
    assert need(SODA).per_g == pytest.approx(1.1 / M_VITRIOL * M_SODA, rel=1e-5)
    assert need(SODA).per_batch_g == 0.0


def test_weaker_lots_need_more_and_a_weaker_key_input_less() -> None:
    pure = need(SODA).per_g
    assert pure is not None
    assert need(SODA, soda=strength(assay=0.8)).per_g == pytest.approx(pure / 0.8, rel=1e-12)
    wet = strength(assay=0.9, loss_on_drying=0.1)
    assert need(SODA, vitriol=wet).per_g == pytest.approx(pure * 0.81, rel=1e-12)


def test_a_solution_is_needed_by_its_density() -> None:
    solution = strength(molarity=2.0, density=1.2)
    litres_a_gram = 1.1 / M_VITRIOL / 2.0
    assert need(SODA, soda=solution).per_g == pytest.approx(1000 * litres_a_gram * 1.2, rel=1e-5)
    unknown = need(SODA, soda=strength(molarity=2.0))
    assert (unknown.per_g, unknown.per_batch_g) == (None, None)
    assert unknown.reason == "the density of the solution of soda is not known"


def test_amounts_a_gram_of_key_input() -> None:
    assert need(WATER).per_g == pytest.approx(8 * 0.998)
    grams = BillLine("spirit", per_key_input=parse_quantity("250 mg/g", ("mass-per-mass",)))
    assert need(grams).per_g == pytest.approx(0.25)
    moles = BillLine("soda", per_key_input=parse_quantity("4 mmol/g", ("amount-per-mass",)))
    assert need(moles).per_g == pytest.approx(0.004 * M_SODA, rel=1e-5)
    dry = need(BillLine("spirit", per_key_input=parse_quantity("8 mL/g", ("volume-per-mass",))))
    assert (dry.per_g, dry.reason) == (None, "the density of spirit is not known")


def test_an_amount_a_batch_does_not_grow_with_the_batch() -> None:
    line = BillLine("water", per_batch=parse_quantity("50 mL", ("mass", "volume", "amount")))
    assert need(line) == Need("water", 0.0, pytest.approx(49.9))
    unknown = need(BillLine("spirit", per_batch=parse_quantity("1 mol", ("mass", "volume", "amount"))))
    assert (unknown.per_g, unknown.per_batch_g) == (None, None)
    assert unknown.reason == "the molar mass of spirit is not known"


def test_moles_cannot_be_counted_of_what_has_no_molar_mass() -> None:
    line = BillLine("spirit", equivalents=parse_number("2", name="equivalents"))
    assert need(line).reason == "the molar mass of spirit is not known"
    of_spirit = replace(CARBONATE, key_input="spirit")
    assert need_of(of_spirit, SODA, MATERIALS, {}).reason == "the molar mass of spirit is not known"


def test_a_material_that_holds_nothing_is_said_to() -> None:
    assert need(SODA, soda=strength(assay=0.0)).reason == "soda holds none"


def test_theoretical_amount_is_the_least_over_key_input_and_billed_reactants() -> None:
    full = M_MALACHITE / (2 * M_VITRIOL)
    assert per_gram(CARBONATE) == pytest.approx(full, rel=1e-5)
    assert per_gram(CARBONATE, vitriol=strength(assay=0.9)) == pytest.approx(0.9 * full, rel=1e-5)
    short = replace(CARBONATE, bill=(BillLine("soda", equivalents=parse_number("0.7", name="equivalents")), WATER))
    assert per_gram(short) == pytest.approx(0.7 * full, rel=1e-5)
    # The bill asks for more of a weak reactant, so that its strength does not bound the batch.
    assert per_gram(CARBONATE, soda=strength(assay=0.5)) == pytest.approx(full, rel=1e-5)


def test_water_of_the_reaction_and_amounts_a_batch_bound_nothing() -> None:
    full = per_gram(CARBONATE)
    assert per_gram(replace(CARBONATE, bill=())) == full
    line = BillLine("soda", per_batch=parse_quantity("1 g", ("mass", "volume", "amount")))
    assert per_gram(replace(CARBONATE, bill=(line,))) == full


def test_theoretical_amount_of_the_other_bases() -> None:
    assert per_gram(Step("m", "m", "mass-ratio", "root", "extract")) == 1.0
    wash = Step("w", "w", "recovery", "crude-vitriol", "vitriol")
    weak = {"crude-vitriol": strength(assay=0.9, loss_on_drying=0.1)}
    assert per_gram(wash, **weak) == pytest.approx(0.81)
    extract = Step("e", "e", "content", "root", "extract", analyte="alizarin")
    assert per_gram(extract) == 0.012
    assert per_gram(extract, root=Strength(contents={"alizarin": Measured(0.02)})) == 0.02


@pytest.mark.parametrize(
    ("step", "reason"),
    [
        (Step("e", "e", "content", "spirit", "extract", analyte="alizarin"), "the content of alizarin in spirit"),
        (replace(CARBONATE, product="spirit"), "the molar mass of spirit"),
        (replace(CARBONATE, key_input="spirit"), "the molar mass of spirit"),
        (
            replace(
                CARBONATE,
                reaction=Reaction({"vitriol": 2, "spirit": 1}, {"malachite": 1}),
                bill=(BillLine("spirit", per_key_input=parse_quantity("1 mL/g", ("volume-per-mass",))),),
            ),
            "the density of spirit",
        ),
    ],
)
def test_what_cannot_be_known_is_said(step: Step, reason: str) -> None:
    assert theoretical_per_gram(step, MATERIALS, {}) == (None, f"{reason} is not known")


def test_a_gram_of_each_kind_of_lot() -> None:
    assert unit_holding("vitriol", MATERIALS, Strength()).contained_mol == pytest.approx(1 / M_VITRIOL, rel=1e-5)
    crude = unit_holding("crude-vitriol", MATERIALS, strength(assay=0.5))
    assert (crude.contained_g, crude.contained_mol) == (0.5, pytest.approx(0.5 / M_VITRIOL, rel=1e-5))
    assert unit_holding("water", MATERIALS, Strength()).g_per_ml == 0.998
    assert unit_holding("water", MATERIALS, strength(density=0.9)).g_per_ml == 0.9
    spirit = unit_holding("spirit", MATERIALS, Strength())
    assert (spirit.contained_g, spirit.contained_mol, spirit.g_per_ml) == (1.0, None, None)
    assert spirit.reasons == {"contained_mol": "the molar mass of spirit is not known"}
