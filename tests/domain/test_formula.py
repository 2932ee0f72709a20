"""How a formula is read, and what is refused with its place shown."""

from __future__ import annotations

import math
from fractions import Fraction

import periodictable
import pytest

from service.domain.atomic_weights import ELEMENTS, ISOTOPES
from service.domain.formula import MOST_ATOMS, parse_formula
from service.errors import InvalidInput


def refusal(text: str) -> str:
    with pytest.raises(InvalidInput) as raised:
        parse_formula(text)
    (fault,) = raised.value.faults
    assert (fault.code, fault.pointer) == ("bad-formula", None)
    return fault.detail


VITRIOL = {"Cu": 1, "S": 1, "O": 9, "H": 10}
HALF_HYDRATE = {"Ca": 1, "S": 1, "O": Fraction(9, 2), "H": 1}


@pytest.mark.parametrize(
    ("written", "elements"),
    [
        *((f"CuSO4{dot}5H2O", VITRIOL) for dot in (".", "·", "•", "*", "⋅", "∙", "×", " . ", " · ")),
        ("CuSO₄·5H₂O", VITRIOL),
        ("CuSO4(H2O)5", VITRIOL),
        ("CuSO4 · 5 H2O", VITRIOL),
        *((f"CaSO4{half}H2O", HALF_HYDRATE) for half in (".0.5", "·0.5", ".1/2", "·½", "·1/2 ", " · 0.5 ")),
        ("CaSO4.1.5H2O", {"Ca": 1, "S": 1, "O": Fraction(11, 2), "H": 3}),
        ("(CaSO4)2.H2O", {"Ca": 2, "S": 2, "O": 9, "H": 2}),
        ("Al2(SO4)3.18H2O", {"Al": 2, "S": 3, "O": 30, "H": 36}),
        ("(CH3COO)2Cu.H2O", {"C": 4, "H": 8, "O": 5, "Cu": 1}),
        ("2PbCO3.Pb(OH)2", {"Pb": 3, "C": 2, "O": 8, "H": 2}),
        ("Al2O3.2SiO2.2H2O", {"Al": 2, "O": 9, "Si": 2, "H": 4}),
        ("K3[Fe(CN)6]", {"K": 3, "Fe": 1, "C": 6, "N": 6}),
        ("{[(CH3)2]N}2", {"C": 4, "H": 12, "N": 2}),
        ("CO", {"C": 1, "O": 1}),
        ("Co", {"Co": 1}),
        ("  NaCl ", {"Na": 1, "Cl": 1}),
        ("D2O", {"D": 2, "O": 1}),
        ("[2H]2O", {"D": 2, "O": 1}),
        ("[13C]H4", {"13C": 1, "H": 4}),
        ("[13C6]H12O6", {"13C": 6, "H": 12, "O": 6}),
        ("¹³CH₄", {"13C": 1, "H": 4}),
        ("H2¹⁸O", {"H": 2, "18O": 1}),
    ],
)
def test_atoms(written: str, elements: dict[str, int | Fraction]) -> None:
    assert dict(parse_formula(written).elements) == elements


@pytest.mark.parametrize(
    ("written", "charge"),
    [
        *((f"SO4{charge}", -2) for charge in ("^2-", "(2-)", "²⁻", "²-", "-2", "^-2", "^(2-)")),
        *((sulfate, -2) for sulfate in ("SO₄²⁻", "[SO4]2-")),
        *((sodium, 1) for sodium in ("Na+", "Na⁺", "Na^+", "Na(+)", "Na^1+", "[Na]+")),
        *((ferrocyanide, -4) for ferrocyanide in ("[Fe(CN)6]4-", "[Fe(CN)6]^4-", "[Fe(CN)6]⁴⁻", "[Fe(CN)6](4-)")),
        ("Cu++", 2),
        ("NH4+", 1),
        ("NO3-", -1),
        ("H3O+", 1),
        ("[Cu(NH3)4]^2+.SO4^2-", 0),
        ("Hg2^2+", 2),
    ],
)
def test_charges(written: str, charge: int) -> None:
    assert parse_formula(written).charge == charge


def test_a_charge_takes_no_atoms() -> None:
    for sulfate in ("SO4^2-", "SO4(2-)", "SO₄²⁻", "[SO4]2-"):
        assert dict(parse_formula(sulfate).elements) == {"S": 1, "O": 4}


