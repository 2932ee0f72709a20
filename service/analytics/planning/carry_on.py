"""In the middle of the work: what comes of what is in hand, how much of it is enough, and whether one more batch of an
earlier step pays first."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from service.analytics.forecast.draws import StepDraws, Trials
from service.analytics.planning.campaign import MOST_RATIO, mean_of
from service.analytics.planning.chain import reach_probability
from service.analytics.planning.graph import PlanStep

_ROUNDING = 1e-9
_FRACTIONS = 64
_HALVINGS = 20
_TO_FILL = 48
_FEWER = 8

Ratio = Callable[[int, int], Trials]
"""Grams of product per gram of key input of a step (its place) over so many batches, a value a trial."""


@dataclass(frozen=True, slots=True)
class Carrying:
    """What is in hand carried through all steps that it can be carried through.

    ``feed_g``: expected key input of every step, 0 of those that are not run; ``batches`` of each; ``final_g`` grams of
    product in every trial, shape (trials,), what is in hand of the product itself among them.
    """

    feed_g: tuple[float, ...]
    batches: tuple[int, ...]
    final_g: Trials


@dataclass(frozen=True, slots=True)
class OneMore:
    """One more batch of a step before what is in hand is carried on.

    ``cost``: money for the batch and for carrying on what it gives, None where a price is not known; ``spared``: by
    how much the expected cost of what falls short sinks, with its Monte Carlo uncertainty; ``pays`` where it sinks by
    more than the cost.
    """

    code: str
    batch_g: float
    cost: float | None
    short_g: float
    spared: float | None
    monte_carlo_u: float | None
    p_reach: float
    pays: bool | None


@dataclass(slots=True)
class Stages:
    """The steps of a plan with their draws. ``expected``: grams of product per gram of key input, failures included."""

    steps: Sequence[PlanStep]
    draws: Sequence[StepDraws]
    expected: Sequence[float] = field(init=False)
    share: Mapping[tuple[int, int], float] = field(init=False)

    def __post_init__(self) -> None:
        self.expected = [
            mean_of(self.ratio(place, 1), heavy=step.forecast.scale == "ln") for place, step in enumerate(self.steps)
        ]
        self.share = self._shares()

    def ratio(self, place: int, batches: int) -> Trials:
        """Return the step's ratio over ``batches`` batches in every trial."""
        return self._grams(place, self.draws[place].success(batches))

    def further(self, place: int, before: int, batches: int) -> Trials:
        """Return the step's ratio over ``batches`` more batches, after ``before``."""
        return self._grams(place, self.draws[place].further(before, batches))

    def _grams(self, place: int, yields: Trials) -> Trials:
        return np.minimum(yields * self.steps[place].factor_g_per_g, MOST_RATIO)

    def _shares(self) -> dict[tuple[int, int], float]:
        """The part of a step's product that each taker has, in proportion to the bill: by (taker, maker)."""
        wanted = [0.0] * len(self.steps)
        wanted[-1] = 1.0
        taken: dict[tuple[int, int], float] = {}
        for place in range(len(self.steps) - 1, -1, -1):
            for earlier, grams in self.steps[place].upstream:
                taken[place, earlier] = wanted[place] / self.expected[place] * grams
                wanted[earlier] += taken[place, earlier]
        return {edge: grams / wanted[edge[1]] if wanted[edge[1]] else 1.0 for edge, grams in taken.items()}

    def batches_for(self, place: int, feed_g: float) -> int:
        """Return how many batches a feed takes; none for no feed."""
        largest = self.steps[place].largest_g
        if feed_g <= 0.0:
            return 0
        return 1 if largest is None else max(1, math.ceil(feed_g / largest * (1 - _ROUNDING)))


def carry(stages: Stages, in_hand_g: Sequence[Trials | float], ratio: Ratio | None = None) -> Carrying:
    """Return what comes of what is in hand, nothing new begun.

    ``in_hand_g``: grams of every step's product, by place, a number or a value a trial. A step is run where all that
    other steps bring to it is in hand or is made from what is; the least of its inputs sets its feed; what two steps
    take is shared between them as the bill has it; a feed never exceeds the batches that were meant for the expected
    one, at their largest. ``ratio`` stands in for the steps' own draws.

    >>> from service.analytics.forecast.draws import seed_for, step_draws
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> known = forecast_step([0.6, 0.6], 0, mass_ratio=False, pi0=0.0)
    >>> steps = [PlanStep("a", known, 1.0), PlanStep("b", known, 1.0, ((0, 1.0),))]
    >>> stages = Stages(steps, [step_draws(known, seed_for("r", step.code), 1024) for step in steps])
    >>> found = carry(stages, [10.0, 2.0])
    >>> found.batches, bool((found.final_g == 10.0 * stages.ratio(1, 1) + 2.0).all())
    ((0, 1), True)
    """
    drawn = stages.ratio if ratio is None else ratio
    feeds, counts = _expected(stages, [float(np.mean(grams)) for grams in in_hand_g])
    on_hand: list[Trials] = []
    for place, step in enumerate(stages.steps):
        held = np.asarray(in_hand_g[place], dtype=np.float64)
        if counts[place]:
            feed = _least(stages, step, place, on_hand)
            if step.largest_g is not None:
                feed = np.minimum(feed, counts[place] * step.largest_g)
            held = held + feed * drawn(place, counts[place])
        on_hand.append(held)
    shape = (stages.draws[0].trials,)
    return Carrying(tuple(feeds), tuple(counts), np.broadcast_to(on_hand[-1], shape))


