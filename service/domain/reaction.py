"""A reaction: which materials turn into which, in what whole proportions; whether it balances; and how to balance one.

Everything here is exact: atoms and charges are counted in whole numbers and fractions, and a balance is the null space
of the matrix of atoms, found by elimination in fractions. No chemistry is guessed: where the atoms allow more than one
balance, the simplest ones, of which all others are sums, are given and none is chosen.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final, NoReturn

from service.domain.formula import Formula
from service.errors import Fault, NotComputable

MOST_SPECIES: Final = 20
MOST_COEFFICIENT: Final = 10**6
MOST_BALANCES: Final = 64
CHARGE: Final = "charge"


@dataclass(frozen=True, slots=True)
class Reaction:
    """Material codes to their stoichiometric coefficients, whole numbers from 1, on either side."""

    reactants: Mapping[str, int] = field(hash=False)
    products: Mapping[str, int] = field(hash=False)


@dataclass(frozen=True, slots=True)
class Balanced:
    """The smallest whole coefficients, in the order in which the species were given."""

    reactants: tuple[int, ...]
    products: tuple[int, ...]


def balance_faults(reaction: Reaction, formulas: Mapping[str, Formula]) -> tuple[Fault, ...]:
    """Return what keeps a reaction from balancing, nothing where every element and the charge balance.

    ``formulas`` gives the formula of each material code of the reaction; a material without one is a fault of its own,
    and the atoms are then not compared. The pointers start at the reaction.

    >>> from service.domain.formula import parse_formula
    >>> water = Reaction({"H2": 1, "O2": 1}, {"H2O": 1})
    >>> [fault.detail for fault in balance_faults(water, {code: parse_formula(code) for code in ("H2", "O2", "H2O")})]
    ['the reaction does not balance: the products lack 1 O']
    """
    missing = [
        Fault("no-formula", f"material {code!r} has no formula, so the reaction cannot be balanced", code,
              "a material with a formula", f"/{side}/{_escaped(code)}")
        for side, coefficients in (("reactants", reaction.reactants), ("products", reaction.products))
        for code in coefficients
        if code not in formulas
    ]  # fmt: skip
    if missing:
        return tuple(missing)
    left = _content((coefficient, formulas[code]) for code, coefficient in reaction.reactants.items())
    right = _content((coefficient, formulas[code]) for code, coefficient in reaction.products.items())
    excess = {kind: left.get(kind, 0) - right.get(kind, 0) for kind in {**left, **right}}
    lacking = {
        "products": [f"{surplus} {kind}" for kind, surplus in excess.items() if surplus > 0 and kind != CHARGE],
        "reactants": [f"{-surplus} {kind}" for kind, surplus in excess.items() if surplus < 0 and kind != CHARGE],
    }
    said = [f"the {side} lack {_listed(atoms)}" for side, atoms in lacking.items() if atoms]
    if excess.get(CHARGE, 0):
        said.append(f"the charge is {_signed(left[CHARGE])} on the left and {_signed(right[CHARGE])} on the right")
    if not said:
        return ()
    detail = f"the reaction does not balance: {'; '.join(said)}"
    return (Fault("unbalanced-reaction", detail, _equation(reaction), "the same atoms and charge on both sides"),)


def balance(reactants: Sequence[tuple[str, Formula]], products: Sequence[tuple[str, Formula]]) -> Balanced:
    """Balance a reaction: the smallest whole coefficients above zero that keep every element and the charge.

    ``reactants`` and ``products`` are pairs of a name and a formula, at most ``MOST_SPECIES`` together. Raises
    :class:`NotComputable`, its code saying why: ``no-balance`` (an element on one side only, or no proportions at all),
    ``wrong-side`` (the atoms balance only with a species on the other side), ``ambiguous-balance`` (more than one; the
    simplest, which leave out what they can, are in ``extra["balances"]``, an empty list where there are over
    ``MOST_BALANCES``), ``too-many-species``.

    >>> from service.domain.formula import parse_formula
    >>> species = lambda *names: [(name, parse_formula(name)) for name in names]
    >>> balance(species("Cu", "HNO3"), species("Cu(NO3)2", "H2O", "NO"))
    Balanced(reactants=(3, 8), products=(3, 4, 2))
    """
    names = [name for name, _ in (*reactants, *products)]
    if not reactants or not products:
        raise NotComputable("a reaction has at least one reactant and one product", code="no-balance")
    if len(names) > MOST_SPECIES:
        raise NotComputable(f"at most {MOST_SPECIES} species are balanced at once", code="too-many-species")
    columns = [_content([(1, formula)]) for _, formula in reactants]
    columns += [_content([(-1, formula)]) for _, formula in products]
    kinds = list(dict.fromkeys(kind for column in columns for kind in column))
    rows = [[Fraction(column.get(kind, 0)) for column in columns] for kind in kinds]
    _check_both_sides(kinds, rows, len(reactants))

    basis = _null_space([list(row) for row in rows], len(columns))
    if not basis:
        raise NotComputable(
            "no proportions of these species balance: one is missing or one is wrong", code="no-balance"
        )
    if len(basis) > 1:
        _refuse_ambiguous(names, len(reactants), _simplest_balances(rows, len(columns)), len(basis))
    return _balanced(names, _smallest_whole(basis[0]), len(reactants))


def atom_economy(reaction: Reaction, formulas: Mapping[str, Formula], product: str) -> float:
    """Return the atom economy of a reaction for one of its products, a fraction from 0 to 1.

    ν·M of ``product`` over Σ ν·M of all reactants (B. M. Trost, Science 1991, 254, 1471), of a balanced reaction.
    ``formulas`` gives the formula of each material code in it; KeyError where one is missing.

    >>> from service.domain.formula import parse_formula
    >>> burnt = Reaction({"CaCO3": 1}, {"CaO": 1, "CO2": 1})
    >>> round(atom_economy(burnt, {code: parse_formula(code) for code in ("CaCO3", "CaO", "CO2")}, "CaO"), 4)
    0.5603
    """
    put_in = math.fsum(nu * formulas[code].molar_mass_g_per_mol for code, nu in reaction.reactants.items())
    return reaction.products[product] * formulas[product].molar_mass_g_per_mol / put_in


def _content(species: Iterable[tuple[int, Formula]]) -> dict[str, int | Fraction]:
    """Count the atoms of each element, and the charge, in these amounts of these formulas."""
    content: dict[str, int | Fraction] = {CHARGE: 0}
    for coefficient, formula in species:
        content[CHARGE] += coefficient * formula.charge
        for symbol, count in formula.elements.items():
            content[symbol] = content.get(symbol, 0) + coefficient * count
    return content


def _check_both_sides(kinds: Sequence[str], rows: Sequence[Sequence[Fraction]], reactants: int) -> None:
    """Refuse an element that only one side has: it is what a person can mend at once."""
    left = [kind for kind, row in zip(kinds, rows, strict=True) if any(row[:reactants]) and kind != CHARGE]
    right = [kind for kind, row in zip(kinds, rows, strict=True) if any(row[reactants:]) and kind != CHARGE]
    said = [f"{kind} is among the reactants only" for kind in left if kind not in right]
    said += [f"{kind} is among the products only" for kind in right if kind not in left]
    if said:
        raise NotComputable(f"no balance exists: {', '.join(said)}", code="no-balance")


def _null_space(rows: list[list[Fraction]], width: int) -> list[list[Fraction]]:
    """Return a basis of the vectors that every row takes to zero: Gauss-Jordan elimination in exact fractions."""
    pivots: list[int] = []
    for column in range(width):
        done = len(pivots)
        pivot = next((row for row in range(done, len(rows)) if rows[row][column]), None)
        if pivot is None:
            continue
        rows[done], rows[pivot] = rows[pivot], rows[done]
        rows[done] = [value / rows[done][column] for value in rows[done]]
        for row in range(len(rows)):
            if row != done and (factor := rows[row][column]):
                rows[row] = [value - factor * kept for value, kept in zip(rows[row], rows[done], strict=True)]
        pivots.append(column)
    basis = []
    for free in (column for column in range(width) if column not in pivots):
        vector = [Fraction(0)] * width
        vector[free] = Fraction(1)
        for row, column in enumerate(pivots):
            vector[column] = -rows[row][free]
        basis.append(vector)
    return basis


def _smallest_whole(vector: Sequence[Fraction]) -> list[int]:
    """Return the smallest whole numbers in the proportions of ``vector``, mostly above zero."""
    multiple = math.lcm(*(value.denominator for value in vector))
    whole = [int(value * multiple) for value in vector]
    divisor = math.gcd(*whole)
    if sum(value < 0 for value in whole) > sum(value > 0 for value in whole):
        divisor = -divisor
    return [value // divisor for value in whole]


def _simplest_balances(rows: Sequence[Sequence[Fraction]], width: int) -> list[list[int]] | None:
    """Return the balances without a negative coefficient that no other one is part of, or None where they are too many.

    They are the extreme rays of the cone of all balances, by the double description method (T. S. Motzkin et al. 1953):
    the rows are met one at a time, each pair of rays on either side of a row meeting on it where no third ray lies
    between them.
    """
    rays = [[int(species == position) for species in range(width)] for position in range(width)]
    for row in rows:
        above: list[tuple[list[int], Fraction, frozenset[int]]] = []
        below: list[tuple[list[int], Fraction, frozenset[int]]] = []
        met: list[tuple[list[int], Fraction, frozenset[int]]] = []
        for ray in rays:
            surplus = sum((nu * atoms for nu, atoms in zip(ray, row, strict=True)), start=Fraction(0))
            side = above if surplus > 0 else below if surplus < 0 else met
            side.append((ray, abs(surplus), _taking_part(ray)))
        supports = [support for _, _, support in (*above, *below, *met)]
        rays = [ray for ray, _, _ in met]
        for ray, surplus, support in above:
            for other, deficit, other_support in below:
                both = support | other_support
                if sum(third <= both for third in supports) == 2:
                    rays.append(_smallest_whole([deficit * x + surplus * y for x, y in zip(ray, other, strict=True)]))
        if len(rays) > MOST_BALANCES:
            return None
    return rays


def _taking_part(coefficients: Sequence[int]) -> frozenset[int]:
    return frozenset(position for position, coefficient in enumerate(coefficients) if coefficient)


def _refuse_ambiguous(
    names: Sequence[str], reactants: int, balances: list[list[int]] | None, independent: int
) -> NoReturn:
    """Say why several independent proportions balance: several true balances, or none that takes in every species."""
    if balances is not None:
        taking_part = frozenset[int]().union(*map(_taking_part, balances))
        idle = [name for position, name in enumerate(names) if position not in taking_part]
        if idle:
            detail = f"no balance takes in {_listed(idle)} on the side where it is written"
            raise NotComputable(detail, code="no-balance")
    raise NotComputable(
        f"{independent} independent balances exist, and atoms alone do not choose between them: state the coefficients "
        f"or each process as a reaction of its own",
        code="ambiguous-balance",
        extra={
            "balances": [
                {
                    "reactants": dict(zip(names[:reactants], balance[:reactants], strict=True)),
                    "products": dict(zip(names[reactants:], balance[reactants:], strict=True)),
                }
                for balance in balances or ()
            ]
        },
    )


def _balanced(names: Sequence[str], solution: Sequence[int], reactants: int) -> Balanced:
    idle = [name for name, coefficient in zip(names, solution, strict=True) if coefficient == 0]
    if idle:
        detail = f"the others balance without {_listed(idle)}: leave it out, or add what it turns into"
        raise NotComputable(detail, code="no-balance")
    wrong = [name for name, coefficient in zip(names, solution, strict=True) if coefficient < 0]
    if wrong:
        detail = f"the atoms balance only with {_listed(wrong)} on the other side of the reaction"
        raise NotComputable(detail, code="wrong-side", extra={"wrong_side": wrong})
    if max(solution) > MOST_COEFFICIENT:
        raise NotComputable(f"the smallest balance has a coefficient beyond {MOST_COEFFICIENT}", code="no-balance")
    return Balanced(tuple(solution[:reactants]), tuple(solution[reactants:]))


def _equation(reaction: Reaction) -> str:
    sides = ([f"{nu} {code}" for code, nu in side.items()] for side in (reaction.reactants, reaction.products))
    return " -> ".join(" + ".join(side) for side in sides)


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _signed(charge: int | Fraction) -> str:
    return f"{charge:+d}" if isinstance(charge, int) and charge else str(charge)


def _escaped(code: str) -> str:
    """Escape a code as a token of a JSON Pointer (RFC 6901, 3)."""
    return code.replace("~", "~0").replace("/", "~1")
