"""How much of what went into a route came out as product: mass metrics of its steps and of the chain, and waste."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from service.analytics.money.mass_metrics import (
    Boundary,
    ChainStep,
    MassIn,
    atom_economy,
    chain_atom_economy,
    chain_masses,
    mass_metrics,
)
from service.answer.book import Book
from service.answer.run_masses import RunMasses, run_masses
from service.answer.step_masses import StepMasses, step_masses
from service.answer.step_runs import step_runs
from service.answer.waste import metal_lines, waste_lines
from service.domain.charge import molar_mass_of
from service.domain.graph import in_order
from service.domain.material import Material
from service.domain.metals import SOURCE
from service.domain.route import RECOVERY, Route, Step
from service.domain.run import CO_PRODUCT, RECOVERED, WASTE

METHOD = "mass-metrics/1"
NOTES: Final = (
    "What failed runs took in counts as gone in, and they gave no product.",
    "Product is dry mass as isolated, of the last step and of each step alone; what goes in is gross, as charged.",
    "A run above its theoretical amount counts as 0.98 of it; it is named in capped_runs.",
    "A material is a reagent where it is a reactant of the step or is not marked as a solvent; water, told by its "
    "formula H2O, is a reagent where the step's reaction takes it up. Water inside a solution counts as the solution.",
    "Recovered material and co-products are not taken off what went in, and count as waste in the E-factor; their "
    "grams stand beside.",
    "Of the chain, what one step hands on to the next is not counted, only what stands behind it.",
)
BOUNDARIES: Final = {
    "": "everything",
    "_without_water": "without_water",
    "_without_water_and_solvents": "without_water_and_solvents",
}
"""What a figure's name ends in, and the boundary that it is of."""


def mass_metrics_of(book: Book, route_code: str, *, as_of: dt.date) -> dict[str, Any]:
    """Return atom economy, reaction mass efficiency, E-factor and process mass intensity of a route's steps and chain.

    Over the runs up to ``as_of`` that statistics take, failed ones among them (:data:`NOTES` says how). ``waste`` and
    ``metals`` are of every run but the open ones, whether statistics take it or not. What cannot be told is null, with
    the reason. Raises UnknownRecord for an unknown route.
    """
    route = book.route(route_code)
    order = in_order(route)
    every = {step.code: run_masses(book, route, step, as_of) for step in order}
    all_runs = [run for runs in every.values() for run in runs]
    named = {charge.material for run in all_runs for charge in run.charges}
    named |= {outturn.material for run in all_runs for outturn in run.outturns}
    materials = {**book.materials_of(route), **book.materials(named)}
    steps = [step_masses(step, [run for run in every[step.code] if run.counts], materials) for step in order]
    left_out = [dict(left) for step in order for left in _left_out(book, route, step, every[step.code], as_of)]
    return {
        "route": route.code,
        "product": route.product,
        "as_of": as_of.isoformat(),
        "steps": [_step_line(step, materials) for step in steps],
        "chain": _chain_line(route, steps, materials),
        "waste": waste_lines(book, all_runs),
        "metals": metal_lines(every, materials),
        "metals_source": SOURCE,
        "capped_runs": [code for step in steps for code in step.capped],
        "notes": list(NOTES),
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={"route": route.code},
            runs=sum(len(step.runs) for step in steps),
            left_out=left_out,
        ),
    }


def _left_out(
    book: Book, route: Route, step: Step, runs: Iterable[RunMasses], as_of: dt.date
) -> list[Mapping[str, str]]:
    """The runs that are left out here; one whose theoretical amount alone is unknown is not."""
    counted = {run.run for run in runs if run.counts}
    lacking = {run.run for run in runs if run.counts and run.lacks(step.product)}
    left = [each for each in step_runs(book, route, step, as_of).left_out if each["run"] not in counted]
    reason = f"the mass of {step.product} taken out is not known"
    return [*left, *({"run": code, "reason": reason} for code in sorted(lacking))]


