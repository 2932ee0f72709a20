"""What holds for every reaction: a balance conserves atoms and charge, is the smallest, and stands in any order."""

from __future__ import annotations

import math
from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from service.domain.formula import Formula, parse_formula
from service.domain.reaction import Balanced, Reaction, atom_economy, balance, balance_faults
from service.errors import NotComputable

ATOMS = st.dictionaries(st.sampled_from(["H", "C", "O"]), st.integers(1, 4), min_size=1, max_size=2)
NEUTRAL = ATOMS.map(lambda atoms: "".join(f"{symbol}{count}" for symbol, count in atoms.items()))
SPECIES = st.lists(st.builds(str.__add__, NEUTRAL, st.sampled_from(["", "", "", "^+", "^2-"])), min_size=1, max_size=4)
MIXTURES = st.lists(st.tuples(NEUTRAL, st.integers(1, 6)), min_size=2, max_size=4, unique_by=lambda part: part[0])

Side = list[tuple[str, Formula]]


def named(texts: Sequence[str], prefix: str) -> Side:
    return [(f"{prefix}{position}", parse_formula(text)) for position, text in enumerate(texts)]


def reaction_of(found: Balanced, left: Side, right: Side) -> Reaction:
    return Reaction(
        dict(zip((name for name, _ in left), found.reactants, strict=True)),
        dict(zip((name for name, _ in right), found.products, strict=True)),
    )


def check_balance(found: Balanced, left: Side, right: Side) -> None:
    coefficients = (*found.reactants, *found.products)
    assert all(coefficient > 0 for coefficient in coefficients)
    assert math.gcd(*coefficients) == 1
    assert balance_faults(reaction_of(found, left, right), dict(left + right)) == ()


def balance_or_refusal(left: Side, right: Side) -> Balanced | NotComputable:
    try:
        return balance(left, right)
    except NotComputable as refused:
        return refused


@given(SPECIES, SPECIES)
def test_what_is_balanced_conserves_atoms_and_charge(lefts: list[str], rights: list[str]) -> None:
    left, right = named(lefts, "r"), named(rights, "p")
    found = balance_or_refusal(left, right)
    if isinstance(found, NotComputable):
        check_refusal(found, left, right)
    else:
        check_balance(found, left, right)
        assert balance(right, left) == Balanced(found.products, found.reactants)
        assert balance(left[::-1], right) == Balanced(found.reactants[::-1], found.products)


def check_refusal(refused: NotComputable, left: Side, right: Side) -> None:
    """Every balance that a refusal lists is one, and none is listed twice."""
    assert refused.code in ("no-balance", "wrong-side", "ambiguous-balance")
    formulas = dict(left + right)
    listed = refused.extra.get("balances", [])
    for sides in listed:
        assert min(*sides["reactants"].values(), *sides["products"].values()) >= 0
        assert balance_faults(Reaction(sides["reactants"], sides["products"]), formulas) == ()
    assert len({str(sides) for sides in listed}) == len(listed)


@given(MIXTURES)
def test_a_product_made_of_the_reactants_is_balanced_back(parts: list[tuple[str, int]]) -> None:
    """The answer is known beforehand, unless the reactants are mixtures of one another."""
    left = named([text for text, _ in parts], "r")
    right = named([".".join(f"{n}({text})" for text, n in parts)], "p")
    found = balance_or_refusal(left, right)
    if isinstance(found, NotComputable):
        assert found.code == "ambiguous-balance"
    else:
        assert found == Balanced(tuple(n for _, n in parts), (1,))


@given(MIXTURES)
def test_atom_economies_of_all_products_make_one(parts: list[tuple[str, int]]) -> None:
    left = named([".".join(f"{n}({text})" for text, n in parts)], "r")
    right = named([text for text, _ in parts], "p")
    reaction = Reaction({"r0": 1}, {name: n for (name, _), (_, n) in zip(right, parts, strict=True)})
    economies = [atom_economy(reaction, dict(left + right), name) for name, _ in right]
    assert math.isclose(sum(economies), 1.0, rel_tol=1e-9)


@given(SPECIES, SPECIES, st.integers(2, 5))
def test_scaled_coefficients_still_balance(lefts: list[str], rights: list[str], factor: int) -> None:
    left, right = named(lefts, "r"), named(rights, "p")
    reaction = Reaction({name: factor for name, _ in left}, {name: factor for name, _ in right})
    single = Reaction({name: 1 for name, _ in left}, {name: 1 for name, _ in right})
    formulas = dict(left + right)
    assert bool(balance_faults(reaction, formulas)) == bool(balance_faults(single, formulas))
