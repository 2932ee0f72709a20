"""Problems of a textbook worked by the domain: solutions, limiting reagents, yields, titrations, assays.

OpenStax Chemistry 2e (CC BY), worked examples and answered exercises; each record names its chapter and number. The
book rounds weights and steps in between, so that the tolerance is half of the last digit of what is printed, and of
what it was worked out from where that is coarser. Molar masses and balances are checked in the files beside this one;
all are counted here.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from service.domain.bill import theoretical_per_gram
from service.domain.blend import BlendPart, blend
from service.domain.charge import Inputs, holding_of, molar_mass_of
from service.domain.formula import parse_formula
from service.domain.lot import Strength
from service.domain.outcome import Outcome
from service.domain.quantity import parse_quantity
from service.domain.reaction import atom_economy
from service.domain.run import Charge
from tests.published import test_molar_masses, test_textbook_balancing
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
    substances,
)

Numbers = dict[str, Any]
RECORDS = retrieved("openstax")
CHECKED_BESIDE = {
    record["id"]
    for record in (
        *test_molar_masses.MASSES,
        *test_molar_masses.COMPOSITIONS,
        *test_molar_masses.WEIGHED_OUT,
        *test_textbook_balancing.RECORDS,
    )
}
NOT_COMPUTED = {
    "OSX-BC-18-27": "electrolysis: charge is not turned into moles here",
    "OSX-AE-ibu": "an atom economy of masses alone; the formulas of the reactants are not printed",
    "OSX-PL-ma": "the mean of isotopes: standard weights are taken as published",
}
OLDER_WEIGHTS = 2e-5
"""The book's atomic weights are rounded, of an earlier edition: a relative difference beside the last digit."""


def molar_mass(formula: str) -> float:
    return parse_formula(formula).molar_mass_g_per_mol


def contained(size: str, formula: str, made_of: Strength) -> tuple[float, float]:
    """Contained grams and moles of an amount of a substance."""
    of, inputs = material(formula, formula), Inputs()
    found = holding_of(amount(size), made_of, of, molar_mass_of(of), inputs, "bottle")
    assert found.contained is not None
    assert found.mol is not None
    return found.contained(inputs.values), found.mol(inputs.values)


def charged(equation: str, charges: list[Charge], product: str, made: str | None = None) -> Outcome:
    """A run of a printed equation whose key input is its first charge."""
    return outcome_by(step_by(reaction_of(equation), str(charges[0].material), product), charges, made)


def equivalent(
    equation: str, pair: list[Charge], printed: float, *, figures: int | None = None, halves: int = 1
) -> None:
    """Check that two charges are in the proportions of the equation, to ``halves`` of the last digit."""
    product = next(iter(reaction_of(equation).products))
    ratios = [line.stoichiometric_ratio for line in charged(equation, pair, product).charges]
    assert None not in ratios
    assert max(r for r in ratios if r) == pytest.approx(1.0, abs=halves * half_digit(printed, figures) / printed)


# Compositions and formulas: the book finds the formula from the composition; here the answer is composed again.


def percent_of_group(inputs: Numbers, expected: Numbers) -> None:
    count = 6  # of NH3 in Co(NH3)6Cl3
    assert inputs == {"formula": f"Co(NH3){count}Cl3", "group": "NH3"}
    part = count * molar_mass(inputs["group"]) / molar_mass(inputs["formula"])
    assert 100 * part == pytest.approx(expected["percent"], abs=half_digit(expected["percent"]))


def composed(parts: Numbers, formula: str) -> None:
    found, total = parse_formula(formula), sum(parts.values())
    assert found.elements.keys() == parts.keys()
    for symbol, part in parts.items():
        fraction = float(found.elements[symbol]) * molar_mass(symbol) / found.molar_mass_g_per_mol
        # Both the part and the total are rounded; a molecular formula is the nearest one in whole numbers.
        assert fraction == pytest.approx(part / total, abs=max(0.001, 2 * half_digit(part) / total))