@pytest.mark.parametrize(
    ("written", "place", "why"),
    [
        ("", "at its end", "nothing to read"),
        ("   ", "at its end", "nothing to read"),
        ("CuSO4.5Hx2O", "character 8, at 'Hx2O'", "no element is called 'Hx'"),
        ("cuso4", "character 1", "capital"),
        ("NaCl2X", "character 6, at 'X'", "no element is called 'X'"),
        ("Na Cl", "character 4, at 'Cl'", "space"),
        ("C(H", "character 2, at '(H'", "never closed"),
        ("CH)", "character 3, at ')'", "closes nothing"),
        ("C(H]", "character 4, at ']'", "')' was expected"),
        ("C()", "character 2, at '()'", "nothing in the brackets"),
        ("Fe0.95O", "character 3, at '0.95O'", "never a decimal point"),
        ("Fe1.5O", "character 3, at '1.5O'", "never a decimal point"),
        ("CuSO4.xH2O", "character 7, at 'xH2O'", "write how many"),
        ("CuSO4.nH2O", "character 7, at 'nH2O'", "write how many"),
        ("CuSO4·0,5H2O", "character 8, at ',5H2O'", "decimal comma"),
        ("CuSO4.05H2O", "character 7, at '05H2O'", "idle 0"),
        ("CuSO4.0H2O", "character 7, at '0H2O'", "above zero"),
        ("CuSO4.1/0H2O", "character 8, at '/0H2O'", "symbol was expected"),
        ("CuSO4..5H2O", "character 7, at '.5H2O'", "symbol was expected"),
        ("CuSO4.", "at its end", "symbol was expected"),
        (".5H2O", "character 1", "symbol was expected"),
        ("5", "at its end", "symbol was expected"),
        ("2H2O", "character 1", "coefficient"),
        ("Ca2+", "character 3, at '2+'", "count or charge?"),
        ("O2-", "character 2", "count or charge?"),
        ("SO42-", "character 3, at '42-'", "^2-"),
        ("(SO4)2-", "character 6, at '2-'", "count or charge?"),
        ("Na+Cl-", "character 4, at 'Cl-'", "charge ends"),
        ("e-", "character 1", "capital"),
        ("H2O(aq)", "character 4, at '(aq)'", "state"),
        ("TcO2", "character 1", "no standard atomic weight"),
        ("[99C]", "character 1", "12C, 13C, 14C"),
        ("MgC1_2", "character 5, at '_2'", "symbol was expected"),
        ("C٣", "character 2", "symbol was expected"),
        ("C\x00", "character 2", "symbol was expected"),
        ("C9999999", "character 2", "whole number from 1"),
        ("((((C999999)999999)9)9)9", "character 19", "atoms of one element"),
        ("(" * 11 + "C" + ")" * 11, "character 11", "deeper than 10"),
        ("(" * 100_000, "character 1", "at most 200 characters"),
        ("C" * 201, "character 1", "at most 200 characters"),
    ],
)
def test_refused_with_its_place(written: str, place: str, why: str) -> None:
    detail = refusal(written)
    assert place in detail
    assert why in detail
    assert len(detail) < 500


def test_bounds_themselves_are_within() -> None:
    assert parse_formula("(" * 10 + "C" + ")" * 10).elements["C"] == 1
    assert parse_formula(f"C{MOST_ATOMS}").elements["C"] == MOST_ATOMS
    assert parse_formula("C" * 200).elements["C"] == 200


READ_RIGHT_BY_PERIODICTABLE = [
    "H2O", "NaCl", "H2SO4", "Al2(SO4)3", "K4Fe(CN)6", "C12H22O11", "Ca3(PO4)2", "D2O", "AuCl3", "AgNO3", "KMnO4",
    "PbCO3", "I2", "UO2(NO3)2", "(NH4)2Cr2O7", "Cu2(OH)2CO3", "C17H35CO2Na", "Bi2O3", "La2O3",
]  # fmt: skip


@pytest.mark.parametrize("written", READ_RIGHT_BY_PERIODICTABLE)
def test_molar_masses_are_those_of_periodictable(written: str) -> None:
    """That library reads hydrates with a dot otherwise (185.6 for CuSO4.5H2O), so none is in this list."""
    assert parse_formula(written).molar_mass_g_per_mol == pytest.approx(periodictable.formula(written).mass, rel=1e-9)


@pytest.mark.parametrize("symbol", sorted(ELEMENTS))
def test_weights_are_those_of_periodictable(symbol: str) -> None:
    assert float(ELEMENTS[symbol].g_per_mol) == getattr(periodictable, symbol).mass


@pytest.mark.parametrize("isotope", sorted(ISOTOPES))
def test_isotopes_are_those_of_periodictable(isotope: str) -> None:
    """Its isotope masses are those of AME2020."""
    symbol = isotope.lstrip("0123456789")
    theirs = getattr(periodictable, symbol)
    mass = theirs.mass if symbol in ("D", "T") else theirs[int(isotope.removesuffix(symbol))].mass
    assert float(ISOTOPES[isotope].g_per_mol) == mass


def test_uncertainty_by_hand() -> None:
    """Limits of the 2021 table: H 1.0080 ± 0.0002, O 15.999 ± 0.001. Two hydrogens vary together."""
    by_hand = math.sqrt((2 * 0.0002) ** 2 + 0.001**2) / math.sqrt(3)
    assert parse_formula("H2O").molar_mass_u_g_per_mol == pytest.approx(by_hand, rel=1e-12)
    assert parse_formula("HOH").molar_mass_u_g_per_mol == pytest.approx(by_hand, rel=1e-12)


def test_a_formula_cannot_be_changed() -> None:
    formula = parse_formula("NaCl")
    with pytest.raises(TypeError):
        formula.elements["Na"] = 2  # type: ignore[index]
    assert len({formula, parse_formula("NaCl")}) == 1
