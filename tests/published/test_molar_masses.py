"""Molar masses and compositions against a textbook and a public table of compounds.

The textbook (OpenStax Chemistry 2e, CC BY) works with rounded weights of an earlier edition, so that beside the half of
its last printed digit a relative 2e-5 is allowed. The table of compounds (identifier data of the Python package
``chemicals`` 1.5.2, from PubChem) uses weights of an earlier edition, such as S 32.065: 0.03 %.
"""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from service.domain.formula import parse_formula
from service.errors import InvalidInput

DATA = Path(__file__).parent / "data"


def records(name: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads((DATA / f"{name}.json").read_text("utf-8"))["records"]
    return found


def of_kind(kind: str) -> list[dict[str, Any]]:
    return [record for record in records("openstax") if record["kind"] == kind and record["status"] == "RETRIEVED"]


def half_digit(printed: float) -> float:
    exponent = Decimal(str(printed)).as_tuple().exponent
    assert isinstance(exponent, int)
    return 0.5 * 10.0**exponent


def named(record: dict[str, Any]) -> str:
    return str(record["id"])


MASSES = of_kind("molar_mass")
COMPOSITIONS = of_kind("percent_composition")
WEIGHED_OUT = of_kind("moles_to_mass") + of_kind("mass_to_moles")
SLIPS = {record["id"]: record for record in records("inconsistencies") if record["status"] == "RETRIEVED"}


def test_nothing_is_missing() -> None:
    assert (len(MASSES), len(COMPOSITIONS), len(WEIGHED_OUT), len(TABULATED)) == (15, 3, 9, 30)


@pytest.mark.parametrize("record", MASSES, ids=named)
def test_textbook_molar_masses(record: dict[str, Any]) -> None:
    printed = record["expected"]["molar_mass_g_mol"]
    found = parse_formula(record["inputs"]["formula"]).molar_mass_g_per_mol
    assert found == pytest.approx(printed, rel=2e-5, abs=0) or abs(found - printed) <= half_digit(printed) + 1e-9


@pytest.mark.parametrize("record", COMPOSITIONS, ids=named)
def test_textbook_compositions(record: dict[str, Any]) -> None:
    formula = parse_formula(record["inputs"]["formula"])
    for symbol, percent in record["expected"].items():
        part = float(formula.elements[symbol]) * parse_formula(symbol).molar_mass_g_per_mol
        fraction = part / formula.molar_mass_g_per_mol
        assert 100 * fraction == pytest.approx(percent, abs=max(half_digit(percent), 0.005))


@pytest.mark.parametrize("record", WEIGHED_OUT, ids=named)
def test_textbook_masses_of_moles(record: dict[str, Any]) -> None:
    inputs, expected = record["inputs"], record["expected"]
    molar_mass = parse_formula(inputs["formula"]).molar_mass_g_per_mol
    moles, mass_g = {**inputs, **expected}["moles"], {**inputs, **expected}["mass_g"]
    # What the book starts from is rounded like what it finds: half of the last digit of both.
    assert moles * molar_mass == pytest.approx(mass_g, abs=half_digit(mass_g) + half_digit(moles) * molar_mass)


TABULATED = [
    record
    for record in records("molar_masses")
    if record["second_value"] and record["second_value"]["package_formula_matches"]
]


@pytest.mark.parametrize("record", TABULATED, ids=named)
def test_tabulated_compounds(record: dict[str, Any]) -> None:
    """Only the table's own value is compared: the record's expected one was computed, not published."""
    table = record["second_value"]
    formula = parse_formula(record["inputs"]["formula"])
    assert dict(formula.elements) == dict(parse_formula(table["package_formula"]).elements)
    assert formula.molar_mass_g_per_mol == pytest.approx(table["package_M"], rel=3e-4)


# Slips in the sources: what is printed there is wrong, and must not come out here.


@pytest.mark.parametrize(
    ("slip", "formula", "mass_g", "printed_mol", "true_mol"),
    [
        ("INC-001", "C14H12O2", 100, 0.48, 0.471),
        ("INC-002", "C14H10", 8.0, 0.043, 0.0449),
        ("INC-003", "HO2C(CH2)4CO2H", 200, 1.34, 1.369),
        ("INC-004", "K2Cr2O7", 70, 2.4, 0.238),
        ("INC-006", "Sn", 100, 0.86, 0.842),
    ],
)
def test_printed_moles_that_are_not_those_of_the_grams(
    slip: str, formula: str, mass_g: float, printed_mol: float, true_mol: float
) -> None:
    assert str(printed_mol) in SLIPS[slip]["inputs"]["printed"]
    assert SLIPS[slip]["expected"]["recomputed"] == true_mol
    moles = mass_g / parse_formula(formula).molar_mass_g_per_mol
    assert moles == pytest.approx(true_mol, abs=half_digit(true_mol))
    assert moles != pytest.approx(printed_mol, abs=half_digit(printed_mol))


def test_known_bad_hydrate_sums() -> None:
    slip = SLIPS["INC-042"]
    printed, true = slip["inputs"]["printed"], slip["expected"]["recomputed"]
    assert (printed, true) == ("MgSO4.7H2O 230; FeSO4.7H2O 262", "246.47; 278.01")
    assert parse_formula("MgSO4.7H2O").molar_mass_g_per_mol == pytest.approx(246.47, abs=0.005)
    assert parse_formula("FeSO4.7H2O").molar_mass_g_per_mol == pytest.approx(278.01, abs=0.005)


def test_table_entries_that_are_not_the_hydrate() -> None:
    assert SLIPS["INC-041"]["expected"]["recomputed"] == "KAl(SO4)2.12H2O 474.37; CoCl2.6H2O 237.92"
    wrong = [record for record in records("molar_masses") if record not in TABULATED and record["second_value"]]
    assert sorted(record["inputs"]["formula"] for record in wrong) == ["CoCl2·6H2O", "KAl(SO4)2·12H2O"]
    for record in wrong:
        formula = parse_formula(record["inputs"]["formula"])
        assert formula.molar_mass_g_per_mol != pytest.approx(record["second_value"]["package_M"], rel=0.1)
    assert parse_formula("KAl(SO4)2.12H2O").molar_mass_g_per_mol == pytest.approx(474.37, abs=0.005)
    assert parse_formula("CoCl2.6H2O").molar_mass_g_per_mol == pytest.approx(237.92, abs=0.005)


def test_a_digit_one_in_place_of_a_letter_l_is_refused() -> None:
    assert SLIPS["INC-025"]["inputs"]["printed"].startswith("MgC1_2")
    with pytest.raises(InvalidInput, match="character 5, at '_2'"):
        parse_formula("MgC1_2")
