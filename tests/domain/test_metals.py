"""Which elements count as metals, and how much of a substance they are."""

from __future__ import annotations

import pytest

from service.domain.atomic_weights import ELEMENTS, ISOTOPES
from service.domain.formula import parse_formula
from service.domain.metals import HEAVY, NOT_METALS, is_metal, metal_fractions


def test_every_element_is_told_one_way() -> None:
    assert ELEMENTS.keys() >= HEAVY | NOT_METALS
    # Counted in a periodic table: 22 nonmetals and metalloids have a standard weight, and four of them count as heavy.
    assert len(NOT_METALS) == 22
    assert sum(map(is_metal, ELEMENTS)) == len(ELEMENTS) - 22 + 4
    assert {symbol for symbol in ISOTOPES if is_metal(symbol)} == {"6Li", "7Li"}


@pytest.mark.parametrize(
    ("formula", "expected"),
    # By hand, from the standard atomic weights of 2021 (Prohaska et al., Pure Appl. Chem. 2022, 94, 573).
    [
        ("KAl(SO4)2.12H2O", {"K": 39.0983 / 474.37, "Al": 26.9815 / 474.37}),
        ("As2O3", {"As": 149.843 / 197.840}),
        ("C14H8O4", {}),
        ("Cu", {"Cu": 1.0}),
    ],
)
def test_metals_in_a_gram(formula: str, expected: dict[str, float]) -> None:
    assert metal_fractions(parse_formula(formula)) == pytest.approx(expected, rel=1e-4)
