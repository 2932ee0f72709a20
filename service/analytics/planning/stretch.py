"""A stretch of constant batch counts in closed form: the least output of it that reaches a target."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray

from service.analytics.forecast.draws import Trials
from service.analytics.planning.chain import order_statistic, scaled
from service.analytics.planning.graph import PlannedFlow, PlanStep

_EXACT = 1e-13
_ROUNDING = 1e-9


def in_proportion(steps: Sequence[PlanStep]) -> bool:
    """Return whether all feeds of these steps are in proportion to the output: no stock, no smallest batch.

    >>> from service.analytics.forecast.next_run import forecast_step
    >>> known = forecast_step([0.6], 0, mass_ratio=False)
    >>> [in_proportion([PlanStep("a", known, 1.0, stock_g=stock_g)]) for stock_g in (0.0, 5.0)]
    [True, False]
    """
    return all(step.stock_g == 0 and not step.smallest_g for step in steps)


def wanted_trials(share: float, trials: int) -> int:
    """Return how many of the trials make a share: 9 of 10 are 0.9, whatever 0.9 is in binary.

    >>> wanted_trials(0.9, 10), wanted_trials(0.91, 10)
    (9, 10)
    """
    return math.ceil(share * trials - _ROUNDING)


@dataclass(frozen=True, slots=True)
class Stretch:
    """What comes of every output along a stretch, for one target.

    ``per_output``: shape (trials,), grams of final product per gram planned for, were no batch ever full. ``let``:
    shape (trials,), whether batches at their largest let the target through, None where nothing limits them.
    """

    target_g: float
    per_output: Trials
    let: NDArray[np.bool_] | None

    def reaches(self, output_g: float, share: float) -> bool:
        """Return whether ``output_g`` reaches the target in a share of the trials."""
        if math.isinf(output_g):
            reached = self.per_output > 0
        else:
            reached = self.per_output >= self.target_g * (1 - _EXACT) / output_g
        if self.let is not None:
            reached &= self.let
        return bool(np.count_nonzero(reached) >= wanted_trials(share, reached.size))

    def least_output(self, share: float, *, limited: bool = True) -> float:
        """Return the least output that reaches the target in a share of the trials, infinite where none does."""
        per_output = self.per_output * self.let if limited and self.let is not None else self.per_output
        least = order_statistic(per_output, per_output.size - wanted_trials(share, per_output.size))
        return self.target_g / least if least > 0 else math.inf


class Stretches:
    """The stretches of one route and target, where all feeds are in proportion to the output (:func:`in_proportion`).

    A feed is the least of a step's inputs and of its limit, a product a feed times a ratio: so that the final product
    is the least, over every step that begins a branch and every limit, of what it holds times all that follows it. One
    pass from the last step backwards works out what follows each step, and keeps it for the next stretch, which mostly
    differs in one step's batches.
    """

    __slots__ = ("_follows", "_kept", "_once", "_ratio", "_steps", "_takers", "_target_g", "_trials")

    def __init__(
        self,
        steps: Sequence[PlanStep],
        final: int,
        target_g: float,
        trials: int,
        ratio: Callable[[int, int], Trials],
    ) -> None:
        """``ratio``: of a step, by its place and count of batches, grams of product per gram of key input, a trial."""
        self._steps = steps[: final + 1]
        self._target_g, self._trials, self._ratio = target_g, trials, ratio
        self._takers: list[list[int]] = [[] for _ in self._steps]
        for place, step in enumerate(self._steps):
            for earlier, _ in step.upstream:
                self._takers[earlier].append(place)
        after: list[set[int]] = [set()] * len(self._steps)
        for place in range(final, -1, -1):
            after[place] = {place}.union(*(after[taker] for taker in self._takers[place]))
        # Of a step itself and of all that follows it, the counts in a flow's batches.
        self._follows: list[Callable[[tuple[int, ...]], object]] = [itemgetter(*sorted(places)) for places in after]
        # Where every product has one taker, all of it, the ratio of branches changes nothing of what follows a step.
        self._once = all(len(takers) <= 1 for takers in self._takers)
        self._kept: dict[int, _Following] = {}

    def of(self, flow: PlannedFlow, ratios: Mapping[int, Trials] | None = None) -> Stretch:
        """Return the stretch of a flow; with ``ratios`` in place of those of its batches, by place, without limits."""
        per_output: Trials | None = None
        let: NDArray[np.bool_] | None = None
        kept = {} if ratios is not None else self._kept
        for place in range(len(self._steps) - 1, -1, -1):
            if not flow.batches[place]:
                continue
            key = (self._follows[place](flow.batches), None if self._once else flow.over)
            following = kept.get(place)
            if following is None or following.key != key:
                following = kept[place] = self._following(flow, place, key, kept, ratios)
            if not self._steps[place].upstream:
                begun = following.gain * (flow.feed_g[place] / flow.output_g)
                per_output = begun if per_output is None else np.minimum(per_output, begun, out=per_output)
                let = _both(let, following.let)
        return Stretch(self._target_g, np.full(self._trials, math.inf) if per_output is None else per_output, let)

    def _following(
        self,
        flow: PlannedFlow,
        place: int,
        key: object,
        kept: Mapping[int, _Following],
        ratios: Mapping[int, Trials] | None,
    ) -> _Following:
        """What follows a step in a flow, from what follows those that take from it."""
        step, count = self._steps[place], flow.batches[place]
        gain = self._ratio(place, count) if ratios is None else ratios[place]
        let: NDArray[np.bool_] | None = None
        if takers := self._takers[place]:
            first, *others = [scaled(kept[taker].gain, flow.feed_of(taker, place)) for taker in takers]
            for other in others:
                first = np.minimum(first, other)
            gain = gain * first
            for taker in takers:
                let = _both(let, kept[taker].let)
        if ratios is None and step.upstream and step.largest_g is not None:
            let = _both(let, gain >= self._target_g * (1 - _EXACT) / (count * step.largest_g))
        return _Following(key, gain, let)


@dataclass(frozen=True, slots=True)
class _Following:
    """A step and all that follows it: grams of final product per gram of its key input, and whether batches at their
    largest let the target through, a value a trial. ``key``: the counts of batches that these are of."""

    key: object
    gain: Trials
    let: NDArray[np.bool_] | None


def _both(let: NDArray[np.bool_] | None, other: NDArray[np.bool_] | None) -> NDArray[np.bool_] | None:
    """Trials that both let through; None lets all."""
    if let is None or other is None:
        return other if let is None else let
    return let & other
