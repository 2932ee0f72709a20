"""How an amount is read: what is taken, with its digits; what is refused, with the reason; what a weighing is worth."""

from __future__ import annotations

import math
from decimal import Decimal

import pint
import pytest

from service.domain.quantity import (
    Quantity,
    parse_fraction,
    parse_number,
    parse_quantity,
    volume_u_ml,
    weighing_u_g,
)
from service.domain.units import DIMENSIONS, UNITS, unit_code
from service.errors import Fault, InvalidInput

MASS = ("mass",)


def refused(written: object, *dimensions: str, **options: object) -> Fault:
    with pytest.raises(InvalidInput) as raised:
        parse_quantity(written, dimensions or MASS, **options)  # type: ignore[arg-type]
    (fault,) = raised.value.faults
    assert fault.pointer is None
    assert fault.expected
    return fault


# The table of units against the pint library, which is an outside source of every factor in it.

PINT_CALLS_IT = {"m3": "m**3", "cm3": "cm**3", "wk": "week", "g/cm3": "g/cm**3", "kg/m3": "kg/m**3", "1": ""}


@pytest.fixture(scope="module")
def pint_units() -> pint.UnitRegistry[float]:
    return pint.UnitRegistry()


@pytest.mark.parametrize(
    ("code", "dimension"), [(code, dimension) for code, factors in UNITS.items() for dimension in factors]
)
def test_factors_are_those_of_pint(code: str, dimension: str, pint_units: pint.UnitRegistry[float]) -> None:
    base = DIMENSIONS[dimension].base
    theirs = pint_units.Quantity(1, PINT_CALLS_IT.get(code, code)).to(PINT_CALLS_IT.get(base, base)).magnitude
    assert float(UNITS[code][dimension]) == pytest.approx(theirs, rel=1e-12)


def test_a_concentration_of_moles_is_no_density() -> None:
    assert not UNITS["mol/L"].keys() & UNITS["g/L"].keys()


@pytest.mark.parametrize("wrong_case", ["Mg", "ML", "KG", "G", "MOL", "H", "kwh", "Ml"])
def test_case_decides(wrong_case: str) -> None:
    assert unit_code(wrong_case) is None


# What is read.


@pytest.mark.parametrize(
    ("written", "value", "unit", "uncertainty"),
    [
        ("12.35 g", "12.35", "g", None),
        ("25mL", "25", "mL", None),
        ("  12.350 g  ", "12.350", "g", None),
        ("0.1 mol", "0.1", "mol", None),
        (".5 g", "0.5", "g", None),
        ("5. g", "5", "g", None),
        ("+3 g", "3", "g", None),
        ("1e-3 g", "0.001", "g", None),
        ("1.20E3 g", "1.20E+3", "g", None),
        ("12.35\u00a0g", "12.35", "g", None),
        ("40 µL", "40", "uL", None),
        ("40 μL", "40", "uL", None),
        ("2 l", "2", "L", None),
        ("12.35 g ± 0.02 g", "12.35", "g", "0.02"),
        ("12.35 ± 0.02 g", "12.35", "g", "0.02"),
        ("12.35 g ± 0.02", "12.35", "g", "0.02"),
        ("(12.35 ± 0.02) g", "12.35", "g", "0.02"),
        ("12.35 g +/- 0.02 g", "12.35", "g", "0.02"),
        ("12.35+-0.02g", "12.35", "g", "0.02"),
        ("12.35 g ± 20 mg", "12.35", "g", "0.020"),
        ("12.35(2) g", "12.35", "g", "0.02"),
        ("12.35(12) g", "12.35", "g", "0.12"),
        ("1.235(2)e-3 kg", "0.001235", "kg", "0.000002"),
        ("120(5) g", "120", "g", "5"),
        ({"value": "12.350", "unit": "g", "uncertainty": "0.02"}, "12.350", "g", "0.02"),
        ({"value": "12.35(2)", "unit": "g"}, "12.35", "g", "0.02"),
        ({"value": 12, "unit": "g"}, "12", "g", None),
        ({"value": 12.5, "unit": "ml", "uncertainty": None}, "12.5", "mL", None),
    ],
)
def test_read_with_the_digits_as_written(written: object, value: str, unit: str, uncertainty: str | None) -> None:
    quantity = parse_quantity(written, ("mass", "volume", "amount"))
    expected = Quantity(Decimal(value), unit, None if uncertainty is None else Decimal(uncertainty))
    assert quantity == expected
    assert parse_quantity(quantity.text(), ("mass", "volume", "amount")) == quantity


def test_digits_tell_quantities_apart() -> None:
    assert parse_quantity("12.35 g", MASS) != parse_quantity("12.350 g", MASS)
    assert parse_quantity("12.35 g", MASS) == parse_quantity(" 12.35g", MASS)
    assert len({parse_quantity(text, MASS) for text in ("12.35 g", "12.350 g", "12.35g")}) == 2


