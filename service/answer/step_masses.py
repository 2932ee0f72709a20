"""A step over its runs as mass metrics take it: what went in, as reagent or solvent, and the product that counts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.analytics.forecast.spread import MOST_YIELD
from service.analytics.money.mass_metrics import MassIn
from service.answer.run_masses import RunMasses
from service.domain.material import Material
from service.domain.outcome import ChargeOutcome
from service.domain.route import MASS_RATIO, Step
from service.domain.run import FAILED, PRODUCT


@dataclass(frozen=True, slots=True)
class StepMasses:
    """A step over its counted runs: what went in, of which ``unknown`` has no mass, and what came out, in g.

    ``recorded_g`` of product was isolated, dry; ``product_g`` of it is counted, ``product_net_g`` as weighed: not all
    that the runs ``capped`` gave.
    """

    step: Step
    runs: Sequence[RunMasses]
    went_in: Sequence[tuple[str, MassIn]]
    unknown: Mapping[str, MassIn]
    recorded_g: float
    product_g: float
    product_net_g: float
    capped: tuple[str, ...]

    @property
    def failed(self) -> int:
        """How many of the runs failed."""
        return sum(run.status == FAILED for run in self.runs)

    def out_g(self, role: str) -> float:
        """Grams as weighed of the outturns of one role."""
        return math.fsum(each.net_g for run in self.runs for each in run.of_role(role))


def step_masses(step: Step, runs: Sequence[RunMasses], materials: Mapping[str, Material]) -> StepMasses:
    """Return what went into ``runs`` of a step and came out; those whose product has no known mass are left out."""
    weighed = [run for run in runs if not run.lacks(step.product)]
    went_in: list[tuple[str, MassIn]] = []
    unknown: dict[str, MassIn] = {}
    for run in weighed:
        for charge in run.charges:
            mass = _mass_in(step, charge, materials)
            if charge.gross_g is None:
                unknown[charge.material] = mass
            else:
                went_in.append((charge.material, mass))
    made = [
        (each, _counted_share(step, run))
        for run in weighed
        for each in run.of_role(PRODUCT)
        if each.material == step.product
    ]
    return StepMasses(
        step,
        weighed,
        went_in,
        unknown,
        recorded_g=math.fsum(each.dry_g for each, _ in made),
        product_g=math.fsum(each.dry_g * share for each, share in made),
        product_net_g=math.fsum(each.net_g * share for each, share in made),
        capped=tuple(run.run for run in weighed if _counted_share(step, run) < 1.0),
    )


def _counted_share(step: Step, run: RunMasses) -> float:
    """The part of a run's product that is believed: of a yield above 1 what comes to 0.98, as money has it."""
    found = run.yield_fraction
    return MOST_YIELD / found if found is not None and found > 1.0 and step.basis != MASS_RATIO else 1.0


def _mass_in(step: Step, charge: ChargeOutcome, materials: Mapping[str, Material]) -> MassIn:
    material = materials[charge.material]
    taken_up = step.reaction is not None and any(
        materials[code].analyte_code == material.analyte_code for code in step.reaction.reactants
    )
    is_solvent = (material.solvent or material.is_water) and not taken_up and charge.material != step.key_input
    return MassIn(charge.gross_g or 0.0, "solvent" if is_solvent else "reagent", material.is_water)
