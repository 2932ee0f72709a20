"""What holds for every formula: order and bracketing do not matter, masses add, and no text does harm."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.atomic_weights import ELEMENTS
from service.domain.formula import MOST_ATOMS, Formula, parse_formula
from service.errors import Fault, InvalidInput

SYMBOLS = st.sampled_from(sorted(ELEMENTS))
ATOMS = st.lists(st.tuples(SYMBOLS, st.integers(1, 40)), min_size=1, max_size=6)


def written(atoms: list[tuple[str, int]]) -> str:
    return "".join(symbol if count == 1 else f"{symbol}{count}" for symbol, count in atoms)


@given(ATOMS, st.randoms(use_true_random=False))
def test_order_does_not_matter(atoms: list[tuple[str, int]], random: object) -> None:
    shuffled = list(atoms)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = parse_formula(written(atoms)), parse_formula(written(shuffled))
    assert dict(one.elements) == dict(other.elements)
    assert one.molar_mass_g_per_mol == other.molar_mass_g_per_mol


@given(ATOMS, ATOMS, st.integers(2, 30))
def test_an_addend_is_a_group_with_a_count(salt: list[tuple[str, int]], water: list[tuple[str, int]], n: int) -> None:
    hydrate = parse_formula(f"({written(salt)}).{n}{written(water)}")
    assert hydrate.elements == parse_formula(f"({written(salt)})({written(water)}){n}").elements
    assert hydrate.molar_mass_g_per_mol == pytest.approx(
        parse_formula(written(salt)).molar_mass_g_per_mol + n * parse_formula(written(water)).molar_mass_g_per_mol
    )


@given(ATOMS, st.integers(2, 30))
def test_a_multiple_of_all_atoms_is_a_multiple_of_mass_and_uncertainty(atoms: list[tuple[str, int]], n: int) -> None:
    one, many = parse_formula(written(atoms)), parse_formula(f"[{written(atoms)}]{n}")
    assert many.molar_mass_g_per_mol == pytest.approx(n * one.molar_mass_g_per_mol)
    assert many.molar_mass_u_g_per_mol == pytest.approx(n * one.molar_mass_u_g_per_mol)


@given(ATOMS, st.integers(-9, 9).filter(bool))
def test_every_way_to_write_a_charge(atoms: list[tuple[str, int]], charge: int) -> None:
    size, sign = abs(charge), "+" if charge > 0 else "-"
    raised = f"{size}{sign}".translate(str.maketrans("0123456789+-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻"))
    ways = [f"^{size}{sign}", f"({size}{sign})", raised, f"^{sign}{size}"]
    read = [parse_formula(f"({written(atoms)}){way}") for way in ways]
    assert {formula.charge for formula in read} == {charge}
    assert {formula.molar_mass_g_per_mol for formula in read} == {parse_formula(written(atoms)).molar_mass_g_per_mol}


FORMULA_LIKE = st.text("CHONaClu0123456789()[]{}.·*^+-²⁺₂½/ xD", max_size=60)


@given(FORMULA_LIKE | st.text(max_size=60))
def test_any_text_is_read_within_bounds_or_refused_with_one_fault(text: str) -> None:
    found = read_or_fault(text)
    if isinstance(found, Fault):
        assert found.code == "bad-formula"
    else:
        assert found.molar_mass_g_per_mol > 0
        assert 0 < max(found.elements.values()) <= MOST_ATOMS
        assert parse_formula(found.text).elements == found.elements


def read_or_fault(text: str) -> Formula | Fault:
    try:
        return parse_formula(text)
    except InvalidInput as refused:
        (fault,) = refused.faults
        return fault
