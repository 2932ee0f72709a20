"""A stretch of constant batch counts in closed form: the least output of it that reaches a target."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.analytics.forecast.draws import Trials
from service.analytics.planning.chain import order_statistic
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
        self._follows: list[tuple[int, ...]] = [()] * len(self._steps)
        for place in range(final, -1, -1):
            after = {follower for taker in self._takers[place] for follower in self._follows[taker]}
            self._follows[place] = (place, *sorted(after))
        # Where every product has one taker, all of it, the ratio of branches changes nothing of what follows a step.
        self._once = all(len(takers) <= 1 for takers in self._takers)
        self._kept: dict[int, tuple[object, Trials, NDArray[np.bool_] | None]] = {}

    def of(self, flow: PlannedFlow, ratios: Mapping[int, Trials] | None = None) -> Stretch:
        """Return the stretch of a flow; with ``ratios`` in place of those of its batches, by place, without limits."""
        per_output: Trials | None = None
        let: NDArray[np.bool_] | None = None
        kept = {} if ratios is not None else self._kept
        for place in range(len(self._steps) - 1, -1, -1):
            step, count = self._steps[place], flow.batches[place]
            if not count:
                continue
            key = ([flow.batches[after] for after in self._follows[place]], None if self._once else flow.over)
            if place not in kept or kept[place][0] != key:
                gain = self._ratio(place, count) if ratios is None else ratios[place]
                if self._takers[place]:
                    gain = gain * self._least(flow, place, kept)
                largest = step.largest_g if ratios is None and step.upstream else None
                through = None if largest is None else gain >= self._target_g * (1 - _EXACT) / (count * largest)
                kept[place] = (key, gain, through)
            _, gain, through = kept[place]
            if through is not None:
                let = through.copy() if let is None else np.logical_and(let, through, out=let)
            if not step.upstream:
                begun = gain * (flow.feed_g[place] / flow.output_g)
                per_output = begun if per_output is None else np.minimum(per_output, begun, out=per_output)
        return Stretch(self._target_g, np.full(self._trials, math.inf) if per_output is None else per_output, let)

    def _least(
        self, flow: PlannedFlow, place: int, kept: Mapping[int, tuple[object, Trials, NDArray[np.bool_] | None]]
    ) -> Trials:
        """Grams of final product that a gram of a step's product allows: the least of all that takes from it."""
        first, *others = [kept[taker][1] * flow.feed_of(taker, place) for taker in self._takers[place]]
        for other in others:
            np.minimum(first, other, out=first)
        return first