@pytest.mark.parametrize(
    ("asked", "dimension", "base"),
    [
        (("density",), "density", 0.25),
        (("molar-concentration", "mass-concentration"), "mass-concentration", 250.0),
    ],
)
def test_grams_per_litre_are_what_the_place_asks_for(asked: tuple[str, ...], dimension: str, base: float) -> None:
    quantity = parse_quantity("250 g/L", asked)
    assert (quantity.dimension, quantity.base()) == (dimension, base)


def test_units_become_the_fixed_ones_inside() -> None:
    assert parse_quantity("2.5 kg", MASS).base() == 2500.0
    assert parse_quantity("1 lb", MASS).base() == 453.59237  # NIST SP 811, appendix B.8
    assert parse_quantity("90 min", ("time",)).base() == 1.5
    assert parse_quantity("3.6 MJ", ("energy",)).base() == 1.0
    assert parse_quantity("4.18 kJ/(kg*K)", ("specific-heat",)).base() == 4.18
    assert parse_quantity("-57.1 kJ/mol", ("molar-energy",), sign="any").base() == -57.1


# What is refused, and how to mend it.


@pytest.mark.parametrize(
    ("written", "code"),
    [
        ("1,5 g", "decimal-comma"),
        ("1,500 g", "decimal-comma"),
        ("1 000 g", "digit-grouping"),
        ("1\u00a0000 g", "digit-grouping"),
        ("1\u202f000 g", "digit-grouping"),
        ("1'000 g", "digit-grouping"),
        ("1_000 g", "digit-grouping"),
        ("1,000.5 g", "digit-grouping"),
        ("1.000,5 g", "digit-grouping"),
        ("1.000.5 g", "digit-grouping"),
        ("9**9**9 g", "not-a-number"),
        ("10**10**8 g", "not-a-number"),
        ("9^9^9 g", "not-a-number"),
        ("1/2 g", "not-a-number"),
        ("0x10 g", "not-a-number"),
        ("2+2 g", "not-a-number"),
        ("ten g", "not-a-number"),
        ("g", "not-a-number"),
        ("", "not-a-number"),
        ("   ", "not-a-number"),
        ("±", "not-a-number"),
        ("١٢ g", "not-a-number"),
        ("１２ g", "not-a-number"),
        ("1٢ g", "not-a-number"),
        ("NaN g", "not-finite"),
        ("-Infinity g", "not-finite"),
        ("inf g", "not-finite"),
        ("∞ g", "not-finite"),
        ("1e9999 g", "out-of-range"),
        ("1e-9999 g", "out-of-range"),
        ("1e999999999 g", "out-of-range"),
        ("1e15 g", "out-of-range"),
        ("1e-14 g", "out-of-range"),
        ("0 g", "out-of-range"),
        ("0.0 g", "out-of-range"),
        ("-1 g", "out-of-range"),
        ("−1 g", "out-of-range"),
        ("1.234567890123456789012 g", "too-many-digits"),
        ("0.0000000000000001 g", "too-many-digits"),
        ("1" * 65, "too-long"),
        ("12", "missing-unit"),
        (12, "missing-unit"),
        ("12 ± 1", "missing-unit"),
        ("12 gr", "unknown-unit"),
        ("12 Mg", "unknown-unit"),
        ("12 g g", "unknown-unit"),
        ("12 %", "unknown-unit"),
        ("12 1", "digit-grouping"),
        ("12 \x00", "unknown-unit"),
        ("12 mL", "wrong-dimension"),
        ("12 g/mL", "wrong-dimension"),
        ("12 g ± 1 mL", "wrong-dimension"),
        ("12 g ± 0 g", "bad-uncertainty"),
        ("12 g ± -1 g", "bad-uncertainty"),
        ("12 g ± 5 %", "bad-uncertainty"),
        ("12(1) g ± 1 g", "bad-uncertainty"),
        ("12 ± 1 ± 1 g", "bad-uncertainty"),
        ("(12 g ± 1 g) g", "bad-uncertainty"),
        ("12(0) g", "bad-uncertainty"),
        ("12 lb ± 1 kg", "bad-uncertainty"),
        (True, "not-a-number"),
        (None, "not-a-number"),
        (["12 g"], "not-a-number"),
        (float("nan"), "not-finite"),
        ({"value": float("inf"), "unit": "g"}, "not-finite"),
        ({"value": True, "unit": "g"}, "not-a-number"),
        ({"value": "1,5", "unit": "g"}, "decimal-comma"),
        ({"value": "12 g", "unit": "g"}, "not-a-number"),
        ({"value": "12"}, "missing-unit"),
        ({"unit": "g"}, "not-a-number"),
        ({"value": "12", "unit": 7}, "unknown-unit"),
        ({"value": "12", "unit": "g" * 65}, "too-long"),
        ({"value": "12", "unit": "g", "u": "1"}, "unknown-key"),
        ({"value": "12", "unit": "g", "uncertainty": "0"}, "bad-uncertainty"),
        ({"value": "12(1)", "unit": "g", "uncertainty": "1"}, "bad-uncertainty"),
        ({"value": 10**25, "unit": "g"}, "too-many-digits"),
        ({}, "not-a-number"),
    ],
)
def test_refused_by_reason(written: object, code: str) -> None:
    assert refused(written).code == code


