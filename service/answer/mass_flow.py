"""How masses go through a step, and how strong its key input was charged so far."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.answer.step_runs import StepRuns
from service.domain.bill import theoretical_per_gram
from service.domain.lot import Measured, Strength
from service.domain.material import Material
from service.domain.route import CONTENT


@dataclass(frozen=True, slots=True)
class MassFlow:
    """How masses go through a step: ``factor_g_per_g`` is product as weighed a gram of key input at a yield of 1.

    None, with the reason, where it cannot be known.
    """

    factor_g_per_g: float | None
    reason: str | None = None


def mass_flow(runs: StepRuns, materials: Mapping[str, Material], strengths: Mapping[str, Strength]) -> MassFlow:
    """Return R at a yield of 1: theoretical contained product a gross gram of key input, over the product's content.

    ``strengths`` as for :func:`service.domain.bill.need_of`; the product's content is that of the counted runs.
    """
    per_gram, reason = theoretical_per_gram(runs.step, materials, strengths)
    if per_gram is None:
        return MassFlow(None, reason)
    return MassFlow(per_gram / runs.product_fraction)


def charged_strength(runs: StepRuns) -> Strength | None:
    """Return the strength of the key input as it was charged so far, all lots of it together; None without a run."""
    if runs.key_fraction is None:
        return None
    fraction = Measured(runs.key_fraction)
    if runs.step.basis == CONTENT:
        assert runs.step.analyte is not None
        return Strength(contents={runs.step.analyte: fraction})
    return Strength(assay=fraction)
