"""Mass metrics of a step and of a whole chain: how much of what went in came out as product.

Definitions as in common use (Constable, Curzons and Cunningham, Green Chem. 2002, 4, 521, and Sheldon, Green Chem.
2007, 9, 1273; both from memory): reaction mass efficiency = product/reagents, E-factor = waste/product, process mass
intensity = all that went in/product = E + 1 on one boundary.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

Use = Literal["reagent", "solvent"]


@dataclass(frozen=True, slots=True)
class MassIn:
    """So much went in, gross as charged. ``use``: a reagent, catalysts and water of the reaction among them, or a
    solvent, auxiliaries of the work-up among them; ``water`` where it is water, in either use."""

    mass_g: float
    use: Use = "reagent"
    water: bool = False


@dataclass(frozen=True, slots=True)
class Boundary:
    """What was counted as going in, and the two figures on it; E-factor + 1 is the process mass intensity."""

    input_g: float
    e_factor: float
    process_mass_intensity: float


@dataclass(frozen=True, slots=True)
class MassMetrics:
    """Reaction mass efficiency with the water of the reaction and without, and the boundaries of E-factor and process
    mass intensity. What has no figure is None, and ``reasons`` says why under its own name."""

    reaction_mass_efficiency: float | None
    reaction_mass_efficiency_without_water: float | None
    everything: Boundary | None
    without_water: Boundary | None
    without_water_and_solvents: Boundary | None
    reasons: Mapping[str, str] = field(default_factory=dict)


def mass_metrics(went_in: Iterable[MassIn], product_g: float) -> MassMetrics:
    """Return the mass metrics of what ``went_in`` and the product, dry as isolated, in g.

    Of a chain, what went in is what is behind the product without what the steps hand on to each other:
    :func:`chain_masses`.

    >>> found = mass_metrics([MassIn(2.0), MassIn(7.0, "solvent"), MassIn(1.0, "solvent", water=True)], 1.0)
    >>> found.reaction_mass_efficiency, found.everything.process_mass_intensity, found.without_water.e_factor
    (0.5, 10.0, 8.0)
    """
    masses = list(went_in)
    if any(not 0 <= one.mass_g < math.inf for one in masses) or not 0 <= product_g < math.inf:
        raise ValueError("masses are finite numbers of at least 0")
    names = ("everything", "without_water", "without_water_and_solvents")
    if product_g == 0:
        efficiencies = ("reaction_mass_efficiency", "reaction_mass_efficiency_without_water")
        return MassMetrics(None, None, None, None, None, dict.fromkeys((*efficiencies, *names), "no product"))
    dry = [one for one in masses if not one.water]
    bounds = [masses, dry, [one for one in dry if one.use == "reagent"]]
    everything, without_water, reagents_alone = (_boundary(part, product_g) for part in bounds)
    reasons: dict[str, str] = {}
    with_water = _efficiency(masses, product_g, "reaction_mass_efficiency", reasons)
    without = _efficiency(dry, product_g, "reaction_mass_efficiency_without_water", reasons)
    return MassMetrics(with_water, without, everything, without_water, reagents_alone, reasons)


def _boundary(masses: Sequence[MassIn], product_g: float) -> Boundary:
    input_g = math.fsum(one.mass_g for one in masses)
    return Boundary(input_g, (input_g - product_g) / product_g, input_g / product_g)


def _efficiency(masses: Sequence[MassIn], product_g: float, name: str, reasons: dict[str, str]) -> float | None:
    reagents_g = math.fsum(one.mass_g for one in masses if one.use == "reagent")
    if reagents_g == 0:
        reasons[name] = "no reagent"
        return None
    return product_g / reagents_g


def atom_economy(product: tuple[float, float], reactants: Iterable[tuple[float, float]]) -> float:
    """Return ν·M of the product over Σ ν·M of the reactants (B. M. Trost, Science 1991, 254, 1471; from memory).

    Each is (stoichiometric coefficient, molar mass in g/mol). Raises ``ValueError`` without a reactant of some mass.

    >>> round(atom_economy((1, 180.16), [(1, 138.12), (1, 102.09)]), 3)
    0.75
    """
    coefficient, molar_mass = product
    total = math.fsum(nu * mass for nu, mass in reactants)
    if not total > 0:
        raise ValueError("an atom economy needs reactants with a molar mass")
    return coefficient * molar_mass / total


@dataclass(frozen=True, slots=True)
class ChainStep:
    """A step in a chain. ``product_g``: what it gave, dry; ``went_in``: what was charged to it, without what earlier
    steps made; ``upstream``: (place of the earlier step, g of its product charged).

    ``product``: coefficient and molar mass in g/mol of its product, ``reactants`` those of what is bought; ``made``:
    (place of the earlier step, coefficient) of those that an earlier step makes. All empty where there is no reaction.
    """

    product_g: float
    went_in: tuple[MassIn, ...] = ()
    upstream: tuple[tuple[int, float], ...] = ()
    product: tuple[float, float] | None = None
    reactants: tuple[tuple[float, float], ...] = ()
    made: tuple[tuple[int, float], ...] = ()


def chain_masses(steps: Sequence[ChainStep], final: int = -1) -> tuple[MassIn, ...]:
    """Return what went in behind one gram of the product of step ``final``, in topological order of ``steps``.

    What the steps hand on to each other is not counted, only what stands behind it. Raises ``ValueError`` for a step
    that is fed by a later one, or that feeds the final product and gave none.

    >>> steps = [ChainStep(5.0, (MassIn(10.0),)), ChainStep(2.0, (MassIn(1.0, "solvent"),), ((0, 4.0),))]
    >>> [one.mass_g for one in chain_masses(steps)]
    [0.5, 4.0]
    """
    needed_g = [0.0] * len(steps)
    last = range(len(steps))[final]
    needed_g[last] = 1.0
    found: list[MassIn] = []
    for place in range(last, -1, -1):
        step = steps[place]
        if not needed_g[place]:
            continue
        if not step.product_g > 0 or any(not 0 <= earlier < place for earlier, _ in step.upstream):
            raise ValueError(f"step {place} gave {step.product_g!r} g, or is fed by a later one")
        times = needed_g[place] / step.product_g
        found += [MassIn(times * one.mass_g, one.use, one.water) for one in step.went_in]
        for earlier, grams in step.upstream:
            needed_g[earlier] += times * grams
    return tuple(found)


def chain_atom_economy(steps: Sequence[ChainStep], final: int = -1) -> float | None:
    """Return the atom economy of a whole chain: the final product over all reactants bought for it, at yields of 1.

    None where a step that leads to it has no reaction, or a reaction without any reactant of some mass.

    >>> steps = [ChainStep(1.0, product=(1, 60.0), reactants=((1, 50.0), (1, 30.0))),
    ...          ChainStep(1.0, product=(1, 90.0), reactants=((1, 70.0),), made=((0, 2.0),))]
    >>> round(chain_atom_economy(steps), 4)
    0.3913
    """
    bought_g_per_mol: list[float | None] = []
    for step in steps:
        behind = [bought_g_per_mol[earlier] for earlier, _ in step.made]
        if step.product is None or any(mass is None for mass in behind):
            bought_g_per_mol.append(None)
            continue
        own = math.fsum(nu * mass for nu, mass in step.reactants)
        made = math.fsum(nu * (mass or 0.0) for (_, nu), mass in zip(step.made, behind, strict=True))
        bought_g_per_mol.append((own + made) / step.product[0])
    total, product = bought_g_per_mol[final], steps[final].product
    return product[1] / total if product is not None and total else None
