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

from service.analytics.forecast.draws import Trials
from service.analytics.planning.carry_on import Stages
from service.analytics.planning.chain import reach_probability
from service.analytics.planning.graph import PlannedFlow
from service.analytics.planning.stretch import wanted_trials
from service.analytics.planning.waves import Look, Pass, Waves

_FIRST = tuple(float(each) for each in np.round(np.arange(0.30, 1.001, 0.07), 2))
_LOOKS = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
_ROUNDS = 4
_NEAR = 1e-3
_RAISES = (1.002, 1.01, 1.03, 1.03, 1.03, 1.03, 1.03, 1.03)
_MOST_SWEEPS = 3
_NO_BETTER = 1e-3
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Rule:
    """The looks of a two-wave plan, and what they give; with none, the single start.

    ``p_reach`` with its Monte Carlo uncertainty; ``topped_up``: how often each look leads to a second wave, and
    ``p_topped_up`` how often any does; ``begun``: what is begun on the average, in times the single start, by place of
    the steps that begin a branch; ``expected`` the mean of these by what each branch costs, and ``expected_u`` its
    Monte Carlo uncertainty. ``batches``: of the first wave, by place of every step up to the looks; ``fed``: expected
    key input of all waves, by place. ``cost`` and ``saves`` beside the single start: money, expected, with the
    uncertainty of what is saved, trial by trial; None where a cost is not known.
    """

    looks: tuple[Look, ...]
    p_reach: float
    monte_carlo_u: float
    topped_up: tuple[float, ...]
    p_topped_up: float
    begun: dict[int, float]
    expected: float
    expected_u: float
    batches: dict[int, int]
    fed: dict[int, float]
    cost: float | None
    saves: float | None
    saves_u: float | None