def empirical_formula(inputs: Numbers, expected: Numbers) -> None:
    composed(inputs["masses_or_percent"], expected["empirical"])


def molecular_formula(inputs: Numbers, expected: Numbers) -> None:
    composed(inputs["percent"], expected["molecular"])
    assert molar_mass(expected["molecular"]) == pytest.approx(inputs["molar_mass"], rel=0.015)


# Solutions


def molarity(inputs: Numbers, expected: Numbers) -> None:
    size = f"{inputs['volume_mL']} mL" if "volume_mL" in inputs else f"{inputs['volume_L']} L"
    formula = inputs.get("formula", "C12H22O11")  # the amount of substance of one is given in moles
    mass_g, mol = contained(size, formula, strength(molarity=expected["M"]))
    rounded = half_digit(expected["M"]) / expected["M"]
    assert mol == pytest.approx(inputs.get("moles", mol), rel=rounded)
    assert mass_g == pytest.approx(inputs.get("mass_g", mass_g), rel=rounded)


def mass_from_molarity(inputs: Numbers, expected: Numbers) -> None:
    mass_g, _ = contained(f"{inputs['volume_mL']} mL", inputs["formula"], strength(molarity=inputs["M"]))
    assert mass_g == pytest.approx(expected["mass_g"], abs=half_digit(expected["mass_g"]))


def volume_from_mass(inputs: Numbers, expected: Numbers) -> None:
    mass_g, _ = contained(f"{expected['volume_L']} L", inputs["formula"], strength(molarity=inputs["M"]))
    assert mass_g == pytest.approx(inputs["mass_g"], abs=half_digit(inputs["mass_g"]))


def dilution(inputs: Numbers, expected: Numbers) -> None:
    """Stock and water united have the concentration wanted."""
    n = inputs | expected
    water_l = n["V2"] - n["V1"]
    parts = [BlendPart(None, 1000 * n["V1"], strength(molarity=n["C1"]))]
    parts.append(BlendPart(None, 1000 * water_l, strength(molarity=0.0)))
    (answer,) = expected
    rounded = half_digit(expected[answer]) / expected[answer]
    found = blend(parts).molarity
    assert found is not None
    assert found.value == pytest.approx(n["C2"], rel=rounded)


def assay_density_volume(inputs: Numbers, expected: Numbers) -> None:
    acid = strength(assay=inputs["mass_percent"] / 100, density=inputs["density_g_mL"])
    mass_g, _ = contained(f"{inputs['volume_mL']} mL", "HCl", acid)
    assert mass_g == pytest.approx(expected["solute_g"], abs=half_digit(expected["solute_g"]))


def volume_percent(inputs: Numbers, expected: Numbers) -> None:
    spirit = strength(density=inputs["density_pure_g_mL"])
    pure_ml = inputs["volume_mL"] * inputs["volume_percent"] / 100
    _, mol = contained(f"{pure_ml} mL", "C2H5OH", spirit)
    assert mol == pytest.approx(expected["moles"], abs=half_digit(expected["moles"]))


def assay_solid(inputs: Numbers, expected: Numbers) -> None:
    """The solid to weigh out holds what the solution is to hold."""
    solution = strength(assay=inputs["final_percent"] / 100, density=inputs["final_density"])
    wanted, _ = contained(f"{inputs['final_volume_L']} L", "NaOH", solution)
    weighed, _ = contained(f"{expected['solid_g']} g", "NaOH", strength(assay=inputs["solid_percent"] / 100))
    assert weighed == pytest.approx(wanted, abs=half_digit(expected["solid_g"]))


def assay_to_molarity(inputs: Numbers, expected: Numbers) -> None:
    solution = strength(assay=inputs["mass_percent"] / 100, density=inputs["density"])
    _, mol_in_a_litre = contained("1 L", inputs["formula"], solution)
    assert mol_in_a_litre == pytest.approx(expected["M"], abs=half_digit(expected["M"]))