# ---- a step, and the chain


def _step_line(masses: StepMasses, materials: Mapping[str, Material]) -> dict[str, Any]:
    step = masses.step
    reasons: dict[str, str] = {}
    economy = _atom_economy(step, materials, reasons)
    return {
        "step": step.code,
        "name": step.name,
        "basis": step.basis,
        "product": step.product,
        "runs": {"counted": len(masses.runs) - masses.failed, "failed": masses.failed},
        "product_g": masses.recorded_g if masses.runs else None,
        "counts_as_g": masses.product_g if masses.runs else None,
        "went_in_g": _went_in(masses, reasons),
        "recovered_g": masses.out_g(RECOVERED),
        "co_product_g": masses.out_g(CO_PRODUCT),
        "recorded_waste_g": masses.out_g(WASTE),
        "atom_economy": economy,
        **_figures([mass for _, mass in masses.went_in], masses.unknown, masses.product_g, reasons, len(masses.runs)),
        "reasons": reasons,
    }


def _went_in(masses: StepMasses, reasons: dict[str, str]) -> float | None:
    if not masses.runs:
        reasons |= dict.fromkeys(("product_g", "counts_as_g", "went_in_g"), "no run is counted")
        return None
    if masses.unknown:
        reasons["went_in_g"] = _no_mass(masses.unknown)
        return None
    return math.fsum(mass.mass_g for _, mass in masses.went_in)


def _figures(
    went_in: Sequence[MassIn], unknown: Mapping[str, MassIn], product_g: float, reasons: dict[str, str], runs: int
) -> dict[str, float | None]:
    """The figures on every boundary; null where the mass of something inside the boundary is not known."""
    found = mass_metrics(went_in, product_g)
    figures: dict[str, float | None] = {}
    for ending in ("", "_without_water"):
        name = f"reaction_mass_efficiency{ending}"
        outside = [code for code, mass in unknown.items() if mass.use == "solvent" or (ending and mass.water)]
        figures[name] = getattr(found, name)
        _hold_back(figures, (name,), {c: m for c, m in unknown.items() if c not in outside}, reasons)
        if name in found.reasons:
            reasons.setdefault(name, found.reasons[name])
    for ending, of in BOUNDARIES.items():
        boundary: Boundary | None = getattr(found, of)
        names = (f"e_factor{ending}", f"process_mass_intensity{ending}")
        figures[names[0]] = None if boundary is None else boundary.e_factor
        figures[names[1]] = None if boundary is None else boundary.process_mass_intensity
        inside = {
            code: mass
            for code, mass in unknown.items()
            if not (mass.water and ending) and not (mass.use == "solvent" and "solvents" in ending)
        }
        _hold_back(figures, names, inside, reasons)
        if of in found.reasons:
            for name in names:
                reasons.setdefault(name, found.reasons[of])
    if not runs:
        reasons |= {name: "no run is counted" for name in figures if name in reasons}
    return figures


def _hold_back(
    figures: dict[str, float | None], names: Collection[str], unknown: Mapping[str, MassIn], reasons: dict[str, str]
) -> None:
    if unknown:
        for name in names:
            figures[name] = None
            reasons[name] = _no_mass(unknown)


def _no_mass(unknown: Collection[str]) -> str:
    return f"the mass of {', '.join(sorted(unknown))} charged is not known: record a density"


def _atom_economy(step: Step, materials: Mapping[str, Material], reasons: dict[str, str]) -> float | None:
    if step.reaction is None:
        reasons["atom_economy"] = "the step has no reaction"
        return None
    masses = {code: _molar(code, materials) for code in (step.product, *step.reaction.reactants)}
    missing = [code for code, mass in masses.items() if mass is None]
    if missing:
        reasons["atom_economy"] = f"the molar mass of {', '.join(missing)} is not known"
        return None
    reactants = [(float(nu), masses[code] or 0.0) for code, nu in step.reaction.reactants.items()]
    return atom_economy((float(step.reaction.products[step.product]), masses[step.product] or 0.0), reactants)