@pytest.mark.parametrize(
    ("written", "hint"),
    [
        ("12 gr", "'g'"),
        ("12 Grams", "'g'"),
        ("12 KG", "'kg'"),
        ("12 Mg", "'mg'"),
        ("12 kilos", "'kg'"),
        ("12 lbs", "'lb'"),
    ],
)
def test_an_unknown_unit_offers_the_nearest(written: str, hint: str) -> None:
    assert f"did you mean {hint}" in refused(written).detail


def test_a_decimal_comma_is_shown_mended() -> None:
    fault = refused("1,5 g")
    assert '"1.5 g"' in fault.detail
    assert fault.received == "1,5 g"


def test_another_dimension_is_named() -> None:
    assert refused("12 mL", "mass", "amount").detail.startswith("'12 mL' is a volume")


def test_zero_and_negative_amounts_where_they_have_a_meaning() -> None:
    assert parse_quantity("0 g", MASS, sign="non-negative").base() == 0.0
    assert parse_quantity("-5 g", MASS, sign="any").base() == -5.0
    assert refused("-5 g", sign="non-negative").code == "out-of-range"


# Fractions and numbers.


def test_fractions() -> None:
    assert parse_fraction("0.012 ± 0.002", name="content").stated_u_base() == 0.002
    assert parse_fraction("0.149(2)", name="assay").base() == 0.149
    assert parse_fraction(0.5, name="assay").base() == 0.5
    assert parse_fraction({"value": "0.98", "uncertainty": "0.01"}, name="assay").text() == "0.98 ± 0.01"
    assert parse_fraction("1.3", name="yield", above_ok=True).base() == 1.3
    assert parse_fraction("0", name="assay").dimension == "fraction"


@pytest.mark.parametrize(
    ("written", "code", "hint"),
    [
        ("14.9 %", "unknown-unit", "write 0.149 for 14.9 %"),
        ("14.9%", "unknown-unit", "write 0.149 for 14.9 %"),
        ("97", "out-of-range", "write 0.97 for 97 %"),
        ("1.0001", "out-of-range", "a fraction from 0 to 1"),
        ("-0.1", "out-of-range", "below"),
        ("0,5", "decimal-comma", "decimal point"),
        ("0.5 g/g", "wrong-dimension", "takes no unit"),
        ("0.5 ± 2 %", "bad-uncertainty", "percentage"),
        ("NaN", "not-finite", "finite"),
        (True, "not-a-number", "not a number"),
    ],
)
def test_fractions_refused(written: object, code: str, hint: str) -> None:
    with pytest.raises(InvalidInput) as raised:
        parse_fraction(written, name="assay")
    (fault,) = raised.value.faults
    assert fault.code == code
    assert hint in fault.detail


def test_numbers() -> None:
    assert parse_number("1.10", name="equivalents").text() == "1.10"
    assert parse_number(2, name="equivalents").dimension == "count"
    for written, code in (
        ("0", "out-of-range"),
        ("2 g", "wrong-dimension"),
        ("1e7", "out-of-range"),
        ("x", "not-a-number"),
    ):
        with pytest.raises(InvalidInput) as raised:
            parse_number(written, name="equivalents")
        assert raised.value.faults[0].code == code


# What a weighing is worth: a display step d read once has d/√12 (JCGM 100:2008, 4.3.7).


@pytest.mark.parametrize(
    ("written", "readings", "u_g"),
    [
        ("50.0 g", 2, 0.1 / math.sqrt(12) * math.sqrt(2)),
        ("50.00 g", 2, 0.01 / math.sqrt(6)),
        ("50 g", 1, 1 / math.sqrt(12)),
        ("50 mg", 2, 0.001 / math.sqrt(6)),
        ("1.250 kg", 2, 1 / math.sqrt(6)),
        ("50.0 g ± 0.3 g", 2, 0.3),
        ("2 kg ± 5 g", 1, 5.0),
        ("3 oz ± 0.1 oz", 1, 0.1 * 28.349523125),
    ],
)
def test_weighings(written: str, readings: int, u_g: float) -> None:
    assert weighing_u_g(parse_quantity(written, MASS), readings) == pytest.approx(u_g, rel=1e-12)


@pytest.mark.parametrize("written", ["2 kg", "3.5 oz", "1.25 lb", "0.001 t", "50 ug"])
def test_sizes_are_no_weighings(written: str) -> None:
    assert weighing_u_g(parse_quantity(written, MASS), 2) is None


def test_volumes_have_a_hundredth_or_the_last_digit() -> None:
    """Common practice, not a published rule."""
    for written, u_ml in (("400 mL", 4.0), ("25.0 mL", 0.25), ("2 mL", 1 / math.sqrt(12)), ("25 mL ± 0.1 mL", 0.1)):
        assert volume_u_ml(parse_quantity(written, ("volume",))) == pytest.approx(u_ml, rel=1e-12)