class TwoWaves:
    """What is begun for one plan, in one start or in two.

    ``flow``: the plan's, with what it takes from stock, which is carried on with the first wave. ``spares``: batches of
    every step beside those that its largest one asks for; those of the flow where left out. ``single``: the money that
    the single start of the plan uses up in every trial, where the spare batches are others than the flow's.
    """

    def __init__(
        self,
        stages: Stages,
        flow: PlannedFlow,
        target_g: float,
        confidence: float,
        spares: Sequence[int] | None = None,
        single: Trials | None = None,
    ) -> None:
        bare = zip(flow.batches, flow.needed_batches, strict=True)
        spares = [count - needed for count, needed in bare] if spares is None else spares
        self._waves = Waves(stages, flow, spares)
        self.single = self._waves.money(self._waves.carried_out(())) if single is None else single
        self._stages, self._flow = stages, flow
        self._target_g, self._confidence = target_g, confidence
        self._trials = self._waves.trials
        self._needed = wanted_trials(confidence, self._trials)
        self._weights = self._weigh()

    def _weigh(self) -> dict[int, float]:
        """The part of each branch in what is begun: what is spent on it until it meets another; all alike where a cost
        is not known, or nothing costs anything."""
        waves, steps, flow = self._waves, self._stages.steps, self._flow
        spent = dict.fromkeys(waves.begun, 0.0)
        for place in waves.run:
            behind = [each for each in waves.begun if each in waves.behind(place)]
            cost = steps[place].cost_per_g
            if cost is None:
                return dict.fromkeys(waves.begun, 1.0 / len(spent))
            if len(behind) == 1:
                spent[behind[0]] += flow.feed_g[place] * cost + flow.batches[place] * steps[place].cost_per_batch
        total = math.fsum(spent.values())
        return {b: each / total if total > 0.0 else 1.0 / len(spent) for b, each in spent.items()}

    def _weight(self, place: int) -> float:
        return math.fsum(self._weights[each] for each in self._waves.begun if each in self._waves.behind(place))

    @property
    def begun(self) -> tuple[int, ...]:
        """The places of the steps that begin a branch."""
        return self._waves.begun

    def behind(self, place: int) -> frozenset[int]:
        """Return the places of all steps that feed one, itself among them."""
        return self._waves.behind(place)

    def carried_out(self, *looks: Look) -> Rule:
        """Return what a rule gives, in every trial as the workshop would have it; without a look, the single start.

        Raises ``ValueError`` where two looks share a step that is begun, or what feeds one feeds others besides.
        """
        waves = self._waves
        allowed = waves.places_to_look()
        behind = [self.behind(look.after) for look in looks]
        if any(look.after not in allowed for look in looks) or any(
            one & other for at, one in enumerate(behind) for other in behind[:at]
        ):
            raise ValueError(f"looks on branches of their own, after one of {allowed}, received {looks!r}")
        done = waves.carried_out(looks)
        p_reach, u = reach_probability(done.on_hand[waves.last], 1.0, self._target_g)
        use, topped = self._use(done, looks)
        begun = dict.fromkeys(waves.begun, 1.0)
        for look, who, cone in zip(looks, topped, behind, strict=True):
            begun |= {b: look.first + look.then * float(who.mean()) for b in waves.begun if b in cone}
        batches = {p: done.counts[p][0] for p in waves.run if any(p in cone for cone in behind)}
        money, cost, saves, saves_u = waves.money(done), None, None, None
        if money is not None and self.single is not None:
            cost, saved = float(money.mean()), self.single - money
            saves, saves_u = float(saved.mean()), float(saved.std()) / math.sqrt(saved.size)
        return Rule(
            looks=looks,
            p_reach=p_reach,
            monte_carlo_u=u,
            topped_up=tuple(float(who.mean()) for who in topped),
            p_topped_up=float((done.topped > 0).mean()),
            begun=begun,
            expected=float(use.mean()),
            expected_u=float(use.std()) / math.sqrt(use.size),
            batches=batches,
            fed={place: float(done.fed[place].mean()) for place in waves.run},
            cost=cost,
            saves=saves,
            saves_u=saves_u,
        )

    def _use(self, done: Pass, looks: Sequence[Look]) -> tuple[Trials, list[NDArray[np.bool_]]]:
        """What is begun in every trial, in times the single start, and who begins again after each look."""
        use = np.full(self._trials, 1.0)
        topped = [(done.topped & (1 << at)) > 0 for at in range(len(looks))]
        for look, who in zip(looks, topped, strict=True):
            use += self._weight(look.after) * (look.first - 1.0 + look.then * who)
        return use, topped

    def best(self) -> Rule:
        """Return the rule that begins least on the average of those gone through; the single start is one of them.

        A looking point after every step, eleven sizes of the first wave and ten amounts below which it is topped up:
        for each the least second wave that reaches follows from the trials, and is carried out before it is taken.
        Where branches meet, a look on one of them goes beside those on the others, in turn until none is better. A
        rule that begins less and costs more money, for the batches that it takes more, is not taken.

        >>> from service.analytics.forecast.draws import seed_for, step_draws
        >>> from service.analytics.forecast.next_run import forecast_step
        >>> from service.analytics.planning.graph import PlanStep, planned_flow
        >>> known = forecast_step([0.6, 0.7, 0.5], 0, mass_ratio=False, pi0=0.0)
        >>> steps = [PlanStep("a", known, 1.0), PlanStep("b", known, 1.0, ((0, 1.0),))]
        >>> stages = Stages(steps, [step_draws(known, seed_for("r", step.code), 4096) for step in steps])
        >>> found = TwoWaves(stages, planned_flow(steps, stages.expected, 1, 18.0, [0, 0]), 10.0, 0.9).best()
        >>> found.looks[0].first < found.expected < 1.0, found.p_reach >= 0.9
        (True, True)
        """
        looks: tuple[Look, ...] = ()
        least = 1.0
        whole = [at for at in self._waves.places_to_look() if self._waves.behind(at).issuperset(self._waves.begun)]
        for _ in range(_MOST_SWEEPS):
            before = least
            for after in (at for at in self._waves.places_to_look() if at not in whole):
                looks, least = self._with_look(after, looks, least)
            if least > before * (1 - _NO_BETTER):
                break
        for after in whole:
            looks, least = self._with_look(after, looks, least)
        found = self.carried_out(*looks)
        return self.carried_out() if found.saves is not None and found.saves < 0.0 else found

    def _with_look(self, after: int, looks: tuple[Look, ...], least: float) -> tuple[tuple[Look, ...], float]:
        """The looks with one after a step, in place of those that share a start with it, where that begins less."""
        waves, weight = self._waves, self._weight(after)
        beside = tuple(look for look in looks if not waves.behind(look.after) & waves.behind(after))
        if weight <= 0.0:
            return looks, least
        rest = self._tried(beside)[1] - weight
        for first in _FIRST:
            if first < waves.least(after) or rest + weight * first >= least:
                continue
            done = waves.until((*beside, Look(after, first, 0.0, 0.0)), after)
            for below_g in self._below(after, done):
                then = self._least_second(beside, Look(after, first, below_g, 0.0), done, (least - rest) / weight)
                if then is None:
                    continue
                reaches, use = self._tried((*beside, then))
                if reaches and use < least:
                    looks, least = (*beside, then), use
        return looks, least

    def _tried(self, looks: tuple[Look, ...]) -> tuple[bool, float]:
        """Whether looks reach the target often enough, and what is begun on the average."""
        done = self._waves.carried_out(looks)
        hits = np.count_nonzero(done.on_hand[self._waves.last] >= self._target_g * (1 - _ROUNDING))
        return bool(hits >= self._needed), float(self._use(done, looks)[0].mean())

    def _below(self, after: int, done: Pass) -> list[float]:
        """Amounts below which a second wave may be begun: of the product itself there is one that makes sense."""
        if after == self._waves.last:
            return [self._target_g]
        found = np.unique(np.quantile(done.on_hand[after], _LOOKS)).tolist()
        return [float(each) for each in found if each > 0.0]

    def _least_second(self, beside: tuple[Look, ...], look: Look, done: Pass, limit: float) -> Look | None:
        """The look with the least second wave that reaches the target often enough, and begins less on the average
        than ``limit`` times the single start of its branches; None where none does."""
        there = done.on_hand[look.after]
        topped = there < look.below_g
        often = float(topped.mean())
        smallest = self._waves.least(look.after)
        if look.first + often * smallest >= limit:
            return None
        wanting = np.flatnonzero(topped)
        alone = self._onwards(beside, look, done, there, topped)
        reached = alone >= self._target_g * (1 - _ROUNDING)
        missing = self._needed - int(np.count_nonzero(reached & ~topped))
        if missing > wanting.size:
            return None
        then = max(0.5, smallest)
        bare = self._onwards(beside, look, done, np.zeros(self._trials), topped)[wanting]
        for _ in range(_ROUNDS):
            before = then
            guess = self._second_for(beside, look, done, topped, wanting, missing, then, bare)
            if guess is None or look.first + often * guess >= limit * 1.1:
                return None
            then = max(guess, smallest)
            if then == 0.0 or abs(then - before) <= _NEAR * then:
                break
        for raised in _RAISES:
            if look.first + often * then >= limit:
                return None
            final_g = self._onwards(beside, look, done, there + self._brought(look, done, then), topped)
            if np.count_nonzero(final_g >= self._target_g * (1 - _ROUNDING)) >= self._needed:
                return Look(look.after, look.first, look.below_g, then)
            then *= raised
        return None

    def _second_for(
        self,
        beside: tuple[Look, ...],
        look: Look,
        done: Pass,
        topped: NDArray[np.bool_],
        wanting: NDArray[np.intp],
        missing: int,
        then: float,
        bare: Trials,
    ) -> float | None:
        """The least second wave with the batches that ``then`` takes, an order statistic of what trials need.

        What comes of what is there is taken to rise in proportion to it, which it does as far as no other branch and
        no full batch holds it: that ``then`` does what it shall is tried afterwards.
        """
        if missing <= 0:
            return 0.0
        there = done.on_hand[look.after]
        brought = self._brought(look, done, then)
        onwards = self._onwards(beside, look, done, there + brought, topped)[wanting]
        now = (there + brought)[wanting]
        tail = np.divide(onwards - bare, now, out=np.zeros(wanting.size), where=now > 0)
        gives = tail * brought[wanting] / then
        lacking = np.maximum(self._target_g - bare - tail * there[wanting], 0.0)
        need = np.full(wanting.size, math.inf)
        np.divide(lacking, gives, out=need, where=gives > 0)
        need[lacking <= 0.0] = 0.0
        found = float(np.partition(need, missing - 1)[missing - 1])
        return found if math.isfinite(found) else None

    def _brought(self, look: Look, done: Pass, then: float) -> Trials:
        if then == 0.0:
            return np.zeros(self._trials)
        waves = self._waves
        brought = waves.brought(done, look.after, waves.second(done, look.after, then))
        return np.broadcast_to(brought, (self._trials,))

    def _onwards(
        self, beside: tuple[Look, ...], look: Look, done: Pass, there: Trials, topped: NDArray[np.bool_]
    ) -> Trials:
        """Product in every trial, where so much is there at the look."""
        mine = done.copy()
        self._waves.looked_at(mine, len(beside), look.after, np.where(topped, there, done.on_hand[look.after]), topped)
        return self._waves.onwards(mine, (*beside, look), look.after)