def _least(stages: Stages, step: PlanStep, place: int, on_hand: Sequence[Trials]) -> Trials:
    brought = [on_hand[earlier] * stages.share[place, earlier] / grams for earlier, grams in step.upstream]
    feed = brought[0]
    for other in brought[1:]:
        feed = np.minimum(feed, other)
    return feed


def _expected(stages: Stages, in_hand_g: Sequence[float]) -> tuple[list[float], list[int]]:
    """Expected feeds, and the batches meant for them."""
    feeds: list[float] = []
    on_hand: list[float] = []
    for place, step in enumerate(stages.steps):
        brought = [on_hand[earlier] * stages.share[place, earlier] / grams for earlier, grams in step.upstream]
        feeds.append(min(brought, default=0.0))
        on_hand.append(in_hand_g[place] + feeds[place] * stages.expected[place])
    return feeds, [stages.batches_for(place, feed) for place, feed in enumerate(feeds)]


def most_to_carry(stages: Stages, in_hand_g: Sequence[float], target_g: float) -> tuple[tuple[float, ...], float]:
    """Return how much of what is in hand, by place, gives the best chance of the target, and that chance.

    All of it, but where a little less takes one batch less of a step that seldom fails: then what fills the fewer
    batches.

    >>> from service.analytics.forecast.draws import seed_for, step_draws
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> known = forecast_step([0.6, 0.6], 0, mass_ratio=False, pi0=0.0)
    >>> steps = [PlanStep("a", known, 1.0), PlanStep("b", known, 1.0, ((0, 1.0),))]
    >>> stages = Stages(steps, [step_draws(known, seed_for("r", step.code), 1024) for step in steps])
    >>> most_to_carry(stages, [50.0, 2.0], 5.0)[0]
    (50.0, 2.0)
    """
    parts = _Parts(stages, in_hand_g)
    best = max([1.0, *parts.full_batches()], key=lambda of: (parts.p_reach(of, target_g), of))
    return parts.of(best), parts.p_reach(best, target_g)


def least_to_carry(
    stages: Stages, in_hand_g: Sequence[float], target_g: float, confidence: float
) -> tuple[float, ...] | None:
    """Return how much of what is in hand is enough, by place; None where no part of it is.

    On one line what lies nearest the product is taken first, as it has least to lose; where branches meet, the same
    part of everything. Where a larger feed takes one more batch the probability steps back: the least of 64 parts that
    reaches is taken, and halved towards the one below it.

    >>> from service.analytics.forecast.draws import seed_for, step_draws
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> known = forecast_step([0.6, 0.6], 0, mass_ratio=False, pi0=0.0)
    >>> steps = [PlanStep("a", known, 1.0), PlanStep("b", known, 1.0, ((0, 1.0),))]
    >>> stages = Stages(steps, [step_draws(known, seed_for("r", step.code), 1024) for step in steps])
    >>> first, last = least_to_carry(stages, [50.0, 2.0], 5.0, 0.9)
    >>> last, 3.0 / 0.6 < first < 50.0
    (2.0, True)
    """
    parts = _Parts(stages, in_hand_g)

    def reaches(of: float) -> bool:
        return parts.p_reach(of, target_g) >= confidence - 1e-12

    tried = sorted({*(at / _FRACTIONS for at in range(1, _FRACTIONS + 1)), *parts.full_batches()})
    high = next((of for of in tried if reaches(of)), None)
    if high is None:
        return None
    low = max((of for of in tried if of < high), default=0.0)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (low, middle) if reaches(middle) else (middle, high)
    return parts.of(high)