# Proportions, limiting reagents, yields


def stoichiometry(inputs: Numbers, expected: Numbers) -> None:
    equation, n = inputs["equation"], inputs | expected
    if "H3PO4_mol" in n:
        pair = [charge(f"{n['H3PO4_mol']} mol", "H3PO4"), charge(f"{n['CaOH2_mol']} mol", "Ca(OH)2")]
        equivalent(equation, pair, n["CaOH2_mol"])
    elif "MgOH2_g" in n:
        found = charged(equation, [charge(f"{n['NaOH_g']} g", "NaOH")], "Mg(OH)2")
        assert found.theoretical_g == pytest.approx(n["MgOH2_g"], abs=half_digit(n["MgOH2_g"]))
    elif "C8H18_g" in n:
        pair = [charge(f"{n['C8H18_g']} g", "C8H18"), charge(f"{n['O2_g']} g", "O2")]
        equivalent(equation, pair, n["O2_g"], figures=3)
    elif "HCl_L" in n:
        found = charged(equation, [charge(f"{n['HCl_L']} L", "HCl", molarity=n["HCl_M"])], "GaCl3")
        assert found.theoretical_g == pytest.approx(n["GaCl3_g"], abs=half_digit(n["GaCl3_g"]))
        assert found.theoretical_g / molar_mass("GaCl3") == pytest.approx(n["GaCl3_mol"], abs=0.005)
    else:
        copper = charge(f"{n['CuNO3_2_mL']} mL", "Cu(NO3)2", molarity=n["CuNO3_2_M"])
        equivalent(equation, [copper, charge(f"{n['KI_mL']} mL", "KI", molarity=n["KI_M"])], n["KI_mL"])


PRINTED_CHARGES = {
    "OSX-LY-4.12": ({"Si_g": "Si", "N2_g": "N2"}, "Si3N4", None),
    "OSX-LY-4.12c": ({"H2_g": "H2", "O2_g": "O2"}, "H2O", None),
    "OSX-LY-4.13c": ({"CCl4_g": "CCl4"}, "CF2Cl2", "CF2Cl2_g"),
    "OSX-LY-67": ({"toluene_g": "C6H5CH3"}, "C6H5CO2H", "benzoic_acid_g"),
    "OSX-LY-71": ({"Cr_mol": "Cr", "H3PO4_mol": "H3PO4"}, "CrPO4", None),
    "OSX-LY-73": ({"Na2C2O4_g": "Na2C2O4", "UO2NO3_2_g": "UO2(NO3)2"}, "UO2(C2O4)·3H2O", "product_g"),
}
"""Which printed amount is of what, the product, and the amount of it that was made."""


def limiting_or_yield(inputs: Numbers, expected: Numbers) -> None:
    (code,) = (name for name in PRINTED_CHARGES if RECORDS[name]["inputs"] == inputs)
    printed, product, made = PRINTED_CHARGES[code]
    charges = [charge(f"{inputs[key]} {key.rpartition('_')[2]}", formula) for key, formula in printed.items()]
    found = charged(inputs["equation"], charges, product, made and f"{inputs[made]} g")
    assert found.limiting_reagent == expected.get("limiting", next(iter(printed.values())))
    if "percent_yield" in expected:
        printed_percent = expected["percent_yield"]
        of_weights = OLDER_WEIGHTS * printed_percent
        assert 100 * found.yield_fraction == pytest.approx(
            printed_percent, abs=half_digit(printed_percent) + of_weights
        )
    for line in found.charges:
        if (mol := expected.get(f"{line.material}_mol")) is not None:
            assert line.contained_mol == pytest.approx(mol, abs=half_digit(mol))
            alone = charged(inputs["equation"], [charge(f"{mol} mol", line.material)], product)
            of_product = expected[f"{product}_from_{line.material}_mol"]
            assert alone.theoretical_g / molar_mass(product) == pytest.approx(of_product, abs=half_digit(of_product))


