"""Whether a reaction balances, in words; and what becomes of one that balances in no way, or in several."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from service.domain.formula import Formula, parse_formula
from service.domain.reaction import Balanced, Reaction, atom_economy, balance, balance_faults
from service.errors import NotComputable


def formulas(reaction: Reaction) -> dict[str, Formula]:
    return {code: parse_formula(code) for code in {**reaction.reactants, **reaction.products}}


def details(reactants: Mapping[str, int], products: Mapping[str, int]) -> list[str]:
    reaction = Reaction(reactants, products)
    return [fault.detail for fault in balance_faults(reaction, formulas(reaction))]


def species(side: str) -> list[tuple[str, Formula]]:
    return [(name.strip(), parse_formula(name.strip())) for name in side.split(" + ")]


def balanced(equation: str) -> Balanced:
    left, right = equation.split(" -> ")
    return balance(species(left), species(right))


def unbalanced(equation: str) -> tuple[str, str, dict[str, Any]]:
    with pytest.raises(NotComputable) as raised:
        balanced(equation)
    return raised.value.code, raised.value.detail, raised.value.extra


MALACHITE = Reaction(
    {"CuSO4.5H2O": 2, "Na2CO3": 2}, {"Cu2(OH)2CO3": 1, "Na2SO4": 2, "CO2": 1, "H2O": 9}
)  # counted by hand: 2 Cu, 2 S, 4 Na, 2 C, 24 O, 20 H on either side


def test_a_balanced_reaction_has_no_faults() -> None:
    assert balance_faults(MALACHITE, formulas(MALACHITE)) == ()


def test_the_refusal_says_which_side_lacks_what() -> None:
    (detail,) = details({"CuSO4.5H2O": 2, "Na2CO3": 2}, {"Cu2(OH)2CO3": 1, "Na2SO4": 2, "CO2": 1, "H2O": 4})
    assert detail == "the reaction does not balance: the products lack 5 O and 10 H"
    (detail,) = details({"H2": 2}, {"H2O": 1})
    assert detail == "the reaction does not balance: the products lack 2 H; the reactants lack 1 O"


def test_charge_counts() -> None:
    assert details({"Fe^3+": 1, "Cu": 1}, {"Fe^2+": 1, "Cu^2+": 1}) == [
        "the reaction does not balance: the charge is +3 on the left and +4 on the right"
    ]
    assert details({"Fe^3+": 2, "Cu": 1}, {"Fe^2+": 2, "Cu^2+": 1}) == []


def test_half_hydrates_balance() -> None:
    assert details({"CaSO4.0.5H2O": 2, "H2O": 3}, {"CaSO4.2H2O": 2}) == []
    (detail,) = details({"CaSO4.0.5H2O": 1, "H2O": 1}, {"CaSO4.2H2O": 1})
    assert detail == "the reaction does not balance: the reactants lack 1/2 O and 1 H"


def test_labels_are_kept_apart() -> None:
    (detail,) = details({"D2": 2, "O2": 1}, {"H2O": 2})
    assert detail == "the reaction does not balance: the products lack 4 D; the reactants lack 4 H"


def test_a_material_without_a_formula_is_named_at_its_place() -> None:
    reaction = Reaction({"ash": 1, "H2O": 1}, {"lye/1": 1})
    faults = balance_faults(reaction, {"H2O": parse_formula("H2O")})
    assert [(fault.code, fault.pointer) for fault in faults] == [
        ("no-formula", "/reactants/ash"),
        ("no-formula", "/products/lye~11"),
    ]


def test_balanced_by_charge_and_atoms() -> None:
    """Counted by hand: 1 Mn, 4 O, 8 H, 5 Fe and a charge of +17 on either side."""
    found = balanced("MnO4^- + Fe^2+ + H^+ -> Mn^2+ + Fe^3+ + H2O")
    assert found == Balanced((1, 5, 8), (1, 5, 4))


def test_balanced_with_fractions_in_the_formula() -> None:
    assert balanced("CaSO4.0.5H2O + H2O -> CaSO4.2H2O") == Balanced((2, 3), (2,))


def test_the_route_to_malachite() -> None:
    found = balanced("CuSO4.5H2O + Na2CO3 -> Cu2(OH)2CO3 + Na2SO4 + CO2 + H2O")
    assert found == Balanced(tuple(MALACHITE.reactants.values()), tuple(MALACHITE.products.values()))


def test_an_element_on_one_side_only_is_named() -> None:
    code, detail, _ = unbalanced("Fe + O2 -> Fe2O3 + Au")
    assert code == "no-balance"
    assert "Au is among the products only" in detail


def test_no_proportions_at_all() -> None:
    assert unbalanced("H2O -> H2O2")[0] == "no-balance"
    assert unbalanced("NaCl -> Na^+ + Cl2")[0] == "no-balance"


def test_a_species_that_takes_no_part_is_named() -> None:
    code, detail, _ = unbalanced("CO + CO2 -> C2O4")
    assert code == "no-balance"
    assert "without CO:" in detail
    code, detail, _ = unbalanced("CO2 + H2O + O2 -> H2CO3 + O3 + CO + H2O2 + C")
    assert code == "ambiguous-balance"


def test_a_species_on_the_wrong_side_is_named() -> None:
    code, detail, extra = unbalanced("H2O2 + O2 -> H2O")
    assert code == "wrong-side"
    assert "only with O2 on the other side" in detail
    assert extra == {"wrong_side": ["O2"]}


def test_several_balances_are_given_and_none_is_chosen() -> None:
    """Permanganate and peroxide: two processes, the oxidation of the peroxide being a sum of them."""
    code, _, extra = unbalanced("KMnO4 + H2O2 + H2SO4 -> K2SO4 + MnSO4 + O2 + H2O")
    assert code == "ambiguous-balance"
    assert extra["balances"] == [
        {
            "reactants": {"KMnO4": 0, "H2O2": 2, "H2SO4": 0},
            "products": {"K2SO4": 0, "MnSO4": 0, "O2": 1, "H2O": 2},
        },
        {
            "reactants": {"KMnO4": 4, "H2O2": 0, "H2SO4": 6},
            "products": {"K2SO4": 2, "MnSO4": 4, "O2": 5, "H2O": 6},
        },
    ]


def test_too_many_balances_are_counted_and_not_listed() -> None:
    side = " + ".join(["H2O"] * 10)
    code, detail, extra = unbalanced(f"{side} -> {side}")
    assert (code, extra) == ("ambiguous-balance", {"balances": []})
    assert detail.startswith("19 independent balances")


def test_bounds() -> None:
    assert unbalanced(" + ".join(["H2O"] * 20) + " -> H2O")[0] == "too-many-species"
    with pytest.raises(NotComputable, match="at least one"):
        balance([], species("H2O"))
    assert "beyond 1000000" in unbalanced("C999999H999997 + O2 -> CO2 + H2O")[1]


def test_atom_economy_by_hand() -> None:
    """CaO 56.077 of CaCO3 100.086, from the 2021 weights Ca 40.078, C 12.011, O 15.999."""
    lime = Reaction({"CaCO3": 1}, {"CaO": 1, "CO2": 1})
    assert atom_economy(lime, formulas(lime), "CaO") == pytest.approx(56.077 / 100.086, rel=1e-6)
    assert atom_economy(lime, formulas(lime), "CO2") == pytest.approx(44.009 / 100.086, rel=1e-6)
