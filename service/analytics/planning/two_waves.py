"""The two-wave plan: begin with less, look at what is there after a step, and begin again only where it is too little.

The single start must be large enough for the unlucky; the second wave is begun by the unlucky alone, who by then know
that they are. Level and chance of failure of a step are those of the first wave, its yields are new.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.analytics.forecast.draws import MOST_BATCHES, Trials
from service.analytics.planning.carry_on import Stages
from service.analytics.planning.chain import reach_probability

_FIRST = tuple(float(each) for each in np.round(np.arange(0.30, 1.001, 0.07), 2))
_LOOKS = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
_ROUNDS = 4
_RAISE = 1.03
_MOST_RAISES = 8
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Rule:
    """Begin with ``first`` times the single start; where less than ``below_g`` is there after step ``after`` (its
    place), begin ``then`` times the single start more.

    ``p_reach`` with its Monte Carlo uncertainty; ``p_topped_up``: how often there is a second wave; ``expected``: what
    is begun on the average, in times the single start, and ``expected_u`` its Monte Carlo uncertainty. ``batches``: of
    the first wave, by step up to ``after``.
    """

    after: int
    first: float
    below_g: float
    then: float
    p_reach: float
    monte_carlo_u: float
    p_topped_up: float
    expected: float
    expected_u: float
    batches: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class _Wave:
    """A first wave up to a step: what is there then in every trial, and the batches that it took of each step."""

    there_g: Trials
    batches: tuple[int, ...]


class TwoWaves:
    """One line of steps begun with a bought input; ``single_g``: key input of its first step in the single start.

    ``in_hand_g``: grams of every step's product that are there already and are carried on with the first wave.
    ``spares``: batches of every step beside those that its largest one asks for, in the first wave and onwards.
    """

    def __init__(
        self,
        stages: Stages,
        single_g: float,
        in_hand_g: Sequence[float],
        target_g: float,
        confidence: float,
        spares: Sequence[int] = (),
    ) -> None:
        self._spares = tuple(spares) or (0,) * len(stages.steps)
        self._stages, self._single_g, self._in_hand_g = stages, single_g, in_hand_g
        self._target_g, self._confidence = target_g, confidence
        self._trials = stages.draws[0].trials
        self._needed = math.ceil(confidence * self._trials - _ROUNDING)
        smallest = stages.steps[0].smallest_g or 0.0
        self._least = smallest / single_g

    def carried_out(self, after: int, first: float, below_g: float, then: float) -> Rule:
        """Return what a rule gives, in every trial as the workshop would have it."""
        wave = self._first(after, first)
        topped = wave.there_g < below_g if then > 0.0 else np.zeros(self._trials, dtype=bool)
        there = wave.there_g + np.where(topped, self._second(after, wave, then), 0.0) if then > 0.0 else wave.there_g
        final_g = self._onwards(after, there, topped)
        p_reach, u = reach_probability(final_g, 1.0, self._target_g)
        often = float(topped.mean())
        spread = then * math.sqrt(often * (1.0 - often) / self._trials)
        return Rule(after, first, below_g, then, p_reach, u, often, first + then * often, spread, wave.batches)

    def best(self) -> Rule:
        """Return the rule that begins least on the average of those gone through; the single start is one
        of them.

        A looking point after every step, eleven sizes of the first wave and ten amounts below which it is topped up:
        for each the least second wave that reaches follows from the trials, and is carried out before it is taken.
        """
        last = len(self._stages.steps) - 1
        found = self.carried_out(last, 1.0, 0.0, 0.0)
        for after in range(last + 1):
            for first in _FIRST:
                if first < self._least or first >= found.expected:
                    continue
                wave = self._first(after, first)
                for below_g in self._looks(after, wave):
                    rule = self._least_second(after, first, below_g, wave, found.expected)
                    if rule is not None and rule.expected < found.expected:
                        found = rule
        return found

    def _looks(self, after: int, wave: _Wave) -> list[float]:
        """Amounts below which a second wave may be begun: of the product itself there is one that makes sense."""
        if after == len(self._stages.steps) - 1:
            return [self._target_g]
        looks = np.unique(np.quantile(wave.there_g, _LOOKS)).tolist()
        return [float(each) for each in looks if each > 0.0]

    def _least_second(self, after: int, first: float, below_g: float, wave: _Wave, limit: float) -> Rule | None:
        """The rule with the least second wave that reaches the target often enough; None where none does."""
        topped = wave.there_g < below_g
        often = float(topped.mean())
        if first + often * self._least >= limit:
            return None
        wanting = np.flatnonzero(topped)
        alone = self._onwards(after, wave.there_g, topped)
        reached = alone >= self._target_g * (1 - _ROUNDING)
        missing = self._needed - int(np.count_nonzero(reached & ~topped))
        if missing > wanting.size:
            return None
        then = max(0.5, self._least)
        for _ in range(_ROUNDS):
            before = then
            guess = self._second_for(after, wave, topped, wanting, missing, then)
            if guess is None or first + often * guess >= limit * 1.1:
                return None
            then = max(guess, self._least)
            if then == 0.0 or abs(then - before) <= 1e-9 * then:
                break
        for _ in range(_MOST_RAISES):
            if first + often * then >= limit:
                return None
            rule = self.carried_out(after, first, below_g, then)
            if rule.p_reach >= self._confidence - 1e-12:
                return rule
            then *= _RAISE
        return None

    def _second_for(
        self, after: int, wave: _Wave, topped: NDArray[np.bool_], wanting: NDArray[np.intp], missing: int, then: float
    ) -> float | None:
        """The least second wave with the batches that ``then`` takes, an order statistic of what trials need."""
        if missing <= 0:
            return 0.0
        per_start = self._second(after, wave, then) / then
        there = wave.there_g + then * per_start
        onwards = self._onwards(after, there, topped)
        bare = self._onwards(after, np.zeros(self._trials), topped)
        tail = np.divide(onwards - bare, there, out=np.zeros(self._trials), where=there > 0)[wanting]
        gives = tail * per_start[wanting]
        lacking = np.maximum(self._target_g - bare[wanting] - tail * wave.there_g[wanting], 0.0)
        need = np.full(wanting.size, math.inf)
        np.divide(lacking, gives, out=need, where=gives > 0)
        need[lacking <= 0.0] = 0.0
        found = float(np.partition(need, missing - 1)[missing - 1])
        return found if math.isfinite(found) else None

    def _first(self, after: int, first: float) -> _Wave:
        stages, feed = self._stages, np.full(self._trials, first * self._single_g)
        expected, batches, there = first * self._single_g, [], feed
        for place in range(after + 1):
            step = stages.steps[place]
            if place:
                grams = step.upstream[0][1]
                feed, expected = there / grams, expected / grams
            count = self._batches(place, expected)
            if step.largest_g is not None:
                feed = np.minimum(feed, count * step.largest_g)
            there = feed * stages.ratio(place, count) + self._in_hand_g[place]
            expected = expected * stages.expected[place] + self._in_hand_g[place]
            batches.append(count)
        return _Wave(there, tuple(batches))

    def _batches(self, place: int, feed_g: float) -> int:
        return min(MOST_BATCHES, max(1, self._stages.batches_for(place, feed_g)) + self._spares[place])

    def _second(self, after: int, wave: _Wave, then: float) -> Trials:
        """What a second wave brings to where it was looked at."""
        stages, there = self._stages, np.full(self._trials, then * self._single_g)
        expected = then * self._single_g
        for place in range(after + 1):
            step = stages.steps[place]
            if place:
                grams = step.upstream[0][1]
                there, expected = there / grams, expected / grams
            count = max(1, min(MOST_BATCHES - wave.batches[place], stages.batches_for(place, expected)))
            if step.largest_g is not None:
                there = np.minimum(there, count * step.largest_g)
            there = there * stages.further(place, wave.batches[place], count)
            expected *= stages.expected[place]
        return there

    def _onwards(self, after: int, there: Trials, topped: NDArray[np.bool_]) -> Trials:
        """Product in every trial, what is there carried on in the batches expected with and without a top-up."""
        stages = self._stages
        groups = [group for group in (~topped, topped) if group.any()]
        means = [float(there[group].mean()) for group in groups]
        for place in range(after + 1, len(stages.steps)):
            step = stages.steps[place]
            grams = step.upstream[0][1]
            there = there / grams
            made = np.zeros(self._trials)
            for at, group in enumerate(groups):
                count = self._batches(place, means[at] / grams)
                feed = there[group]
                if step.largest_g is not None:
                    feed = np.minimum(feed, count * step.largest_g)
                made[group] = feed * stages.ratio(place, count)[group] + self._in_hand_g[place]
                means[at] = means[at] / grams * stages.expected[place] + self._in_hand_g[place]
            there = made
        return there


def one_line(stages: Stages) -> bool:
    """Whether every step takes the product of the one before it and of no other, as a rule of two waves asks.

    >>> from service.analytics.forecast.draws import seed_for, step_draws
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> known = forecast_step([0.6, 0.7, 0.5], 0, mass_ratio=False, pi0=0.0)
    >>> from service.analytics.planning.graph import PlanStep
    >>> steps = [PlanStep("a", known, 1.0), PlanStep("b", known, 1.0, ((0, 1.0),))]
    >>> stages = Stages(steps, [step_draws(known, seed_for("r", step.code), 4096) for step in steps])
    >>> found = TwoWaves(stages, 50.0, [0.0, 0.0], 10.0, 0.9).best()
    >>> one_line(stages), found.first < found.expected < 1.0, found.p_reach >= 0.9
    (True, True, True)
    """
    return all(
        tuple(earlier for earlier, _ in step.upstream) == ((place - 1,) if place else ())
        for place, step in enumerate(stages.steps)
    )