class _Parts:
    """What is in hand taken in part: 0 nothing, 1 all."""

    def __init__(self, stages: Stages, in_hand_g: Sequence[float]) -> None:
        self._stages, self._in_hand_g = stages, in_hand_g
        self._held = [place for place, grams in enumerate(in_hand_g) if grams > 0.0]
        self._line = not any(len(step.upstream) > 1 for step in stages.steps)

    def of(self, part: float) -> tuple[float, ...]:
        """Grams by place: on a line from the product backwards, else of everything alike."""
        if not self._line:
            return tuple(grams * part for grams in self._in_hand_g)
        taken = [0.0] * len(self._in_hand_g)
        left = part * len(self._held)
        for place in reversed(self._held):
            taken[place] = self._in_hand_g[place] * min(1.0, max(0.0, left))
            left -= 1.0
        return tuple(taken)

    def p_reach(self, part: float, target_g: float) -> float:
        return reach_probability(carry(self._stages, self.of(part)).final_g, 1.0, target_g)[0]

    def full_batches(self) -> list[float]:
        """The parts at which the expected feed of a step just fills fewer batches than it has."""
        found = []
        all_of_it, counts = _expected(self._stages, self._in_hand_g)
        for place, step in enumerate(self._stages.steps):
            if step.largest_g is None:
                continue
            for count in range(max(1, counts[place] - _FEWER), counts[place]):
                low, high = 0.0, 1.0
                for _ in range(_TO_FILL):
                    middle = (low + high) / 2
                    fills = _expected(self._stages, self.of(middle))[0][place] <= count * step.largest_g
                    low, high = (middle, high) if fills else (low, middle)
                if low > 0.0 and all_of_it[place] > 0.0:
                    found.append(low)
        return found


def one_more_batch(
    stages: Stages,
    in_hand_g: Sequence[float],
    place: int,
    batch_g: float,
    target_g: float,
    worth_per_g: float | None,
) -> OneMore | None:
    """Return what one more batch of a step would do before all is carried on; None where it helps nothing.

    Its input is bought, or made, at its replacement cost; its yield is drawn beside those of the batches that are
    carried anyway, of one level with them. ``batch_g``: its key input. ``worth_per_g``: money that a gram of product
    that is missing costs. The same draws stand before and after.

    >>> from service.analytics.forecast.draws import seed_for, step_draws
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> known = forecast_step([0.6, 0.6], 0, mass_ratio=False, pi0=0.0)
    >>> steps = [PlanStep("a", known, 1.0, cost_per_g=0.01), PlanStep("b", known, 1.0, ((0, 1.0),), cost_per_g=0.01)]
    >>> stages = Stages(steps, [step_draws(known, seed_for("r", step.code), 1024) for step in steps])
    >>> found = one_more_batch(stages, [10.0, 0.0], 0, 20.0, 8.0, 5.0)
    >>> found.pays, round(found.cost, 2)
    (True, 0.32)
    """
    before = carry(stages, in_hand_g)
    extra = batch_g * stages.further(place, before.batches[place], 1)
    after_hand: list[Trials | float] = list(in_hand_g)
    after_hand[place] = in_hand_g[place] + extra
    after = carry(stages, after_hand)
    if not (after.final_g > before.final_g).any():
        return None
    short_before, short_after = (np.maximum(target_g - each.final_g, 0.0) for each in (before, after))
    spared = short_before - short_after
    cost = _cost_of(stages, place, batch_g, before, after)
    saved = None if worth_per_g is None else float(spared.mean()) * worth_per_g
    return OneMore(
        code=stages.steps[place].code,
        batch_g=batch_g,
        cost=cost,
        short_g=float(short_after.mean()),
        spared=saved,
        monte_carlo_u=None if worth_per_g is None else float(spared.std()) * worth_per_g / math.sqrt(spared.size),
        p_reach=reach_probability(after.final_g, 1.0, target_g)[0],
        pays=None if saved is None or cost is None else saved > cost,
    )


def _cost_of(stages: Stages, place: int, batch_g: float, before: Carrying, after: Carrying) -> float | None:
    """Money for the batch, its input at replacement cost, and for what it makes the later steps take more."""
    step = stages.steps[place]
    brought = [(stages.steps[earlier].product_cost_per_g, grams) for earlier, grams in step.upstream]
    if step.cost_per_g is None or any(each is None for each, _ in brought):
        return None
    total = batch_g * (step.cost_per_g + sum((each or 0.0) * grams for each, grams in brought)) + step.cost_per_batch
    for later, other in enumerate(stages.steps):
        feed = after.feed_g[later] - before.feed_g[later]
        more = after.batches[later] - before.batches[later]
        if feed > 0.0 or more > 0:
            if other.cost_per_g is None:
                return None
            total += feed * other.cost_per_g + more * other.cost_per_batch
    return total
