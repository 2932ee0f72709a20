"""Standard cost: what a gram costs at today's prices and the yields that the record leads one to expect.

Of every step, K = (Σ ratio·K upstream + c + F/B)/R. R is a ratio of totals with the failures in it, so that 1/R is one
over the expected yield; the mean of 1/yield would be far too high, and infinite where a run can fail.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from service.analytics.statistics.ratio import WIDEST_LOG

LEAST_RUNS = 3
"""A step of fewer runs carries no interval."""


@dataclass(frozen=True, slots=True)
class CostLine:
    """One thing that a step pays for: a material that is bought, or a direct cost (energy, waste, consumables, labour).

    ``per_g`` is money per gram of the step's key input as charged, ``per_batch`` money a batch whatever its size; None
    where the price is not known. A bought key input is a line like any other. ``unit_price``: what one unit of it
    costs, where it is known apart from how much is used.
    """

    name: str
    per_g: float | None = 0.0
    per_batch: float | None = 0.0
    kind: Literal["material", "direct"] = "material"
    unit_price: float | None = None


@dataclass(frozen=True, slots=True)
class StepCost:
    """A step as the standard cost sees it.

    ``upstream``: (place of an earlier step, grams of its product per gram of this step's key input), the key input
    itself among them at 1 where a step makes it and none of it comes back. ``batch_g``: grams of key input a batch,
    wanted where a line has a cost per batch. ``ratio_per_g``: grams of product per gram of key input over all runs,
    failures at 0, wet runs above 1 taken as 0.98; None or 0 where the runs give none. ``ratio_good`` the same without
    failures, ``ratio_limit`` at a yield of 1, ``ratio_best`` of the best run; None where there is none. ``ratio_se``:
    standard error of ``ratio_per_g`` over ``runs`` runs.
    """

    code: str
    ratio_per_g: float | None
    lines: tuple[CostLine, ...] = ()
    upstream: tuple[tuple[int, float], ...] = ()
    batch_g: float | None = None
    ratio_good: float | None = None
    ratio_limit: float | None = None
    ratio_best: float | None = None
    ratio_se: float | None = None
    runs: int = 0

    @property
    def own_cost_per_g(self) -> float:
        """Money per gram of key input for all that no other step brings, as far as it is known."""
        return sum(_line_cost(line, self) for line in self.lines)

    @property
    def priced(self) -> bool:
        """Whether all that no other step brings has a price."""
        return not any(map(_unknown, self.lines))


@dataclass(frozen=True, slots=True)
class StepShare:
    """What one step has to do with the cost of a final gram; money is per gram of final product unless said.

    ``product_cost_per_g`` and ``product_cost_per_g_good_runs`` are per gram of the step's own product. ``share`` is the
    part of the final cost that the step's product already carries, and minus the elasticity of the final cost to the
    step's ratio. ``added`` is what the step itself adds; over all steps it sums to the final cost. ``leak`` is
    what is lost against the stoichiometric limit, ``attainable`` what is lost against the best run so far.
    ``product_g`` and ``key_input_g`` are grams behind a final gram.
    """

    code: str
    product_cost_per_g: float | None
    product_cost_per_g_good_runs: float | None
    share: float | None
    added_per_g: float | None
    leak_per_g: float | None
    attainable_per_g: float | None
    product_g: float | None
    key_input_g: float | None


@dataclass(frozen=True, slots=True)
class StandardCost:
    """The cost of a gram of the final product as isolated, its interval and its splits.

    Where a price is unknown, ``cost_per_g`` is None, ``unpriced`` names what has none, and ``cost_per_g_at_least`` and
    both splits hold the known part. ``by_step`` follows the steps' order; ``by_material`` and ``direct`` together sum
    to the same cost. What cannot be worked out is None, and ``reasons`` says why under its own name.
    """

    cost_per_g: float | None
    cost_per_g_at_least: float | None
    cost_per_g_good_runs: float | None
    low: float | None
    high: float | None
    by_step: tuple[StepShare, ...]
    by_material: Mapping[str, float]
    direct: Mapping[str, float]
    unpriced: tuple[str, ...]
    reasons: Mapping[str, str] = field(default_factory=dict)


def standard_cost(
    steps: Sequence[StepCost], final: int = -1, confidence: float = 0.90, good: Sequence[StepCost] | None = None
) -> StandardCost:
    """Return the standard cost of a gram of the product of step ``final`` (its place; the last by default).

    ``steps``: in topological order, every step after those that feed it; steps that do not feed the final one cost
    nothing. ``confidence``: of the two-sided interval, which holds the uncertainty of the ratios alone:
    se(ln K) = √Σ(share·se/R)², and K·exp(±t·se) with the effective degrees of Welch and Satterthwaite
    (JCGM 100:2008, G.4.1, with n − 1 degrees a step). It needs three runs of every step that feeds the final one.

    ``good``: the same steps as their good runs alone leave them, where they pay for something else than all runs do,
    such as for what is not recovered.

    The leak K·share·(1 − R/R′) is exact where nothing is fixed per batch and nothing that one step gives back covers
    the need of another. Lines hold what is bought or made anew, as :mod:`service.analytics.money.steady_state` tells.
    Raises ``ValueError`` for a step that is fed by a later one, a ratio or batch that is not positive, or a confidence
    outside (0, 1).

    >>> bought = [StepCost("a", 0.7, (CostLine("ore", 0.02),), ratio_limit=1.0)]
    >>> more = [(0.05, 0.3), (0.01, 0.8), (0.40, 0.5)]
    >>> steps = bought + [
    ...     StepCost(code, ratio, (CostLine("acid", cost),), upstream=((place, 1.0),), ratio_limit=1.0)
    ...     for place, (code, (cost, ratio)) in enumerate(zip("bcd", more))]
    >>> found = standard_cost(steps)
    >>> [round(step.product_cost_per_g, 4) for step in found.by_step]
    [0.0286, 0.2619, 0.3399, 1.4798]
    >>> [round(step.share, 3) for step in found.by_step]
    [0.161, 0.442, 0.459, 1.0]
    >>> [round(step.leak_per_g, 3) for step in found.by_step]
    [0.071, 0.458, 0.136, 0.74]
    """
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence lies between 0 and 1, received {confidence!r}")
    last = range(len(steps))[final]
    _check(steps)
    fed = _feeding(steps, last)
    barren = [step.code for place, step in enumerate(steps) if place in fed and not step.ratio_per_g]
    if barren:
        return _without_ratio(steps, barren)

    unpriced = {line.name: None for place in sorted(fed) for line in steps[place].lines if _unknown(line)}
    ratios = [step.ratio_per_g or math.nan if place in fed else math.nan for place, step in enumerate(steps)]
    own = [step.own_cost_per_g for step in steps]
    costs = _product_costs(steps, ratios, own, fed)
    ratios_good, alone = [step.ratio_good or math.nan for step in steps], good or steps
    good_costs = _product_costs(alone, ratios_good, [step.own_cost_per_g for step in alone], fed)
    product_g = _product_grams(steps, ratios, last)
    at_least = costs[last]
    shares = [product_g[place] * costs[place] / at_least if at_least > 0 else math.nan for place in range(len(steps))]
    by_material: dict[str, float] = {}
    direct: dict[str, float] = {}
    for place in sorted(fed):
        key_input_g = product_g[place] / ratios[place]
        for line in steps[place].lines:
            split = by_material if line.kind == "material" else direct
            split[line.name] = split.get(line.name, 0.0) + key_input_g * _line_cost(line, steps[place])

    reasons: dict[str, str] = {}
    if unpriced:
        reasons |= dict.fromkeys(("cost_per_g", "low", "high"), "no price for " + ", ".join(unpriced))
    low, high = (None, None) if unpriced else _interval(steps, sorted(fed), shares, at_least, confidence, reasons)
    good_runs = None if unpriced else _known(good_costs[last])
    if good_runs is None:
        reasons["cost_per_g_good_runs"] = reasons.get("cost_per_g", "a step has no good run")
    priced = _priced(steps)
    return StandardCost(
        cost_per_g=None if unpriced else at_least,
        cost_per_g_at_least=at_least,
        cost_per_g_good_runs=good_runs,
        low=low,
        high=high,
        by_step=tuple(
            StepShare(
                code=step.code,
                product_cost_per_g=_known(costs[place]) if priced[place] else None,
                product_cost_per_g_good_runs=_known(good_costs[place]) if priced[place] else None,
                share=None if unpriced else _known(shares[place]),
                added_per_g=_known(product_g[place] / ratios[place] * own[place]) if place in fed else 0.0,
                leak_per_g=None if unpriced else _lost(at_least, shares[place], ratios[place], step.ratio_limit),
                attainable_per_g=None if unpriced else _lost(at_least, shares[place], ratios[place], step.ratio_best),
                product_g=product_g[place],
                key_input_g=product_g[place] / ratios[place] if place in fed else 0.0,
            )
            for place, step in enumerate(steps)
        ),
        by_material=by_material,
        direct=direct,
        unpriced=tuple(unpriced),
        reasons=reasons,
    )


def _check(steps: Sequence[StepCost]) -> None:
    for place, step in enumerate(steps):
        if any(not 0 <= earlier < place or not grams >= 0 for earlier, grams in step.upstream):
            raise ValueError(f"step {step.code!r} is fed by earlier steps, 0 g/g or more, received {step.upstream!r}")
        if step.ratio_per_g is not None and not 0 <= step.ratio_per_g < math.inf:
            raise ValueError(f"a ratio is a finite number of at least 0, received {step.ratio_per_g!r}")
        if any(line.per_batch != 0 for line in step.lines) and not (step.batch_g and step.batch_g > 0):
            raise ValueError(f"step {step.code!r} has a cost per batch, and a batch of {step.batch_g!r} g")


def _feeding(steps: Sequence[StepCost], last: int) -> set[int]:
    """Return the places of the steps behind the product of ``last``, itself among them."""
    fed = {last}
    for place in range(last, -1, -1):
        if place in fed:
            fed.update(earlier for earlier, _ in steps[place].upstream)
    return fed


def _unknown(line: CostLine) -> bool:
    return line.per_g is None or line.per_batch is None


def _line_cost(line: CostLine, step: StepCost) -> float:
    """Money per gram of key input, as far as it is known."""
    return (line.per_g or 0.0) + (line.per_batch / step.batch_g if line.per_batch and step.batch_g else 0.0)


def _priced(steps: Sequence[StepCost]) -> list[bool]:
    """Say of each step whether everything behind its product has a price."""
    priced: list[bool] = []
    for step in steps:
        priced.append(step.priced and all(priced[earlier] for earlier, _ in step.upstream))
    return priced


def _product_costs(
    steps: Sequence[StepCost], ratios: Sequence[float], own: Sequence[float], fed: set[int]
) -> list[float]:
    """Return money per gram of each step's product, forwards; not a number where a ratio is missing."""
    costs: list[float] = []
    for place, step in enumerate(steps):
        brought = sum(grams * costs[earlier] for earlier, grams in step.upstream)
        costs.append((brought + own[place]) / ratios[place] if place in fed else math.nan)
    return costs


def _product_grams(steps: Sequence[StepCost], ratios: Sequence[float], last: int) -> list[float]:
    """Return grams of each step's product behind a final gram, backwards."""
    product_g = [0.0] * len(steps)
    product_g[last] = 1.0
    for place in range(last, -1, -1):
        if product_g[place] > 0:
            for earlier, grams in steps[place].upstream:
                product_g[earlier] += product_g[place] / ratios[place] * grams
    return product_g


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _lost(cost_per_g: float, share: float, ratio: float, better: float | None) -> float | None:
    """Return K·share·(1 − R/R′): what a final gram would cost less at the better ratio, None without one."""
    if better is None or better < ratio:
        return None
    return _known(cost_per_g * share * (1 - ratio / better))


def _interval(
    steps: Sequence[StepCost],
    fed: Sequence[int],
    shares: Sequence[float],
    cost_per_g: float,
    confidence: float,
    reasons: dict[str, str],
) -> tuple[float | None, float | None]:
    few = [steps[place].code for place in fed if steps[place].runs < LEAST_RUNS or steps[place].ratio_se is None]
    if few:
        said = "step" if len(few) == 1 else "steps"
        reasons |= dict.fromkeys(("low", "high"), f"fewer than {LEAST_RUNS} runs of {said} {', '.join(few)}")
        return None, None
    if cost_per_g == 0:
        return 0.0, 0.0
    parts = [
        (
            (shares[place] * (steps[place].ratio_se or 0.0) / (steps[place].ratio_per_g or math.nan)) ** 2,
            steps[place].runs - 1,
        )
        for place in fed
    ]
    variance = math.fsum(part for part, _ in parts)
    if variance == 0:
        return cost_per_g, cost_per_g

    from scipy.special import stdtrit

    degrees = variance**2 / math.fsum(part**2 / runs for part, runs in parts)
    reach = float(stdtrit(degrees, (1 + confidence) / 2)) * math.sqrt(variance)
    if reach > WIDEST_LOG:
        reasons |= dict.fromkeys(("low", "high"), "too wide to state")
        return None, None
    return cost_per_g * math.exp(-reach), cost_per_g * math.exp(reach)


def _without_ratio(steps: Sequence[StepCost], barren: Sequence[str]) -> StandardCost:
    said = "step" if len(barren) == 1 else "steps"
    why = f"no product recorded in {said} {', '.join(barren)}"
    names = ("cost_per_g", "cost_per_g_at_least", "cost_per_g_good_runs", "low", "high")
    by_step = tuple(StepShare(step.code, None, None, None, None, None, None, None, None) for step in steps)
    unpriced = dict.fromkeys(line.name for step in steps for line in step.lines if _unknown(line))
    return StandardCost(None, None, None, None, None, by_step, {}, {}, tuple(unpriced), dict.fromkeys(names, why))