# Titrations: at the end point both charges are in the proportions of the equation.

NEUTRAL = "NaOH + HCl -> NaCl + H2O"


def titration(inputs: Numbers, expected: Numbers) -> None:
    n, halves = inputs | expected, 1
    (answer,) = expected.values()
    if "equation" in n:
        assert n["equation"] == "2 MnO4- + 5 H2C2O4 + 6 H+"
        halves = 2  # the book goes by way of 2.118e-3 and 5.295e-3 mol; without them it is 0.26473 mol/L
        equation = "2 KMnO4 + 5 H2C2O4 + 6 HCl -> 2 MnCl2 + 10 CO2 + 8 H2O + 2 KCl"
        first = charge(f"{n['KMnO4_mL']} mL", "KMnO4", molarity=n["KMnO4_M"])
        second = charge(f"{n['acid_mL']} mL", "H2C2O4", molarity=n["H2C2O4_M"])
    elif "ratio" in n:
        assert n["ratio"] == 2
        equation = "2 NaOH + H2SO4 -> Na2SO4 + 2 H2O"
        first = charge(f"{n['acid_mL']} mL", "H2SO4", molarity=n["acid_M"])
        second = charge(f"{n['NaOH_mL']} mL", "NaOH", molarity=n["NaOH_M"])
    elif "NaHCO3_g" in n:
        equation = "NaHCO3 + HCl -> NaCl + CO2 + H2O"
        first = charge(f"{n['NaHCO3_g']} g", "NaHCO3")
        second = charge(f"{n['HCl_mL']} mL", "HCl", molarity=n["HCl_M"])
    elif "CaOH2_mL" in n:
        equation = "Ca(OH)2 + 2 HCl -> CaCl2 + 2 H2O"
        first = charge(f"{n['CaOH2_mL']} mL", "Ca(OH)2", molarity=n["CaOH2_M"])
        second = charge(f"{n['HCl_mL']} mL", "HCl", molarity=n["HCl_M"])
    else:
        equation = NEUTRAL
        first = charge(f"{n['NaOH_mL']} mL", "NaOH", molarity=n["NaOH_M"])
        second = charge(f"{n['HCl_mL']} mL", "HCl", molarity=n["HCl_M"])
    equivalent(equation, [first, second], answer, halves=halves)


def gravimetric_assay(inputs: Numbers, expected: Numbers) -> None:
    if "BaSO4_g" in inputs:
        equation = "MgSO4 + Ba(NO3)2 -> BaSO4 + Mg(NO3)2"
        sample = charge(f"{inputs['sample_g']} g", "MgSO4", assay=expected["percent"] / 100)
        found = charged(equation, [sample], "BaSO4", f"{inputs['BaSO4_g']} g")
        assert found.key_contained_g == pytest.approx(expected["MgSO4_g"], abs=half_digit(expected["MgSO4_g"]))
    else:  # the salt may be impure: what it gave of the bromide is what it held of the metal
        equation = "GaBr3 + 3 AgNO3 -> 3 AgBr + Ga(NO3)3"
        found = charged(equation, [charge(f"{inputs['GaBr3_g']} g", "GaBr3")], "AgBr", f"{inputs['AgBr_g']} g")
        percent = 100 * found.yield_fraction * molar_mass("Ga") / molar_mass("GaBr3")
        assert percent == pytest.approx(expected["Ga_percent"], abs=half_digit(expected["Ga_percent"]))
        return
    assert found.yield_fraction == pytest.approx(1.0, abs=half_digit(expected["percent"]) / expected["percent"])


def back_calculation_overall_yield(inputs: Numbers, expected: Numbers) -> None:
    equation = "2 Ca3(PO4)2 + 6 SiO2 + 10 C -> 6 CaSiO3 + 10 CO + P4"
    step = step_by(reaction_of(equation), inputs["start"], "P4")
    per_gram, reason = theoretical_per_gram(step, substances([inputs["start"], "P4"]), {})
    assert reason is None
    assert per_gram is not None
    start = inputs["target_tons"] / (per_gram * inputs["yield_percent"] / 100)
    assert start == pytest.approx(expected["start_tons"], abs=half_digit(expected["start_tons"]))