def best_rule(stages: Stages, flow: PlannedFlow, target_g: float, confidence: float) -> tuple[Rule, Rule]:
    """Return the rule of two waves that begins least on the average, as :meth:`TwoWaves.best`, for a plan's flow; and
    the single start.

    The second wave is itself a spare one: where the plan has spare batches, rules without them are gone through too.

    >>> from service.analytics.forecast.draws import seed_for, step_draws
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import PlanStep, planned_flow
    >>> known = forecast_step([0.6, 0.7, 0.5], 0, mass_ratio=False, pi0=0.0)
    >>> steps = [PlanStep("a", known, 1.0)]
    >>> stages = Stages(steps, [step_draws(known, seed_for("r", "a"), 4096)])
    >>> found, single = best_rule(stages, planned_flow(steps, stages.expected, 0, 16.0, [1]), 10.0, 0.9)
    >>> found.expected < single.expected == 1.0, found.p_reach >= 0.9
    (True, True)
    """
    spared = TwoWaves(stages, flow, target_g, confidence)
    found, single = spared.best(), spared.carried_out()
    if flow.batches == flow.needed_batches:
        return found, single
    none = (0,) * len(flow.batches)
    bare = TwoWaves(stages, flow, target_g, confidence, none, spared.single).best()
    return (bare if bare.p_reach >= confidence and bare.expected < found.expected else found), single
