"""Make or buy: what a gram of each intermediate costs at the least, and at what price or yield the choice turns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from service.analytics.money.standard_cost import StepCost


@dataclass(frozen=True, slots=True)
class Choice:
    """Whether to make the product of a step or to buy it; money per gram of it, at replacement cost.

    ``make_per_g`` takes everything before the step at its own cheaper way; None where a price or a yield is not known.
    ``buy_per_g``: None where nobody sells it. ``decision``: the cheaper; None where neither cost is known.
    ``flips_at_price_per_g``: the price below which buying is cheaper. ``flips_at_ratio``: grams of product per gram of
    key input above which making is cheaper.
    """

    code: str
    make_per_g: float | None
    buy_per_g: float | None
    decision: Literal["make", "buy"] | None
    flips_at_price_per_g: float | None
    flips_at_ratio: float | None


def make_or_buy(steps: Sequence[StepCost], buy_per_g: Mapping[int, float]) -> tuple[Choice, ...]:
    """Return the choice at every step: V = min(buy, make), make = (Σ grams·V upstream + own cost)/R.

    ``steps``: in topological order, as for ``standard_cost``, their costs a batch spread over ``batch_g``.
    ``buy_per_g``: by place, the price of a gram of the step's product. Packs, shipping and minimum orders are not in
    it: those belong to an order.

    >>> from service.analytics.money.standard_cost import CostLine
    >>> steps = [StepCost("a", 0.5, (CostLine("ore", 0.02),)),
    ...          StepCost("b", 0.25, (CostLine("acid", 0.01),), upstream=((0, 1.0),))]
    >>> first, second = make_or_buy(steps, {0: 0.03, 1: 0.5})
    >>> first.decision, first.make_per_g, first.flips_at_ratio.__round__(4)
    ('buy', 0.04, 0.6667)
    >>> second.decision, second.make_per_g, second.flips_at_ratio
    ('make', 0.16, 0.08)
    """
    worth: list[float | None] = []
    found = []
    for place, step in enumerate(steps):
        brought = [(grams, worth[earlier]) for earlier, grams in step.upstream]
        make: float | None = None
        if step.ratio_per_g and step.priced and all(each is not None for _, each in brought):
            make = (sum(grams * (each or 0.0) for grams, each in brought) + step.own_cost_per_g) / step.ratio_per_g
        buy = buy_per_g.get(place)
        known = [cost for cost in (make, buy) if cost is not None]
        worth.append(min(known, default=None))
        decision: Literal["make", "buy"] | None = None
        if known:
            decision = "make" if buy is None or (make is not None and make <= buy) else "buy"
        flips_at = None if make is None or not buy else (step.ratio_per_g or 0.0) * make / buy
        found.append(Choice(step.code, make, buy, decision, make, flips_at))
    return tuple(found)