CHECKS: dict[str, Callable[[Numbers, Numbers], None]] = {
    check.__name__: check
    for check in (
        *(percent_of_group, empirical_formula, molecular_formula),
        *(molarity, mass_from_molarity, volume_from_mass, dilution),
        *(assay_density_volume, volume_percent, assay_solid, assay_to_molarity),
        *(stoichiometry, limiting_or_yield, titration, gravimetric_assay, back_calculation_overall_yield),
    )
}
PROBLEMS = [code for code, record in RECORDS.items() if record["kind"] in CHECKS]


def test_every_problem_is_checked_or_named() -> None:
    assert len(RECORDS) == 78
    assert not CHECKED_BESIDE & set(PROBLEMS)
    assert CHECKED_BESIDE | set(PROBLEMS) | NOT_COMPUTED.keys() == RECORDS.keys()
    assert len(CHECKED_BESIDE) + len(PROBLEMS) == 75 >= 60
    assert len(PROBLEMS) == 39


@pytest.mark.parametrize("code", PROBLEMS)
def test_problem(code: str) -> None:
    record = RECORDS[code]
    CHECKS[record["kind"]](record["inputs"], record["expected"])


# Another worked example, of a teaching module on atom economy (University of Scranton): butanol to bromobutane.

MODULE = retrieved("green_metrics")["GM-CANN-1-BROMOBUTANE"]
BUTANOL = {"butanol": "C4H9OH", "NaBr": "NaBr", "H2SO4": "H2SO4"}


def test_bromobutane_from_butanol() -> None:
    inputs, expected = MODULE["inputs"], MODULE["expected"]
    charges = [charge(f"{inputs['charges_g'][name]} g", formula) for name, formula in BUTANOL.items()]
    found = charged(inputs["equation"], charges, "C4H9Br", f"{inputs['product_g']} g")
    for line, name in zip(found.charges, BUTANOL, strict=True):
        printed = inputs["moles_printed"][name]
        assert line.contained_mol == pytest.approx(printed, abs=half_digit(printed))
    assert (expected["limiting"], found.limiting_reagent) == ("1-butanol", "C4H9OH")
    assert found.theoretical_g == pytest.approx(expected["theoretical_g"], abs=0.005)
    assert 100 * found.yield_fraction == pytest.approx(expected["percent_yield"], abs=0.5)


def test_atom_economy_of_bromobutane() -> None:
    # 50 % in the module; 49.81 % in Kotz, Treichel and Townsend, Chemistry and Chemical Reactivity, chapter 4, no. 119.
    reaction = reaction_of(MODULE["inputs"]["equation"])
    formulas = {code: parse_formula(code) for code in (*reaction.reactants, *reaction.products)}
    percent = 100 * atom_economy(reaction, formulas, "C4H9Br")
    assert percent == pytest.approx(MODULE["expected"]["atom_economy_percent"], abs=0.5)
    printed = retrieved("green_metrics")["GM-KOTZ-119"]["expected"]["atom_economy_percent"]
    assert percent == pytest.approx(printed, abs=0.005)


def test_the_book_takes_a_molar_mass_of_its_own() -> None:
    # Example 3.24 rounds ethanol to 46.06 g/mol; stated as such it stands in for the formula.
    stated = material("spirit", stated_molar_mass=parse_quantity("46.06 g/mol", ("molar-mass",)))
    inputs = Inputs()
    found = holding_of(amount("90 mL"), strength(density=0.789), stated, molar_mass_of(stated), inputs, "bottle")
    assert found.mol is not None
    assert found.mol(inputs.values) == pytest.approx(90 * 0.789 / 46.06, rel=1e-12)