def _molar(code: str, materials: Mapping[str, Material]) -> float | None:
    found = molar_mass_of(materials[code], materials.get(materials[code].analyte_code))
    return None if found is None else found.value


def _chain_line(route: Route, steps: Sequence[StepMasses], materials: Mapping[str, Material]) -> dict[str, Any]:
    """What stands behind a gram of the route's product, dry; steps hand on their product as weighed."""
    reasons: dict[str, str] = {}
    places = {masses.step.code: place for place, masses in enumerate(steps)}
    chain = [_chain_step(route, masses, places, materials) for masses in steps]
    chain[-1] = replace(chain[-1], product_g=steps[-1].product_g)
    economy = chain_atom_economy(chain)
    if economy is None:
        without = [masses.step.code for masses, step in zip(steps, chain, strict=True) if step.product is None]
        reasons["atom_economy"] = f"no reaction with known molar masses in step {', '.join(without)}"
    unknown = {code: mass for masses in steps for code, mass in masses.unknown.items()}
    barren = [masses.step.code for masses in steps if not masses.product_net_g]
    behind: tuple[MassIn, ...] | None = None
    try:
        behind = chain_masses(chain)
    except ValueError:
        why = f"no product recorded in step {', '.join(barren)}"
    figures = _figures(behind or (), {} if behind is None else unknown, 0.0 if behind is None else 1.0, reasons, 1)
    if behind is None:
        reasons |= dict.fromkeys(figures, why)
    return {
        "product": route.product,
        "atom_economy": economy,
        **figures,
        "recovered_g_per_g": _behind(chain, steps, RECOVERED, reasons),
        "recorded_waste_g_per_g": _behind(chain, steps, WASTE, reasons),
        "reasons": reasons,
    }


def _chain_step(
    route: Route, masses: StepMasses, places: Mapping[str, int], materials: Mapping[str, Material]
) -> ChainStep:
    step, reaction = masses.step, masses.step.reaction
    own: list[MassIn] = []
    upstream: dict[int, float] = {}
    for code, mass in masses.went_in:
        maker = route.upstream.get((step.code, code))
        if maker is None:
            own.append(mass)
        else:
            upstream[places[maker]] = upstream.get(places[maker], 0.0) + mass.mass_g
    product = _molar(step.product, materials)
    coefficients: Mapping[str, int] = {}
    if reaction is not None:
        coefficients, made = reaction.reactants, reaction.products[step.product]
    elif step.basis == RECOVERY:
        coefficients, made = {step.key_input: 1}, 1  # the same substance, made purer
    else:
        product = None
    bought = {c: nu for c, nu in coefficients.items() if (step.code, c) not in route.upstream}
    molar = {code: _molar(code, materials) for code in bought}
    if product is None or None in molar.values():
        return ChainStep(masses.product_net_g, tuple(own), tuple(upstream.items()))
    return ChainStep(
        masses.product_net_g,
        tuple(own),
        tuple(upstream.items()),
        product=(float(made), product),
        reactants=tuple((float(nu), molar[code] or 0.0) for code, nu in bought.items()),
        made=tuple(
            (places[route.upstream[step.code, code]], float(nu))
            for code, nu in coefficients.items()
            if (step.code, code) in route.upstream
        ),
    )


def _behind(
    chain: Sequence[ChainStep], steps: Sequence[StepMasses], role: str, reasons: dict[str, str]
) -> float | None:
    """Grams of the outturns of one role behind a gram of the route's product."""
    of_role = [replace(step, went_in=(MassIn(masses.out_g(role)),)) for step, masses in zip(chain, steps, strict=True)]
    try:
        return math.fsum(mass.mass_g for mass in chain_masses(of_role))
    except ValueError:
        name = f"{'recovered' if role == RECOVERED else 'recorded_waste'}_g_per_g"
        reasons[name] = "no product is recorded in a step that leads to it"
        return None
