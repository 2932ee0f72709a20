"""Amounts as the ledger counts them, exact, and back and forth between mass, volume and moles."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.formula import parse_formula
from service.domain.lot import Measured, Strength
from service.domain.material import Material
from service.domain.quantity import Quantity, parse_quantity
from service.domain.shelf_amount import in_dimension, in_units

ACID = Material("acid", "acid", formula=parse_formula("H2SO4"))
BASES = {"mass": "g", "volume": "mL", "amount": "mol"}
STRENGTHS = [
    Strength(density=Measured(1.1), assay=Measured(0.149), loss_on_drying=Measured(0.02)),
    Strength(density=Measured(1.1), molarity=Measured(6.0)),
    Strength(density=Measured(1.1), mass_concentration=Measured(250.0)),
]
dimensions = st.sampled_from(sorted(BASES))


@pytest.mark.parametrize("strength", STRENGTHS)
@given(st.integers(1, 10**6), dimensions, dimensions)
def test_there_and_back_is_exact(strength: Strength, digits: int, one: str, other: str) -> None:
    amount = Quantity(Decimal(digits), BASES[one])
    there = in_dimension(amount, other, strength, ACID)
    per_unit = in_dimension(Quantity(Decimal(1), BASES[other]), one, strength, ACID)
    assert isinstance(there, Fraction)
    assert isinstance(per_unit, Fraction)
    assert there * per_unit == amount.exact_base()


def test_by_hand() -> None:
    by_assay, by_molarity, by_g_per_l = STRENGTHS
    moles = parse_quantity("0.3 mol", ("amount",))
    assert in_dimension(moles, "volume", by_molarity, ACID) == 50
    assert in_dimension(moles, "mass", by_molarity, ACID) == 55
    volume = in_dimension(moles, "volume", by_g_per_l, ACID)
    assert isinstance(volume, Fraction)
    molar_mass = ACID.molar_mass_g_per_mol
    assert molar_mass is not None
    assert float(volume) == pytest.approx(0.3 * molar_mass / 250.0 * 1000.0)
    mass = in_dimension(moles, "mass", by_assay, ACID)
    assert isinstance(mass, Fraction)
    assert float(mass) == pytest.approx(0.3 * molar_mass / (0.98 * 0.149))


@pytest.mark.parametrize(
    ("amount", "dimension", "strength", "missing"),
    [
        ("1 g", "volume", Strength(), "density"),
        ("1 mL", "amount", Strength(assay=Measured(0.9)), "molar concentration"),
        ("1 g", "amount", Strength(), "molar mass"),
    ],
)
def test_what_is_missing_is_named(amount: str, dimension: str, strength: Strength, missing: str) -> None:
    bare = Material("tea", "tea")
    found = in_dimension(parse_quantity(amount, tuple(BASES)), dimension, strength, bare)
    assert found == f"the {missing} of tea is not known"


@given(st.integers(0, 10**18))
def test_whole_units_stay_whole(units: int) -> None:
    assert in_units(Fraction(units, 10**9), "mass") == units
