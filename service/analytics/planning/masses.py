"""Where a plan's mass goes: what is fed into it, what it is expected to give, what is left over, and the rest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.analytics.planning.planned import Campaign


@dataclass(frozen=True, slots=True)
class PlanMasses:
    """Means over the trials, in grams: ``into_g`` = ``product_g`` + ``left_over_g`` + ``waste_g``.

    ``into_g``: all bought materials used up, water and solvents among them, and what is taken from the stock of
    intermediates. ``left_over_g``: intermediates by the step that makes them. ``into_g`` and ``waste_g`` are None where
    they cannot be told, and ``reason`` says why.
    """

    into_g: float | None
    product_g: float
    left_over_g: Mapping[str, float]
    waste_g: float | None
    reason: str | None = None


def plan_masses(campaign: Campaign, untold: Mapping[str, str]) -> PlanMasses:
    """Return where the mass of a campaign goes, from what each step takes per gram of key input.

    ``untold``: materials whose grams are not known, with the reason: the mass that goes in is then not known either.
    The waste is what the balance leaves: liquors, residues, gases. It is not told where more is weighed out than goes
    in by the bill: air or water that no bill names.

    >>> from service.analytics.planning.planned import Need, PlannedStep
    >>> step = PlannedStep("roast", 40.0, 1, 0, 25.0, 0.0, 40.0)
    >>> ore = Need(40.0, 40.0, 40.0)
    >>> plan_masses(Campaign((step,), {"ore": ore}, {"ore": ore, "coke": Need(8.0, 8.0, 8.0)}, 0.9, 0.01), {}).waste_g
    23.0
    """
    product = campaign.steps[-1].expected_product_g
    left = {step.code: step.expected_left_g for step in campaign.steps[:-1] if step.batches or step.from_stock_g}
    if untold:
        return PlanMasses(
            None, product, left, None, "; ".join(f"{name}: {why}" for name, why in sorted(untold.items()))
        )
    into = sum(need.expected_g for need in campaign.materials.values())
    into += sum(step.from_stock_g for step in campaign.steps)
    waste = into - product - sum(left.values())
    if waste < 0:
        return PlanMasses(into, product, left, None, "more is weighed out than the bills put in, such as air or water")
    return PlanMasses(into, product, left, waste)
