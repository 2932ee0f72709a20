"""Slips of the sources: what is printed is not what the printed amounts come to, and must not come out here.

A printed figure counts as a slip where it lies beyond half of its last digit from what the domain computes; whole
percentages of Organic Syntheses, now rounded and now cut, where they lie beyond the half or the whole point that a
line states. Slips in molar masses and moles of single weighings are in the file on molar masses.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pytest

from service.domain.atomic_weights import ELEMENTS
from service.domain.charge import Inputs, holding_of, molar_mass_of
from service.domain.formula import parse_formula
from service.domain.outcome import Outcome
from service.domain.reaction import Balanced, Reaction, atom_economy, balance, balance_faults
from service.domain.uncertainty import propagate
from tests.published.records import (
    amount,
    charge,
    half_digit,
    material,
    outcome_by,
    reaction_of,
    retrieved,
    step_by,
    strength,
)
from tests.published.test_orgsyn_steps import (
    PRODUCTS,
    RECORDS,
    charges_of,
    key_of,
    known_reactants,
    reaction_in,
    run_of,
)
from tests.published.test_uncertainty import cadmium, cadmium_inputs

SLIPS = retrieved("inconsistencies")
WITH_MOLAR_MASSES = {f"INC-{number:03}" for number in (1, 2, 3, 4, 6, 25, 41, 42)}
NOT_COMPUTABLE = {
    "INC-010": "the charges of the preparation are not recorded",
    "INC-012": "the charges of the preparation are not recorded",
    "INC-014": "the charges of the preparation are not recorded",
    "INC-015": "the charges of the preparation are not recorded",
    "INC-026": "the amounts of the exercise are not recorded",
    "INC-027": "a test for outliers in a control chart, no sum over one run",
    "INC-028": "a control chart, no sum over one run",
    "INC-029": "the constant of a control chart",
    "INC-030": "a chart of weighted averages, which is not drawn here",
    "INC-031": "the 90th percentile of a sample, which is not among the figures given",
    "INC-032": "the number of rows of a data set",
    "INC-034": "the inputs of the example are not recorded",
    "INC-035": "the inputs of the example are not recorded",
    "INC-036": "the inputs of the example are not recorded",
    "INC-038": "the spelling of names of elements, which are not kept here",
    "INC-040": "a library that takes other weights",
    "INC-049": "a table whose rows are shifted",
}


def apart(printed: float, found: float | None, tolerance: float | None = None) -> None:
    """The printed figure and the one found disagree by more than rounding."""
    assert found is not None
    assert abs(found - printed) > (half_digit(printed) if tolerance is None else tolerance)


def agree(recomputed: float, found: float | None, tolerance: float | None = None) -> None:
    """What was recomputed when the slip was found is what is found here."""
    assert found is not None
    assert found == pytest.approx(recomputed, abs=half_digit(recomputed) if tolerance is None else tolerance)


def moles(size: str, formula: str, **values: float) -> float:
    of, inputs = material(formula, formula), Inputs()
    found = holding_of(amount(size), strength(**values), of, molar_mass_of(of), inputs, "bottle")
    assert found.mol is not None
    return found.mol(inputs.values)


def charged_moles(code: str, place: int) -> float | None:
    return run_of(RECORDS[code], None).charges[place].contained_mol


def percent(code: str, end: int) -> float:
    found = run_of(RECORDS[code], PRODUCTS[code]["isolated_mass_g"][end])
    assert found.yield_fraction is not None
    return 100 * found.yield_fraction


def by_every_reactant(code: str) -> Outcome:
    return run_of(RECORDS[code], None, counted=[*known_reactants(RECORDS[code]), "solvent"])


def acid_counted_whole() -> None:
    # 298 g of concentrated acid counted as hydrogen chloride; 37 % of it is.
    assert SLIPS["INC-005"]["inputs"]["printed"] == "8.2 mol HCl for 298 g concentrated acid"
    apart(8.2, moles("298 g", "HCl", assay=0.37))
    agree(3.0, moles("298 g", "HCl", assay=0.37))
    agree(8.2, moles("298 g", "HCl"))


def furfural() -> None:
    apart(10.2, charged_moles("OS-CV1-0276", 0))
    agree(10.41, charged_moles("OS-CV1-0276", 0))
    apart(63, percent("OS-CV1-0276", 1), 0.5)
    agree(63.7, percent("OS-CV1-0276", 1))


def nitric_acid_cut_short() -> None:
    apart(16.6, charged_moles("OS-CV1-0018", 1))
    agree(16.66, charged_moles("OS-CV1-0018", 1))


def azlactone_upper_end() -> None:
    apart(73, percent("OS-CV2-0055", 1), 0.5)
    agree(72.2, percent("OS-CV2-0055", 1))


def one_figure_for_a_range() -> None:
    apart(57, percent("GUT-VIII-pure", 0), 1.0)
    agree(55.5, percent("GUT-VIII-pure", 0))
    agree(57.1, percent("GUT-VIII-pure", 1))
    # 25 % of hydrogen chloride over theory is printed with the record of the crude product.
    charges, others = charges_of(RECORDS["GUT-VIII"])
    step = step_by(reaction_in(RECORDS["GUT-VIII"]), "C3H8O3", "C3H6Cl2O", ["HCl"])
    (gas,) = (line for line in outcome_by(step, charges, None, others).charges if line.material == "HCl")
    assert gas.stoichiometric_ratio is not None
    apart(25, 100 * (gas.stoichiometric_ratio - 1))
    agree(22.8, 100 * (gas.stoichiometric_ratio - 1))


def nitrobenzoic_acid_lower_end() -> None:
    apart(80, percent("GUT-XIII", 0), 1.0)
    agree(82.1, percent("GUT-XIII", 0))
    agree(85.6, percent("GUT-XIII", 1))


def equation_that_does_not_balance() -> None:
    # Printed: 2 ArSO2Cl + 3 Zn -> (ArSO2)2Zn + ZnCl2, with Ar = CH3C6H4.
    chloride, salt = "C7H7SO2Cl", "(C7H7SO2)2Zn"
    formulas = {code: parse_formula(code) for code in (chloride, "Zn", salt, "ZnCl2")}
    (fault,) = balance_faults(Reaction({chloride: 2, "Zn": 3}, {salt: 1, "ZnCl2": 1}), formulas)
    assert fault.detail == "the reaction does not balance: the products lack 1 Zn"
    left, right = [(code, formulas[code]) for code in (chloride, "Zn")], [(c, formulas[c]) for c in (salt, "ZnCl2")]
    assert balance(left, right) == Balanced((2, 2), (1, 1))


def yield_without_a_basis() -> None:
    # 56 to 59 % are printed; only the second charge of dimethylaniline, 180 g, gives them.
    for end, printed in enumerate(RECORDS["GUT-V"]["expected"]["percent_yield_printed"]):
        agree(printed, percent("GUT-V", end))
        product_g = PRODUCTS["GUT-V"]["isolated_mass_g"][end]
        for charged_g in (150, 150 + 180):
            step = step_by(reaction_in(RECORDS["GUT-V"]), "C8H11N", "C9H11NO")
            other = outcome_by(step, [charge(f"{charged_g} g", "C8H11N")], f"{product_g} g").yield_fraction
            assert other is not None
            apart(printed, 100 * other, 1.0)


def medium_that_limits() -> None:
    # Yield printed on hydroquinone; by the equation the acid runs out first.
    found = by_every_reactant("GUT-XXII")
    assert key_of(RECORDS["GUT-XXII"])["formula"] == "C6H6O2"
    assert found.limiting_reagent == "H2SO4"
    on_printed_basis = run_of(RECORDS["GUT-XXII"], None).theoretical_g
    assert on_printed_basis is not None
    apart(1.0, found.theoretical_g / on_printed_basis if found.theoretical_g else None, 0.1)


def near_ties() -> None:
    """Meant to be equimolar: the run says that either may limit."""
    shares = []
    for code in ("OS-CV3-0806", "GUT-I", "JCE-1988-BENZIL"):
        found = by_every_reactant(code)
        assert "limiting-in-doubt" in {finding.code for finding in found.findings}
        ratios = sorted(line.stoichiometric_ratio for line in found.charges if line.stoichiometric_ratio)
        shares.append(100 * (ratios[1] - 1))
    # The record of the slip rounds the last one up to 0.4 %.
    assert shares == pytest.approx([0.02, 0.15, 0.33], abs=0.006)
    assert by_every_reactant("JCE-1988-BENZIL").limiting_reagent == "C4H8CuO5"


def yield_on_the_other_reagent() -> None:
    agree(95.3, percent("OS-CV2-0171", 0))
    charges, others = charges_of(RECORDS["OS-CV2-0171"])
    step = step_by(reaction_in(RECORDS["OS-CV2-0171"]), "C6H10", "C6H10Br2", [*others])
    on_feed = outcome_by(step, charges, "303 g", others).yield_fraction
    assert on_feed is not None
    apart(95, 100 * on_feed, 1.0)
    agree(83.64, 100 * on_feed)


def theoretical_rounded_on_the_way() -> None:
    step = step_by(reaction_of("C6H12O -> C6H10 + H2O"), "C6H12O", "C6H10")
    found = outcome_by(step, [charge("1.99 g", "C6H12O")]).theoretical_g
    apart(1.64, found)
    agree(1.632, found)


def cobalt_chloride() -> None:
    # 6.52 g of it in 75.0 mL, from memory; the record has the printed and the true answer alone.
    mass = parse_formula("CoCl2").molar_mass_g_per_mol
    apart(128.9, mass)
    agree(129.83, mass)
    per_l = moles("6.52 g", "CoCl2") / 0.0750
    apart(0.674, per_l)
    agree(0.670, per_l, 0.0005)


def digits_exchanged() -> None:
    hydrogen = parse_formula("H18").molar_mass_g_per_mol
    apart(18.114, hydrogen)
    agree(18.144, hydrogen)


def one_figure_twice() -> None:
    apart(8.624, moles("8.710 g", "H"))
    agree(8.641, moles("8.710 g", "H"))


def rounded_uncertainty() -> None:
    values, us = cadmium_inputs()
    (unrounded,) = propagate(cadmium, values, us)
    apart(0.9, unrounded)
    agree(0.835, unrounded)
    agree(0.864, propagate(cadmium, values, [*us[:2], 0.07])[0])


def transcribed_weights() -> None:
    apart(118.70, float(ELEMENTS["Sn"].g_per_mol), 0.005)
    assert ELEMENTS["Sn"].g_per_mol == Fraction("118.710")
    assert ELEMENTS["Be"].limit_g_per_mol != Fraction("0.00001")


def other_edition() -> None:
    # The revision of 2024; the table is of 2021.
    for symbol, revised in (("Gd", "157.249"), ("Lu", "174.96669"), ("Zr", "91.222")):
        assert ELEMENTS[symbol].g_per_mol != Fraction(revised)
        assert float(ELEMENTS[symbol].g_per_mol) == pytest.approx(float(revised), rel=5e-5)


def summed_by_hand() -> None:
    reaction = reaction_of("C4H9OH + NaBr + H2SO4 -> C4H9Br + NaHSO4 + H2O")
    formulas = {code: parse_formula(code) for code in (*reaction.reactants, *reaction.products)}
    found = 100 * atom_economy(reaction, formulas, "C4H9Br")
    apart(50.15, found)
    agree(49.81, found)


def a_tenth_of_the_charge() -> None:
    # 0.08 g on a copy for 0.80 g of butanol: 1.20 g of bromobutane would be eight times the theoretical amount.
    step = step_by(reaction_of("C4H9OH + NaBr + H2SO4 -> C4H9Br + NaHSO4 + H2O"), "C4H9OH", "C4H9Br")
    copied = outcome_by(step, [charge("0.08 g", "C4H9OH")], "1.20 g")
    apart(81, 100 * (copied.yield_fraction or 0.0), 1.0)
    assert "yield-above-one" in {finding.code for finding in copied.findings}
    agree(81, 100 * (outcome_by(step, [charge("0.80 g", "C4H9OH")], "1.20 g").yield_fraction or 0.0))


def perchloric_acid() -> None:
    apart(9.5, moles("1 L", "HClO4", assay=0.613, density=1.67))
    agree(10.19, moles("1 L", "HClO4", assay=0.613, density=1.67))
    agree(9.5, moles("1 L", "HClO4", assay=0.613, density=1.55), 0.06)


def formic_acid() -> None:
    apart(23.6, moles("1 L", "HCOOH", assay=0.90, density=1.13))
    agree(22.1, moles("1 L", "HCOOH", assay=0.90, density=1.13))
    agree(23.6, moles("1 L", "HCOOH", assay=0.90, density=1.205))


CHECKS: dict[str, Callable[[], None]] = {
    "INC-005": acid_counted_whole,
    "INC-007": furfural,
    "INC-008": nitric_acid_cut_short,
    "INC-009": azlactone_upper_end,
    "INC-011": one_figure_for_a_range,
    "INC-013": nitrobenzoic_acid_lower_end,
    "INC-016": equation_that_does_not_balance,
    "INC-017": yield_without_a_basis,
    "INC-018": medium_that_limits,
    "INC-019": near_ties,
    "INC-020": yield_on_the_other_reagent,
    "INC-021": theoretical_rounded_on_the_way,
    "INC-022": cobalt_chloride,
    "INC-023": digits_exchanged,
    "INC-024": one_figure_twice,
    "INC-033": rounded_uncertainty,
    "INC-037": transcribed_weights,
    "INC-039": other_edition,
    "INC-043": summed_by_hand,
    "INC-044": a_tenth_of_the_charge,
    "INC-047": perchloric_acid,
    "INC-048": formic_acid,
}


def test_every_slip_is_shown_or_named() -> None:
    assert len(SLIPS) == 47
    assert SLIPS.keys() == CHECKS.keys() | WITH_MOLAR_MASSES | NOT_COMPUTABLE.keys()
    assert len(CHECKS) + len(WITH_MOLAR_MASSES) + len(NOT_COMPUTABLE) == 47


@pytest.mark.parametrize("slip", CHECKS)
def test_slip(slip: str) -> None:
    CHECKS[slip]()


def test_charges_whose_printed_moles_are_slips() -> None:
    """Every charge that was marked when the records were collected disagrees by more than its last digit."""
    marked = 0
    for code, record in RECORDS.items():
        for place, line in enumerate(record["inputs"]["charges"]):
            if line.get("printed_mol_agrees_to_last_digit") is False:
                apart(line["printed_mol"], charged_moles(code, place))
                marked += 1
    assert marked >= 6
