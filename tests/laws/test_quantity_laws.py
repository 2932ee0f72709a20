"""What holds for every quantity: writing and reading are inverse, units do not matter, and no text does harm."""

from __future__ import annotations

import math
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.quantity import Quantity, parse_fraction, parse_quantity, weighing_u_g
from service.domain.units import DIMENSIONS, UNITS
from service.errors import Fault, InvalidInput

UNIT_AND_DIMENSION = st.sampled_from(
    [(code, dimension) for code, factors in UNITS.items() if code != "1" for dimension in factors]
)
DIGITS = st.decimals(min_value="0.001", max_value="999", places=3).map(lambda value: value.normalize())
SPREADS = st.none() | st.decimals(min_value="0.001", max_value="9.999", places=3)


@given(UNIT_AND_DIMENSION, DIGITS, SPREADS)
def test_text_reads_back_as_the_equal_quantity(unit: tuple[str, str], value: Decimal, spread: Decimal | None) -> None:
    code, dimension = unit
    quantity = Quantity(value, code, spread, dimension)
    assert parse_quantity(quantity.text(), [dimension]) == quantity


@given(UNIT_AND_DIMENSION, DIGITS, SPREADS)
def test_text_and_mapping_say_the_same(unit: tuple[str, str], value: Decimal, spread: Decimal | None) -> None:
    code, dimension = unit
    as_text = Quantity(value, code, spread, dimension).text()
    mapping = {"value": str(value), "unit": code, "uncertainty": None if spread is None else str(spread)}
    assert parse_quantity(mapping, [dimension]) == parse_quantity(as_text, [dimension])


@given(st.integers(1, 10**6), st.integers(0, 6))
def test_trailing_zeros_change_the_step_and_nothing_else(whole: int, zeros: int) -> None:
    plain = parse_quantity(f"{whole}.5 g", ["mass"])
    finer = parse_quantity(f"{whole}.5{'0' * zeros} g", ["mass"])
    assert finer.exact_base() == plain.exact_base()
    assert finer.step_base() == pytest.approx(plain.step_base() / 10**zeros)


@given(st.integers(1, 10**6))
def test_the_same_mass_in_any_unit(micrograms: int) -> None:
    written = [f"{micrograms} ug", f"{micrograms}e-3 mg", f"{micrograms}e-6 g", f"{micrograms}e-9 kg"]
    assert {parse_quantity(text, ["mass"]).exact_base() for text in written} == {Fraction(micrograms, 10**6)}


@given(st.integers(1, 10**5), st.integers(1, 9))
def test_readings_add_in_squares(tenths: int, readings: int) -> None:
    weighing = parse_quantity(f"{Decimal(tenths) / 10:.1f} g", ["mass"])
    one, many = weighing_u_g(weighing, 1), weighing_u_g(weighing, readings)
    assert one is not None
    assert many == pytest.approx(one * math.sqrt(readings))


def read_or_fault(read: Callable[[], Quantity]) -> Quantity | Fault:
    try:
        return read()
    except InvalidInput as refused:
        (fault,) = refused.faults
        return fault


AMOUNT_LIKE = st.text("0123456789.,eE+-±()/*^ _%gkmLµNaninf\u00a0٣", max_size=80)


@given(AMOUNT_LIKE | st.text(max_size=80), st.sampled_from(sorted(DIMENSIONS)))
def test_any_text_is_read_within_bounds_or_refused_with_one_fault(text: str, dimension: str) -> None:
    read = read_or_fault(lambda: parse_quantity(text, [dimension], sign="any"))
    if isinstance(read, Fault):
        assert len(read.detail) < 400
    else:
        assert abs(read.base()) <= DIMENSIONS[dimension].largest
        assert parse_quantity(read.text(), [dimension], sign="any") == read


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=12), inner, max_size=3),
    max_leaves=8,
)


@given(JSON_VALUES | st.fixed_dictionaries({"value": JSON_VALUES, "unit": JSON_VALUES, "uncertainty": JSON_VALUES}))
def test_any_json_is_read_or_refused(written: object) -> None:
    for read in (lambda: parse_quantity(written, ["mass"]), lambda: parse_fraction(written, name="assay")):
        found = read_or_fault(read)
        assert isinstance(found, Fault) or math.isfinite(found.base())
