"""The search for the least output to plan for that reaches a target, whatever batch counts it goes through."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cached_property

import numpy as np

from service.analytics.forecast.draws import MOST_BATCHES, Trials
from service.analytics.planning.campaign import Campaigns, Outcomes, mean_of
from service.analytics.planning.chain import (
    EXACT,
    all_fail,
    least_root,
    order_statistic,
    p_max,
    reach_probability,
    scaled,
    starting_amount,
)
from service.analytics.planning.graph import BILL, Over, PlannedFlow, PlanStep, planned_flow
from service.analytics.planning.planned import Campaign, Need, PlannedStep
from service.analytics.planning.stretch import Stretches, in_proportion, wanted_trials
from service.errors import NotComputable

_JUST_ABOVE = 1 + 1e-9
_LEAST_STRETCH = 1 + 1e-6
_SHORT_OF = 0.85
_FEW_STRETCHES = 4
_SURE_OF = 5  # standard uncertainties of the trials
"""So many stretches are sooner gone through than passed over."""


class Search:
    """One question at one ratio of branches, and the flow that answers it.

    ``wanted``: spare batches in any case, a step; ``over``: what some branches are over-provided by.
    ``stretches``: those of another ratio of branches of the same question.
    """

    def __init__(
        self,
        steps: Sequence[PlanStep],
        final: int,
        campaigns: Campaigns,
        target_g: float,
        confidence: float,
        wanted: tuple[int, ...],
        over: Over = BILL,
        stretches: Stretches | None = None,
    ) -> None:
        self.campaigns = campaigns
        self._steps = steps
        self._final = final
        self.target_g = target_g
        self.confidence = confidence
        self._wanted = wanted
        self._over = over
        self._spares: dict[tuple[int, ...], tuple[int, ...]] = {}
        self._margins: dict[float, float] = {}
        self._trials = self.campaigns.ratio(final, 1).size
        self._none = (0,) * len(steps)
        self.stretches: Stretches | None = None
        if in_proportion(steps[: final + 1]):
            self.stretches = stretches or Stretches(steps, final, target_g, self._trials, campaigns.ratio)

    def flow_without_spares(self, output_g: float) -> PlannedFlow:
        """The flow that the steps' limits alone ask for."""
        return self._planned(output_g, self._none)

    def _planned(self, output_g: float, spares: Sequence[int]) -> PlannedFlow:
        return planned_flow(self._steps, self.campaigns.expected_ratio, self._final, output_g, spares, self._over)

    def flow_at_the_mean(self) -> PlannedFlow:
        """The flow that the steps' mean yields would ask for, with no thought of failures or of bad luck."""
        expected = zip(self._steps, self.campaigns.expected_ratio, strict=True)
        ratios = [fallback if step.mean_ratio is None else step.mean_ratio for step, fallback in expected]
        return planned_flow(self._steps, ratios, self._final, self.target_g, self._none)

    def least_flow(self, above_g: float = 0.0, up_to_g: float = math.inf) -> PlannedFlow:
        """The flow of the least output that reaches the target at the confidence.

        No output below confidence x target can reach it: the chance is at most the mean of the final amount over the
        target (Markov's inequality), and that mean is at most the output; a tenth is left for the draws' own scatter.
        ``above_g`` and ``up_to_g``: outputs up to the one are known not to reach it, and the other is known to.
        """
        low = max(0.9 * self.confidence * self.target_g, above_g)
        return self._by_steps(low, up_to_g) if self.stretches is None else self._by_stretches(self.stretches, low)

    @cached_property
    def never_needs_spares(self) -> bool:
        """Whether one batch a step is as sure as is asked: no count of batches and no amount then adds a spare one."""
        once = [(step.forecast.failures_a, step.forecast.failures_b, 1) for step in self._steps[: self._final + 1]]
        return p_max(once) > self.confidence + _SURE_OF * self._u

    @property
    def _u(self) -> float:
        return math.sqrt(self.confidence * (1 - self.confidence) / self._trials)

    def _by_stretches(self, stretches: Stretches, low: float) -> PlannedFlow:
        """The flow of the least output from ``low`` on, where each stretch of constant counts has a closed form."""
        bounded = True
        while True:
            start = low * _JUST_ABOVE
            flow = self._within_bounds(start)
            high = max(flow.next_change_g, low * _LEAST_STRETCH)
            stretch = stretches.of(flow)
            if stretch.reaches(high, self.confidence):
                least = stretch.least_output(self.confidence)
                if math.isinf(least):
                    raise NotComputable(
                        "no amount reaches the target at this confidence", code="confidence-out-of-reach"
                    )
                return self._flow(min(max(least, start), high))
            if bounded:
                # What the present batches would take if they had no limit is most often some way beyond the least.
                beyond = _SHORT_OF * stretch.least_output(self.confidence, limited=False)
                bound = self._bound(stretches, flow, beyond)
                bounded = bound > high
                low = max(high, bound)
            else:
                low = high

    def _within_bounds(self, output_g: float) -> PlannedFlow:
        flow = self._flow(output_g)
        if max(flow.batches) > MOST_BATCHES:
            raise NotComputable(
                f"{self.target_g:g} g would take more than {MOST_BATCHES} batches of one step: "
                "state a larger batch or a smaller target",
                code="too-many-batches",
            )
        return flow

    def _bound(self, stretches: Stretches, flow: PlannedFlow, guess: float) -> float:
        """An output up to ``guess``, from that of ``flow`` on, below which none reaches, however its batches fall.

        In every trial no count of batches in between gives more than the greatest ratio over them all, so that what
        that gives reaches no later. 0 where the stretches in between are fewer than is worth it.
        """
        if math.isinf(guess) or guess <= flow.output_g:
            return 0.0
        beyond = self._flow(guess)
        counts = list(zip(flow.batches, beyond.batches, strict=True))
        if max(beyond.batches) > MOST_BATCHES or sum(most - fewest for fewest, most in counts) <= _FEW_STRETCHES:
            return 0.0
        spare = max(
            count - needed
            for each in (flow, beyond)
            for count, needed in zip(each.batches, each.needed_batches, strict=True)
        )
        greatest = {
            place: self.campaigns.greatest_ratio(place, fewest, max(fewest, most) + spare)
            for place, (fewest, most) in enumerate(zip(flow.needed_batches, beyond.needed_batches, strict=True))
            if most
        }
        return min(guess, stretches.of(beyond, greatest).least_output(self.confidence) * (1 - 1e-9))

    def _by_steps(self, low: float, known_g: float) -> PlannedFlow:
        """The flow of the least output from ``low`` to ``known_g``, which reaches the target.

        Each stretch is searched: stock and smallest batches bend it.
        """
        while True:
            start = low * _JUST_ABOVE
            flow = self._within_bounds(start)
            high = max(min(flow.next_change_g, known_g), low * _LEAST_STRETCH)
            # What is reached rises along a stretch, so that its end decides.
            if not math.isinf(high) and not self._reaches(high):
                low = high
                continue
            if self._margin(start) >= 0:
                return flow
            if math.isinf(high):
                high = self._far_enough(start)
            return self._flow(least_root(self._margin, start, high))

    def best_spare(self, batches: Sequence[int]) -> int | None:
        """The step where one more batch raises the logarithm of the greatest reach most per cost; None where none."""
        best, best_gain = None, 0.0
        for place, (step, count) in enumerate(zip(self._steps, batches, strict=True)):
            if count:
                a, b = step.forecast.failures_a, step.forecast.failures_b
                now, then = (1 - all_fail(a, b, some) for some in (count, count + 1))
                gain = math.inf if now <= 0 < then else math.log(then / now) if now > 0 else 0.0
                if gain / step.spare_cost > best_gain:
                    best, best_gain = place, gain / step.spare_cost
        return best

    def as_planned(self, flow: PlannedFlow) -> Campaign:
        """The flow as planned, with its chance: it needs what is planned, and gives what is wanted of it."""
        final_g = self.campaigns.per_trial(self.campaigns.carry_out(flow).final_g)
        p_reach, u = reach_probability(final_g, 1.0, self.target_g)
        planned = tuple(
            PlannedStep(
                code=step.code,
                key_input_g=flow.feed_g[place],
                batches=flow.batches[place],
                spare_batches=flow.batches[place] - flow.needed_batches[place],
                expected_product_g=flow.product_g[place] - flow.from_stock_g[place],
                from_stock_g=flow.from_stock_g[place],
                expected_key_input_g=flow.feed_g[place],
            )
            for place, step in enumerate(self._steps[: self._final + 1])
        )
        materials = self._needs(flow, None, heavy=False)
        return Campaign(planned, self._starting(materials), materials, p_reach, u, final_g)

    def _starting(self, materials: Mapping[str, Need]) -> dict[str, Need]:
        keys = {bought.material for step in self._steps for bought in step.bought if bought.key}
        return {material: need for material, need in materials.items() if material in keys}

    def described(self, flow: PlannedFlow) -> Campaign:
        """The flow carried out in every trial, and what it needs."""
        outcomes = self.campaigns.carry_out(flow)
        final_g = self.campaigns.per_trial(outcomes.final_g)
        p_reach, u = reach_probability(final_g, 1.0, self.target_g)
        heavy = any(step.forecast.scale == "ln" for step in self._steps)
        materials = self._needs(flow, outcomes, heavy=heavy)
        left_g = self._left_over(flow, outcomes)
        planned = tuple(
            PlannedStep(
                code=step.code,
                key_input_g=flow.feed_g[place],
                batches=flow.batches[place],
                spare_batches=flow.batches[place] - flow.needed_batches[place],
                expected_product_g=mean_of(outcomes.product_g[place], heavy=heavy),
                from_stock_g=flow.from_stock_g[place],
                expected_key_input_g=mean_of(outcomes.feed_g[place], heavy=heavy),
                expected_left_g=mean_of(left_g[place], heavy=heavy),
            )
            for place, step in enumerate(self._steps[: self._final + 1])
        )
        return Campaign(planned, self._starting(materials), materials, p_reach, u, final_g)

    def needs_of(self, flow: PlannedFlow) -> dict[str, Need]:
        """What the flow needs, the trials carried out for nothing else."""
        heavy = any(step.forecast.scale == "ln" for step in self._steps)
        return self._needs(flow, self.campaigns.carry_out(flow), heavy=heavy)

    def _needs(self, flow: PlannedFlow, outcomes: Outcomes | None, *, heavy: bool) -> dict[str, Need]:
        needs: dict[str, Need] = {}
        for place, step in enumerate(self._steps[: self._final + 1]):
            if not flow.batches[place] or not step.bought:
                continue
            planned_feed = high_feed = mean_feed = flow.feed_g[place]
            if outcomes is not None and (feeds := outcomes.feed_g[place]).size > 1:
                reached = wanted_trials(self.confidence, feeds.size) - 1
                high_feed = max(planned_feed, order_statistic(feeds, reached))
                mean_feed = mean_of(feeds, heavy=heavy)
            for bought in step.bought:
                before = needs.get(bought.material, Need(0.0, 0.0))
                each_batch = flow.batches[place] * bought.g_per_batch
                needs[bought.material] = Need(
                    before.planned_g + planned_feed * bought.g_per_g + each_batch,
                    before.need_g + high_feed * bought.g_per_g + each_batch,
                    before.expected_g + mean_feed * bought.g_per_g + each_batch,
                )
        return needs

    def _left_over(self, flow: PlannedFlow, outcomes: Outcomes) -> list[Trials]:
        """What is left of every step's product once those that it feeds are fed, grams a trial; none of the last's."""
        left = [
            product + from_stock if from_stock else product
            for product, from_stock in zip(outcomes.product_g, flow.from_stock_g, strict=False)
        ]
        for place, step in enumerate(self._steps[: self._final + 1]):
            for earlier, grams in step.upstream if flow.batches[place] else ():
                left[earlier] = left[earlier] - scaled(outcomes.feed_g[place], grams)
        left[self._final] = np.zeros(1)
        return [np.maximum(each, 0.0) for each in left]

    def _reaches(self, output_g: float) -> bool:
        """Whether a share ``confidence`` of the trials reaches the target."""
        if output_g in self._margins:
            return self._margins[output_g] >= -EXACT
        final_g = self.campaigns.per_trial(self.campaigns.carry_out(self._flow(output_g)).final_g)
        hits = np.count_nonzero(final_g >= self.target_g * (1 - EXACT))
        return bool(hits >= wanted_trials(self.confidence, self._trials))

    def _margin(self, output_g: float) -> float:
        """How far what a share ``confidence`` of the trials reaches lies above the target, as a fraction of it."""
        if output_g not in self._margins:
            final_g = self.campaigns.per_trial(self.campaigns.carry_out(self._flow(output_g)).final_g)
            short_by = starting_amount(final_g, self.target_g, self.confidence)
            self._margins[output_g] = -1.0 if short_by is None else 1 / short_by - 1
        return self._margins[output_g]

    def _flow(self, output_g: float) -> PlannedFlow:
        bare = self.flow_without_spares(output_g)
        if max(bare.batches) > MOST_BATCHES:
            return bare
        if bare.batches not in self._spares:
            self._spares[bare.batches] = self._spares_for(bare)
        spares = self._spares[bare.batches]
        if not any(spares):
            return bare
        return self._planned(output_g, spares)

    def _spares_for(self, bare: PlannedFlow) -> tuple[int, ...]:
        wanted = tuple(spare if count else 0 for spare, count in zip(self._wanted, bare.batches, strict=True))
        if self.never_needs_spares:
            return wanted
        flow, spares = bare, list(wanted)
        if any(spares):
            flow = self._planned(bare.output_g, spares)
        while not self._reachable(flow):
            place = self.best_spare(flow.batches)
            if place is None or flow.batches[place] >= MOST_BATCHES:
                flow = self._planned(bare.output_g, wanted)
                past_stock = self.campaigns.counted_reach(flow, self.target_g, past_stock=True)
                if any(flow.from_stock_g) and past_stock >= self.confidence:
                    return wanted  # more of everything does what no spare batch of so little can
                raise NotComputable(
                    f"no number of batches up to {MOST_BATCHES} of a step reaches the target with probability "
                    f"{self.confidence:g}: ask for less, or record runs that succeed",
                    code="confidence-out-of-reach",
                )
            spares[place] += 1
            flow = self._planned(bare.output_g, spares)
        return tuple(spares)

    def _reachable(self, flow: PlannedFlow) -> bool:
        if not any(flow.batches):
            return True
        greatest = self.campaigns.greatest_reach(flow, self.target_g)
        if abs(greatest - self.confidence) > _SURE_OF * self._u:
            return greatest > self.confidence
        # So near the edge the trials themselves must hold enough successes.
        return greatest >= self.confidence <= self.campaigns.counted_reach(flow, self.target_g)

    def _far_enough(self, start: float) -> float:
        """An output of the last, endless stretch that reaches the target."""
        output = start
        for _ in range(200):
            margin = self._margin(output)
            if margin >= 0:
                return output
            output *= 2 / (1 + margin) if margin > -0.999 else 1000.0
        raise NotComputable("no amount reaches the target at this confidence", code="confidence-out-of-reach")
