"""Where material and money are lost: each step against its stoichiometric limit and its best run; two periods compared.

Money is per gram of the final product, as the standard cost has it: K·φ·(1 − R/R′). Moles and grams are those of the
runs themselves.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from service.analytics.money.log_mean import Split, log_mean_split
from service.analytics.money.standard_cost import StandardCost, StepCost
from service.errors import NotComputable

_MOST_TERMS = 10_000


@dataclass(frozen=True, slots=True)
class StepTotals:
    """What a step's runs could have given and gave, failures among them, in g of contained product.

    ``best_yield``: of the best run so far, None without one; ``molar_mass_g_per_mol`` of the product, None where it has
    none. ``theoretical_g`` None: not known.
    """

    code: str
    theoretical_g: float | None
    contained_g: float
    best_yield: float | None = None
    molar_mass_g_per_mol: float | None = None


@dataclass(frozen=True, slots=True)
class Loss:
    """What is missing against a limit: over the runs in g and mol, and in money per gram of final product."""

    lost_g: float | None
    lost_mol: float | None
    cost_per_g: float | None


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

    >>> from service.analytics.money.standard_cost import CostLine, standard_cost
    >>> cost = standard_cost([StepCost("wash", 0.8, (CostLine("chalk", 2.0),), ratio_limit=1.0, ratio_best=0.9)])
    >>> loss, = step_losses([StepTotals("wash", 100.0, 80.0, 0.9, 50.0)], cost)
    >>> loss.against_limit.lost_g, loss.against_limit.lost_mol, round(loss.against_limit.cost_per_g, 4)
    (20.0, 0.4, 0.5)
    >>> round(loss.against_best.lost_g, 9), round(loss.against_best.cost_per_g, 4)
    (10.0, 0.2778)
    """
    if [step.code for step in totals] != [step.code for step in cost.by_step]:
        raise ValueError("totals and standard cost are of the same steps in the same order")
    return tuple(
        _step_loss(step, share.leak_per_g, share.attainable_per_g, cost.reasons.get("cost_per_g"))
        for step, share in zip(totals, cost.by_step, strict=True)
    )


def _step_loss(step: StepTotals, leak: float | None, attainable: float | None, unpriced: str | None) -> StepLoss:
    reasons: dict[str, str] = {}
    found = []
    for name, yield_fraction, money in (("against_limit", 1.0, leak), ("against_best", step.best_yield, attainable)):
        lost_g = lost_mol = None
        if yield_fraction is None:
            reasons[name] = "no good run"
        elif step.theoretical_g is None:
            reasons[name] = "the theoretical amount is not known"
        else:
            lost_g = max(step.theoretical_g * yield_fraction - step.contained_g, 0.0)
            if step.theoretical_g * yield_fraction < step.contained_g:
                reasons[name] = "more came out than the limit allows"
            if step.molar_mass_g_per_mol is not None:
                lost_mol = lost_g / step.molar_mass_g_per_mol
        if money is None:
            reasons[f"{name}_cost_per_g"] = unpriced or "no better ratio than that of all runs is known"
        found.append(Loss(lost_g, lost_mol, money))
    if step.molar_mass_g_per_mol is None:
        reasons["lost_mol"] = "the product has no molar mass"
    return StepLoss(step.code, found[0], found[1], reasons)


def compare_periods(before: Sequence[StepCost], after: Sequence[StepCost], final: int = -1) -> Split:
    """Return how the change of the cost of a final gram between two periods is shared between what changed.

    A term is one cost line carried along one way to the final product. Its factors: what the line costs per gram of
    key input (``line <step>/<name>``), what each later step takes of the product before it per gram of its own key
    input (``feed <step>/<earlier>``), and one over what each step gives (``yield <step>``). The parts sum to the change
    of the standard cost. Lines or ways that only one period has stand apart.

    Raises ``NotComputable`` where a step gives nothing or a line has no price, or where there are too many ways.

    >>> from service.analytics.money.standard_cost import CostLine
    >>> month = lambda price, ratio: [StepCost("wash", ratio, (CostLine("chalk", price),))]
    >>> split = compare_periods(month(2.0, 0.8), month(2.0, 1.0))
    >>> round(split.change, 12), {name: round(part, 12) for name, part in split.by_factor.items()}
    (-0.5, {'yield wash': -0.5, 'line wash/chalk': 0.0})
    """
    return log_mean_split(_terms(before, final), _terms(after, final))


def _terms(steps: Sequence[StepCost], final: int) -> dict[str, dict[str, float]]:
    terms: dict[str, dict[str, float]] = {}
    for way, factors in _ways(steps, range(len(steps))[final], "", {}):
        step = steps[way[0]]
        for line in step.lines:
            per_g, per_batch = line.per_g, line.per_batch
            if per_g is None or per_batch is None:
                raise NotComputable(f"no price for {line.name}")
            cost = per_g + (per_batch / step.batch_g if per_batch and step.batch_g else 0.0)
            named = f"line {step.code}/{line.name}"
            term = f"{line.name}: {way[1]}"
            terms[term] = factors | {named: terms[term][named] + cost if term in terms else cost}
        if len(terms) > _MOST_TERMS:
            raise NotComputable("there are too many ways through the route to compare")
    return terms


def _ways(
    steps: Sequence[StepCost], place: int, onward: str, factors: Mapping[str, float]
) -> Iterator[tuple[tuple[int, str], dict[str, float]]]:
    """Every way from a step to the final product: (step, the steps' codes) and the factors along it."""
    step = steps[place]
    if not step.ratio_per_g:
        raise NotComputable(f"no product recorded in step {step.code}")
    way = f"{step.code} > {onward}" if onward else step.code
    own = {**factors, f"yield {step.code}": 1 / step.ratio_per_g}
    yield (place, way), own
    for earlier, grams in step.upstream:
        yield from _ways(steps, earlier, way, {**own, f"feed {step.code}/{steps[earlier].code}": grams})
