"""A plan begun in waves: less than the single start at first, more of it where too little is there after a step.

Where branches meet, a look may be taken on each of them, or after they met. What is begun again is all that feeds the
step looked at, at the plan's ratio; of steps that feed others besides no look is taken, as what is more of them would
not all come here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.analytics.forecast.draws import MOST_BATCHES, Trials
from service.analytics.planning.carry_on import Stages
from service.analytics.planning.graph import PlannedFlow

_NOTHING = np.zeros(1)
_Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Look:
    """Begin ``first`` times the single start of all that feeds step ``after`` (its place); where less than ``below_g``
    of what it makes is there, begin ``then`` times the single start of the same more."""

    after: int
    first: float
    below_g: float
    then: float


@dataclass(slots=True)
class Pass:
    """Steps carried out in every trial, by place. What depends on the looks behind a step is kept under their bits:
    1, 2, 4, … for the first, second, third look, where it led to a second wave.

    ``fed`` and ``made_again``: key input of all waves, and whether a second one is fed besides (a count of batches);
    ``left``: by (taker, maker), what of a step's first wave, in grams of feed, the taker had no use for.
    """

    on_hand: list[Trials]
    bits: list[int]
    expected: list[dict[int, float]]
    fed: list[Trials]
    counts: list[dict[int, int]]
    again: list[tuple[int, int]]
    left: dict[tuple[int, int], Trials]
    topped: NDArray[np.int64]

    def copy(self) -> Pass:
        """Return one that may go on by itself."""
        return Pass(
            list(self.on_hand),
            list(self.bits),
            list(self.expected),
            list(self.fed),
            list(self.counts),
            list(self.again),
            dict(self.left),
            self.topped,
        )


class Waves:
    """The single start of a plan, and whatever looks are taken on the way.

    ``flow``: the plan's; ``spares``: batches of every step beside those that its largest one asks for, in the first
    wave and onwards. A second wave has none: it is itself one.
    """

    def __init__(self, stages: Stages, flow: PlannedFlow, spares: Sequence[int]) -> None:
        self.stages, self.flow, self._spares = stages, flow, tuple(spares)
        self.trials = stages.draws[0].trials
        self.last = len(stages.steps) - 1
        steps = stages.steps
        self._fed_by = [
            tuple(e for e, _ in step.upstream if flow.batches[e]) if flow.batches[place] else ()
            for place, step in enumerate(steps)
        ]
        self.run = tuple(place for place in range(len(steps)) if flow.batches[place])
        self._cones = self._all_cones()
        self.begun = tuple(place for place in self.run if not self._fed_by[place])
        self._bare = [flow.needed_batches[p] + self._spares[p] for p in range(len(steps))]
        self._further: dict[tuple[int, int, int], Trials] = {}

    def _all_cones(self) -> list[frozenset[int]]:
        cones: list[frozenset[int]] = []
        for place in range(len(self.stages.steps)):
            cones.append(frozenset({place}).union(*(cones[e] for e in self._fed_by[place])))
        return cones

    def behind(self, place: int) -> frozenset[int]:
        """Return the places of all steps that feed one, itself among them."""
        return self._cones[place]

    def places_to_look(self) -> list[int]:
        """Return the places of steps after which a look can be taken: what feeds them feeds nothing else."""
        found = []
        for place in self.run:
            cone = self._cones[place]
            takers = (taker for taker in self.run for e in self._fed_by[taker] if e in cone and e != place)
            if all(taker in cone for taker in takers):
                found.append(place)
        return found

    def least(self, place: int) -> float:
        """Return the least wave, in times the single start, whose expected batches are not below the smallest."""
        return max(
            (
                (self.stages.steps[each].smallest_g or 0.0) / self.flow.feed_g[each]
                for each in self._cones[place]
                if self.flow.feed_g[each] > 0.0
            ),
            default=0.0,
        )

    def carried_out(self, looks: Sequence[Look]) -> Pass:
        """Return every step in every trial, as the workshop would have it; with no look, the single start."""
        done = self._begun_with(looks)
        for place in self.run:
            self._step(done, place, looks)
            for at, look in enumerate(looks):
                if look.after == place and look.then > 0.0:
                    short = done.on_hand[place] < look.below_g
                    self.top_up(done, at, look, np.broadcast_to(short, (self.trials,)))
        return done

    def _begun_with(self, looks: Sequence[Look]) -> Pass:
        many = len(self.stages.steps)
        return Pass(
            [_NOTHING] * many,
            [0] * many,
            [{0: 0.0} for _ in range(many)],
            [_NOTHING] * many,
            [{} for _ in range(many)],
            [(0, 0)] * many,
            {},
            np.zeros(self.trials, dtype=np.int64),
        )

    def until(self, looks: Sequence[Look], place: int) -> Pass:
        """Return all that does not hang on what is there after ``place``, its first wave among it."""
        done = self._begun_with(looks)
        for each in self.run:
            if each != place and place in self._cones[each]:
                continue
            self._step(done, each, looks)
            for at, look in enumerate(looks):
                if look.after == each != place and look.then > 0.0:
                    short = done.on_hand[each] < look.below_g
                    self.top_up(done, at, look, np.broadcast_to(short, (self.trials,)))
        return done

    def onwards(self, done: Pass, looks: Sequence[Look], place: int) -> Trials:
        """Return the product in every trial, all that comes after ``place`` carried out on ``done``."""
        for each in self.run:
            if each != place and place in self._cones[each]:
                self._step(done, each, looks)
        return done.on_hand[self.last]

    def looked_at(self, done: Pass, at: int, place: int, there_g: Trials, topped: _Mask) -> None:
        """Put what is there after a look, and who begins again, in place of its first wave."""
        bit = 1 << at
        done.topped = np.where(topped, done.topped | bit, done.topped & ~bit)
        done.on_hand[place] = there_g
        done.bits[place] = bit
        groups = ((0, ~topped), (bit, topped))
        done.expected[place] = {key: float(there_g[who].mean()) for key, who in groups if who.any()}

    def top_up(self, done: Pass, at: int, look: Look, topped: _Mask) -> None:
        """Carry out the second wave of a look where it is begun."""
        second = self.second(done, look.after, look.then)
        for place, (feed, count) in second.items():
            done.fed[place] = done.fed[place] + np.where(topped, feed, 0.0)
            done.again[place] = (1 << at, count)
        there = done.on_hand[look.after] + np.where(topped, self.brought(done, look.after, second), 0.0)
        self.looked_at(done, at, look.after, there, topped)

    def brought(self, done: Pass, place: int, second: dict[int, tuple[Trials, int]]) -> Trials:
        """Return what a second wave makes in a step."""
        feed, count = second[place]
        return feed * self._more(place, done.counts[place][0], count)

    def second(self, done: Pass, place: int, then: float) -> dict[int, tuple[Trials, int]]:
        """Return the feeds and the batches of a second wave, by place of all that feed ``place``.

        What the first wave left of a branch that brought too much is used up with it.
        """
        flow, found = self.flow, dict[int, tuple[Trials, int]]()
        made: dict[int, Trials] = {}
        expected: dict[int, float] = {}
        for each in (p for p in self.run if p in self._cones[place]):
            step = self.stages.steps[each]
            if fed_by := self._fed_by[each]:
                feed = _least(made[e] * flow.feed_of(each, e) + done.left.get((each, e), 0.0) for e in fed_by)
                meant = min(expected[e] * flow.feed_of(each, e) for e in fed_by)
            else:
                meant = then * flow.feed_g[each]
                feed = np.full(1, meant)
            before = done.counts[each][0]
            count = max(1, min(MOST_BATCHES - before, self.stages.batches_for(each, meant)))
            if step.largest_g is not None:
                feed = np.minimum(feed, count * step.largest_g)
            if (held := self._held(each)) < math.inf:
                feed = np.minimum(feed, np.maximum(held - done.fed[each], 0.0))
            found[each] = (feed, count)
            if each != place:
                made[each] = feed * self._more(each, before, count)
                expected[each] = meant * self.stages.expected[each]
        return found

    def _more(self, place: int, before: int, count: int) -> Trials:
        key = (place, before, count)
        if key not in self._further:
            self._further[key] = self.stages.further(*key)
        return self._further[key]

    def _held(self, place: int) -> float:
        """Feed that inputs wholly from stock suffice for."""
        found = math.inf
        for earlier, _ in self.stages.steps[place].upstream:
            if not self.flow.batches[earlier]:
                found = min(found, self.stages.steps[earlier].stock_g * self.flow.feed_of(place, earlier))
        return found

    def _step(self, done: Pass, place: int, looks: Sequence[Look]) -> None:
        """Carry out one step; in its first wave, where it lies behind a look."""
        flow, step, fed_by = self.flow, self.stages.steps[place], self._fed_by[place]
        first = next((look.first for look in looks if place in self._cones[look.after]), 1.0)
        bits = 0
        for each in fed_by:
            bits |= done.bits[each]
        whole = first == 1.0 and not any(look.after != place and look.after in self._cones[place] for look in looks)
        brought = {e: done.on_hand[e] * flow.feed_of(place, e) for e in fed_by}
        feed = _least(brought.values()) if brought else np.full(1, first * flow.feed_g[place])
        held = self._held(place)
        done.counts[place], done.expected[place], done.bits[place] = {}, {}, bits
        groups = list(self._groups(done, bits))
        for key, _ in groups:
            meant = min(
                (done.expected[e][key & done.bits[e]] * flow.feed_of(place, e) for e in fed_by),
                default=first * flow.feed_g[place],
            )
            if whole:
                count, there = min(MOST_BATCHES, self._bare[place]), flow.product_g[place]
            else:
                count = min(MOST_BATCHES, max(1, self.stages.batches_for(place, meant)) + self._spares[place])
                there = meant * self.stages.expected[place] + flow.from_stock_g[place]
            done.counts[place][key], done.expected[place][key] = count, there
        if len(set(done.counts[place].values())) == 1:
            groups = [(groups[0][0], None)]  # as many batches whatever the looks led to
        fed, made = np.empty(self.trials), np.empty(self.trials)
        for key, who in groups:
            count, at = done.counts[place][key], slice(None) if who is None else who
            most = min(held, math.inf if step.largest_g is None or not brought else count * step.largest_g)
            mine = feed if who is None or feed.size == 1 else feed[who]
            mine = np.minimum(mine, most) if most < math.inf else mine
            fed[at], made[at] = mine, mine * self.stages.ratio(place, count)[at] + flow.from_stock_g[place]
        done.fed[place], done.on_hand[place] = fed, made
        for each, grams in brought.items():
            done.left[place, each] = grams - fed

    def _groups(self, done: Pass, bits: int) -> Iterator[tuple[int, _Mask | None]]:
        """The trials by which of the looks behind a step led to a second wave; None for all of them."""
        if not bits:
            yield 0, None
            return
        here, key = done.topped & bits, bits
        while key >= 0:
            who = here == key
            if who.any():
                yield key, who
            key = (key - 1) & bits if key else -1

    def money(self, done: Pass) -> Trials | None:
        """Return the money that is used up in every trial, None where a cost is not known.

        Bought inputs at their replacement cost, what a batch costs besides, and what is taken from stock.
        """
        total = np.zeros(self.trials)
        for place, step in enumerate(self.stages.steps):
            taken = self._taken(done, place)
            if step.product_cost_per_g is None and self.flow.from_stock_g[place]:
                return None
            total = total + taken * (step.product_cost_per_g or 0.0)
            if not self.flow.batches[place]:
                continue
            if step.cost_per_g is None:
                return None
            total = total + done.fed[place] * step.cost_per_g
            bit, more = done.again[place]
            total = total + np.where(done.topped & bit, more, 0) * step.cost_per_batch
            for key, who in self._groups(done, done.bits[place] & ~bit):
                total[slice(None) if who is None else who] += done.counts[place][key] * step.cost_per_batch
        return total

    def _taken(self, done: Pass, place: int) -> Trials | float:
        """Grams of a step's product that are taken from stock."""
        if self.flow.batches[place] or not self.flow.from_stock_g[place]:
            return self.flow.from_stock_g[place]
        return sum(
            (
                done.fed[taker] / self.flow.feed_of(taker, place)
                for taker in self.run
                for earlier, _ in self.stages.steps[taker].upstream
                if earlier == place
            ),
            np.zeros(1),
        )


def _least(values: Iterable[Trials]) -> Trials:
    first, *others = values
    for other in others:
        first = np.minimum(first, other)
    return first
