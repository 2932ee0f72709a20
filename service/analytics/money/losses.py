"""Where material and money are lost: each step against its stoichiometric limit and its best run.

Money is per gram of the final product, as the standard cost has it: K·φ·(1 − R/R′). Moles and grams are those of the
runs themselves.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from service.analytics.money.standard_cost import StandardCost, StepShare


@dataclass(frozen=True, slots=True)
class StepTotals:
    """What a step's runs could have given and gave, failures among them, in g of contained product.

    ``best_yield``: of the best run so far, None without one; ``limit_yield`` None where the basis sets no limit;
    ``molar_mass_g_per_mol`` of the product, None where it has none; ``failed_theoretical_g``: the part of
    ``theoretical_g`` that failed runs could have given; ``product_fraction``: contained g in a g of product as weighed.
    ``theoretical_g`` None: not known.
    """

    code: str
    theoretical_g: float | None
    contained_g: float
    best_yield: float | None = None
    molar_mass_g_per_mol: float | None = None
    limit_yield: float | None = 1.0
    failed_theoretical_g: float = 0.0
    product_fraction: float = 1.0


@dataclass(frozen=True, slots=True)
class Loss:
    """What is missing against a limit, contained product not obtained.

    Over the runs: ``lost_g``, ``lost_mol``, and ``cost``, the part of what went into them that it is. Per gram of final
    product: ``lost_g_per_g``, ``lost_mol_per_g``, and ``cost_per_g``, what a final gram would cost less at the limit.
    ``share`` is lost of what the limit allows; ``failed_share`` of the loss is of failed runs, the rest of low yields.
    """

    lost_g: float | None = None
    lost_mol: float | None = None
    cost: float | None = None
    lost_g_per_g: float | None = None
    lost_mol_per_g: float | None = None
    cost_per_g: float | None = None
    share: float | None = None
    failed_share: float | None = None


@dataclass(frozen=True, slots=True)
class StepLoss:
    """A step's losses against the stoichiometric limit, and against its best run so far, the attainable part.

    What cannot be told is None, and ``reasons`` says why under its own name.
    """

    code: str
    against_limit: Loss
    against_best: Loss
    reasons: Mapping[str, str] = field(default_factory=dict)


def step_losses(totals: Sequence[StepTotals], cost: StandardCost) -> tuple[StepLoss, ...]:
    """Return what each step loses; ``cost`` is the standard cost of the same steps, in the same order.

    More than a limit allows is no loss: it is 0 there, and ``reasons`` says so. Raises ``ValueError`` where the steps
    differ.

    >>> from service.analytics.money.standard_cost import CostLine, StepCost, standard_cost
    >>> cost = standard_cost([StepCost("wash", 0.8, (CostLine("chalk", 2.0),), ratio_limit=1.0, ratio_best=0.9)])
    >>> loss, = step_losses([StepTotals("wash", 100.0, 80.0, 0.9, 50.0, failed_theoretical_g=5.0)], cost)
    >>> loss.against_limit.lost_g, loss.against_limit.lost_mol, round(loss.against_limit.cost_per_g, 4)
    (20.0, 0.4, 0.5)
    >>> round(loss.against_limit.cost, 9), loss.against_limit.lost_g_per_g, loss.against_limit.failed_share
    (40.0, 0.25, 0.25)
    >>> round(loss.against_best.lost_g, 9), round(loss.against_best.cost_per_g, 4)
    (10.0, 0.2778)
    """
    if [step.code for step in totals] != [step.code for step in cost.by_step]:
        raise ValueError("totals and standard cost are of the same steps in the same order")
    unpriced = cost.reasons.get("cost_per_g")
    return tuple(_step_loss(step, share, unpriced) for step, share in zip(totals, cost.by_step, strict=True))


def _step_loss(step: StepTotals, share: StepShare, unpriced: str | None) -> StepLoss:
    reasons: dict[str, str] = {}
    against_limit = _loss(step, step.limit_yield, share, share.leak_per_g, "against_limit", reasons)
    against_best = _loss(step, step.best_yield, share, share.attainable_per_g, "against_best", reasons)
    no_limit, no_best = "the basis of the step sets no limit", "no good run"
    without = (step.limit_yield is None, no_limit), (step.best_yield is None, no_best)
    losses = ("against_limit", against_limit), ("against_best", against_best)
    for (name, loss), (is_without, why) in zip(losses, without, strict=True):
        if is_without:
            reasons[name] = why
        if loss.cost_per_g is None:
            known = "no better ratio than that of all runs is known"
            reasons[f"{name}_cost_per_g"] = unpriced or (why if is_without else known)
    if step.molar_mass_g_per_mol is None:
        reasons["lost_mol"] = "the product has no molar mass"
    return StepLoss(step.code, against_limit, against_best, reasons)


def _loss(
    step: StepTotals,
    yield_fraction: float | None,
    made: StepShare,
    cost_per_g: float | None,
    name: str,
    reasons: dict[str, str],
) -> Loss:
    if step.theoretical_g is None:
        reasons[name] = "the theoretical amount is not known"
    if step.theoretical_g is None or yield_fraction is None:
        return Loss(cost_per_g=cost_per_g)
    allowed_g = step.theoretical_g * yield_fraction
    lost_g = max(allowed_g - step.contained_g, 0.0)
    if allowed_g < step.contained_g:
        reasons[name] = "more came out than the limit allows"
    share = lost_g / allowed_g if allowed_g else None
    # Of what the step makes for a final gram, so much more would have come of the same feed.
    more = None if share is None or share == 1 else share / (1 - share)
    each = None if more is None or made.product_g is None else made.product_g * step.product_fraction * more
    made_cost = made.product_cost_per_g
    return Loss(
        lost_g=lost_g,
        lost_mol=_over(lost_g, step.molar_mass_g_per_mol),
        cost=None
        if made_cost is None or share is None
        else made_cost * step.contained_g / step.product_fraction * share,
        lost_g_per_g=each,
        lost_mol_per_g=_over(each, step.molar_mass_g_per_mol),
        cost_per_g=cost_per_g,
        share=share,
        failed_share=min(step.failed_theoretical_g * yield_fraction / lost_g, 1.0) if lost_g else None,
    )


def _over(amount_g: float | None, molar_mass_g_per_mol: float | None) -> float | None:
    return None if amount_g is None or molar_mass_g_per_mol is None else amount_g / molar_mass_g_per_mol
