"""Two periods compared: the change of the cost of a final gram, shared between yields, prices and use, by step."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from service.analytics.money.log_mean import Split, log_mean_split
from service.analytics.money.standard_cost import StepCost
from service.errors import NotComputable

_MOST_TERMS = 10_000


def compare_periods(
    before: Sequence[StepCost],
    after: Sequence[StepCost],
    final: int = -1,
    dry_fractions: tuple[float, float] | None = None,
) -> Split:
    """Return how the change of the cost of a final gram between two periods is shared between what changed.

    A term is one cost line carried along one way to the final product. Its factors, each named by its kind, its step
    and, behind a stroke, what it is of: what a unit costs (``price <step>/<name>``) and how much of it a gram of key
    input takes (``use <step>/<name>``), or the two in one where the line has no price of a unit
    (``line <step>/<name>``); what each later step takes of the product before it per gram of its own key input
    (``feed <step>/<earlier>``); one over what each step gives of its limit (``yield <step>``), and one over that limit
    a gram (``limit <step>``), which moves with the strengths of key input and product; the two in one where no limit is
    known. ``dry_fractions``: dry g in a gram of the final product before and after, where the cost is wanted per dry
    gram; one over it is a factor too (``dry <step>``). The parts sum to the change of the standard cost. Lines or ways
    that only one period has stand apart.

    Raises ``NotComputable`` where a step gives nothing or a line has no price, or where there are too many ways.

    >>> from service.analytics.money.standard_cost import CostLine
    >>> month = lambda price, ratio: [StepCost("wash", ratio, (CostLine("chalk", price),))]
    >>> split = compare_periods(month(2.0, 0.8), month(2.0, 1.0))
    >>> round(split.change, 12), {name: round(part, 12) for name, part in split.by_factor.items()}
    (-0.5, {'yield wash': -0.5, 'line wash/chalk': 0.0})
    """
    old, new = dry_fractions if dry_fractions is not None else (None, None)
    return log_mean_split(_terms(before, final, old), _terms(after, final, new))


def _terms(steps: Sequence[StepCost], final: int, dry_fraction: float | None) -> dict[str, dict[str, float]]:
    terms: dict[str, dict[str, float]] = {}
    place = range(len(steps))[final]
    outer = {} if dry_fraction is None else {f"dry {steps[place].code}": 1 / dry_fraction}
    own = [_own_factors(step) for step in steps]
    for at, way, factors in _ways(steps, place, "", outer):
        for name, of_line in own[at].items():
            terms[f"{name}: {way}"] = {**factors, **of_line}
        if len(terms) > _MOST_TERMS:
            raise NotComputable("there are too many ways through the route to compare")
    return terms


def _own_factors(step: StepCost) -> dict[str, dict[str, float]]:
    """Of every name that a step pays for: its price and use, or its cost, per gram of key input."""
    costs: dict[str, float] = {}
    prices: dict[str, set[float | None]] = {}
    for line in step.lines:
        if line.per_g is None or line.per_batch is None:
            raise NotComputable(f"no price for {line.name}")
        cost = line.per_g + (line.per_batch / step.batch_g if line.per_batch and step.batch_g else 0.0)
        costs[line.name] = costs.get(line.name, 0.0) + cost
        prices.setdefault(line.name, set()).add(line.unit_price)
    found: dict[str, dict[str, float]] = {}
    for name, cost in costs.items():
        price = next(iter(prices[name])) if len(prices[name]) == 1 else None
        of = f"{step.code}/{name}"
        found[name] = {f"price {of}": price, f"use {of}": cost / price} if price else {f"line {of}": cost}
    return found


def _ways(
    steps: Sequence[StepCost], place: int, onward: str, factors: Mapping[str, float]
) -> Iterator[tuple[int, str, dict[str, float]]]:
    """Every way from a step to the final product: the step's place, the steps' codes, and the factors along it."""
    step = steps[place]
    if not step.ratio_per_g:
        raise NotComputable(f"no product recorded in step {step.code}")
    way = f"{step.code} > {onward}" if onward else step.code
    if step.ratio_limit:
        gives = {f"yield {step.code}": step.ratio_limit / step.ratio_per_g, f"limit {step.code}": 1 / step.ratio_limit}
    else:
        gives = {f"yield {step.code}": 1 / step.ratio_per_g}
    own = {**factors, **gives}
    yield place, way, own
    for earlier, grams in step.upstream:
        yield from _ways(steps, earlier, way, {**own, f"feed {step.code}/{steps[earlier].code}": grams})


def factor_values(steps: Sequence[StepCost]) -> dict[str, float]:
    """Return what the factors of :func:`compare_periods` are in one period, by their names, as one reads them.

    A ``yield`` is the fraction that a step gives of its limit (or product per gram where no limit is known), a
    ``limit`` product per gram of key input at a yield of 1. What a step does not have is left out.

    >>> from service.analytics.money.standard_cost import CostLine
    >>> wash = StepCost("wash", 0.8, (CostLine("chalk", 4.0, unit_price=2.0),), ratio_limit=1.0)
    >>> factor_values([wash])
    {'yield wash': 0.8, 'limit wash': 1.0, 'price wash/chalk': 2.0, 'use wash/chalk': 2.0}
    """
    found: dict[str, float] = {}
    for step in steps:
        if step.ratio_per_g is not None:
            found[f"yield {step.code}"] = step.ratio_per_g / (step.ratio_limit or 1.0)
        if step.ratio_limit:
            found[f"limit {step.code}"] = step.ratio_limit
        for of_line in _own_factors(step).values():
            found |= of_line
        found |= {f"feed {step.code}/{steps[earlier].code}": grams for earlier, grams in step.upstream}
    return found
