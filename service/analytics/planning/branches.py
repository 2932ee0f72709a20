"""Branches that meet: by how much to over-provide each, so that the whole costs least at the same probability.

Where branches meet, the least of them decides. A gram begun with is dear on one and cheap on another, so that the cheap
one should be the one that seldom runs short.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from service.analytics.forecast.draws import Trials
from service.analytics.planning.campaign import Campaigns
from service.analytics.planning.chain import order_statistic
from service.analytics.planning.graph import BILL, Over, PlannedFlow, PlanStep, planned_flow
from service.analytics.planning.stretch import wanted_trials

MOST_OVER = 20.0
"""No branch is over-provided by more than this beside another (judgement)."""

_COARSE = 7
_GOLDEN = (math.sqrt(5) - 1) / 2
_COARSE_TRIALS = 512
_FINE = 0.02
_MOST_SWEEPS = 6


def cheapest_over(
    levels: NDArray[np.float64],
    tail: Trials,
    confidence: float,
    branch_costs: Sequence[float],
    rest_cost: float,
) -> tuple[float, ...]:
    """Return by how much to over-provide each of m branches, the least of them 1, so that the plan costs least.

    ``levels``: shape (m, trials), what each branch brings over what is planned of it at the bill's ratio; ``tail``:
    shape (trials,), final product over what is planned, for a feed as planned. At a ratio o the product is
    A·min(o·levels)·tail, so that A = 1/quantile is closed, and the cost is A·(rest + Σ o·branch). ``branch_costs`` and
    ``rest_cost``: money at the bill's ratio. One ratio at a time is gone through on a coarse grid and then by golden
    section, to 2 %, in turn until none moves: about the least cost, 2 % of a ratio is next to nothing.

    All 1 where so many trials fail that no amount suffices, or nothing costs anything.

    >>> rng = np.random.default_rng(1)
    >>> levels = np.exp(rng.normal(0.0, 0.4, (2, 4096)))
    >>> dear, cheap = cheapest_over(levels, np.ones(4096), 0.9, [10.0, 0.5], 1.0)
    >>> dear, 1.5 < cheap < 3.0
    (1.0, True)
    """
    logs = [0.0] * len(branch_costs)
    brought = levels * tail
    place = tail.size - wanted_trials(confidence, tail.size)

    least_cost = found_cost = math.inf
    for sweep in range(1 if len(logs) == 2 else _MOST_SWEEPS):
        before = list(logs)
        for at in range(1, len(logs)):
            lesser = _least_of([brought[k] for k in range(len(logs)) if k != at], [*logs[:at], *logs[at + 1 :]])
            along = _Along(lesser, brought[at], place, _money(logs, at, branch_costs, rest_cost))
            if sweep == 0 and at == 1:
                least_cost = found_cost = along.cost(logs[at])
                if math.isinf(least_cost) or least_cost <= 0:
                    return (1.0,) * len(logs)
            others = [*logs[:at], *logs[at + 1 :]]
            # No branch is over-provided by more than so much beside any other.
            low, high = max(others) - math.log(MOST_OVER), min(others) + math.log(MOST_OVER)
            logs[at], found_cost = along.least(low, high, logs[at])
        if all(abs(new - old) < _FINE for new, old in zip(logs, before, strict=True)):
            break
    return tuple(_normal(logs)) if found_cost < least_cost else (1.0,) * len(logs)


def _least_of(brought: Sequence[Trials], logs: Sequence[float]) -> Trials:
    """What the least of some branches brings, each over-provided exp(log) times."""
    least = brought[0] if logs[0] == 0.0 else math.exp(logs[0]) * brought[0]
    for other, log in zip(brought[1:], logs[1:], strict=True):
        least = np.minimum(least, math.exp(log) * other)
    return least


def _normal(logs: Sequence[float]) -> list[float]:
    least = min(logs)
    return [math.exp(value - least) for value in logs]


def _money(logs: Sequence[float], at: int, costs: Sequence[float], rest: float) -> Callable[[float], float]:
    """Money for an amount of 1, by the value of the branch at ``at``: each at exp(value), the rest as planned."""
    fixed = [math.exp(log) * each for k, (log, each) in enumerate(zip(logs, costs, strict=True)) if k != at]
    least, own = min(log for k, log in enumerate(logs) if k != at), costs[at]

    def money(value: float) -> float:
        return math.exp(min(least, value)) * rest + math.fsum((*fixed, math.exp(value) * own))

    return money


class _Along:
    """One branch beside the others: the trials' product is min(``lesser``, exp(value)·``own``), a value a trial.

    It rises with the value in every trial, and with it the ``place``-th of the trials in order. Between two values only
    those trials can be that one which are not below it at both or above it at both: the others are counted and left.
    """

    def __init__(self, lesser: Trials, own: Trials, place: int, money: Callable[[float], float]) -> None:
        self._lesser, self._own, self._place, self._money = lesser, own, place, money

    def least(self, low: float, high: float, start: float) -> tuple[float, float]:
        """Where the cost is least, and that cost: from the best of a coarse grid and ``start`` by golden section.

        The grid is gone through on some of the trials, the section on all that can decide.
        """
        points: list[float] = sorted({*np.linspace(low, high, _COARSE).tolist(), min(max(start, low), high)})
        every = max(1, self._own.size // _COARSE_TRIALS)
        costs = self._costs(points, every)
        best = min(range(len(points)), key=costs.__getitem__)
        low, high = points[max(best - 1, 0)], points[min(best + 1, len(points) - 1)]
        return self._between(low, high)._golden(low, high, points[best])

    def cost(self, value: float) -> float:
        """Money for what the wanted share of the trials reaches, a gram."""
        least = self._reached(value)
        return self._money(value) / least if least > 0 else math.inf

    def _costs(self, points: Sequence[float], every: int) -> list[float]:
        """The costs at some values on every so many-th trial."""
        place = self._place // every
        own = np.multiply.outer([math.exp(point) for point in points], self._own[::every])
        reached = np.partition(np.minimum(own, self._lesser[::every], out=own), place, axis=1)[:, place].tolist()
        return [self._money(at) / least if least > 0 else math.inf for at, least in zip(points, reached, strict=True)]

    def _reached(self, value: float) -> float:
        return order_statistic(np.minimum(self._lesser, math.exp(value) * self._own), self._place)

    def _between(self, low: float, high: float) -> _Along:
        """The same with only those trials that can decide between two values."""
        at_low, at_high = (np.minimum(self._lesser, math.exp(value) * self._own) for value in (low, high))
        least, most = order_statistic(at_low, self._place), order_statistic(at_high, self._place)
        above = at_high >= least
        deciding = above & (at_low <= most)
        below = int(self._own.size - np.count_nonzero(above))
        return _Along(self._lesser[deciding], self._own[deciding], self._place - below, self._money)

    def _golden(self, low: float, high: float, start: float) -> tuple[float, float]:
        left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        at_left, at_right = self.cost(left), self.cost(right)
        while high - low > _FINE:
            if at_left <= at_right:
                high, right, at_right = right, left, at_left
                left = high - _GOLDEN * (high - low)
                at_left = self.cost(left)
            else:
                low, left, at_left = left, right, at_right
                right = low + _GOLDEN * (high - low)
                at_right = self.cost(right)
        at_start = self.cost(start)
        if at_start < min(at_left, at_right):
            return start, at_start
        return (left, at_left) if at_left <= at_right else (right, at_right)


def flow_cost(steps: Sequence[PlanStep], flow: PlannedFlow) -> float | None:
    """Return the money that a planned flow uses up, None where a step of it or a stock it takes has no known cost.

    >>> from service.analytics.forecast.next_run import forecast_step
    >>> step = PlanStep("a", forecast_step([0.6], 0, mass_ratio=False), 1.0, cost_per_g=0.5, cost_per_batch=2.0)
    >>> flow_cost([step], planned_flow([step], [0.5], 0, 10.0, [0]))
    12.0
    """
    total: float = 0.0
    for place, step in enumerate(steps):
        if flow.batches[place]:
            if step.cost_per_g is None:
                return None
            total += flow.feed_g[place] * step.cost_per_g + flow.batches[place] * step.cost_per_batch
        if flow.from_stock_g[place]:
            if step.product_cost_per_g is None:
                return None
            total += flow.from_stock_g[place] * step.product_cost_per_g
    return total


def meetings(steps: Sequence[PlanStep], flow: PlannedFlow) -> list[tuple[int, tuple[int, ...]]]:
    """Return the steps of a flow where two or more branches meet that are made for it, each with those branches.

    >>> from service.analytics.forecast.next_run import forecast_step
    >>> known = forecast_step([0.6], 0, mass_ratio=False)
    >>> steps = [PlanStep(code, known, 1.0) for code in "ab"] + [PlanStep("c", known, 1.0, ((0, 1.0), (1, 0.5)))]
    >>> meetings(steps, planned_flow(steps, [0.5] * 3, 2, 10.0, [0] * 3))
    [(2, (0, 1))]
    """
    found = []
    for place, step in enumerate(steps):
        made = tuple(earlier for earlier, _ in step.upstream if flow.batches[earlier])
        if flow.batches[place] and len(made) > 1:
            found.append((place, made))
    return found


def cheapest_branches(campaigns: Campaigns, steps: Sequence[PlanStep], flow: PlannedFlow, confidence: float) -> Over:
    """Return how the branches of ``flow``, planned at the bill's ratio, are best over-provided, meeting by meeting.

    The batches of the flow and no limit are reckoned with: the search for the least output that follows has both, and
    tells what is really saved. ``BILL`` where no branches meet, or where a cost is not known.

    >>> from service.analytics.forecast.draws import seed_for, step_draws
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> known = forecast_step([0.6, 0.5, 0.7], 0, mass_ratio=False, pi0=0.0)
    >>> steps = [PlanStep("dear", known, 1.0, cost_per_g=9.0), PlanStep("cheap", known, 1.0, cost_per_g=0.1),
    ...          PlanStep("join", known, 1.0, ((0, 1.0), (1, 0.5)), cost_per_g=0.0)]
    >>> campaigns = Campaigns(steps, 2, [step_draws(s.forecast, seed_for("r", s.code), 4096) for s in steps])
    >>> flow = planned_flow(steps, campaigns.expected_ratio, 2, 10.0, [0] * 3)
    >>> over = cheapest_branches(campaigns, steps, flow, 0.9)
    >>> over[2, 0] == 1.0 < 1.5 < over[2, 1]
    True
    """
    met = meetings(steps, flow)
    total = flow_cost(steps, flow)
    if not met or total is None:
        return BILL
    over: dict[tuple[int, int], float] = {}
    for _ in range(1 if len(met) == 1 else 2):
        for place, made in met:
            without = {edge: share for edge, share in over.items() if edge[0] != place}
            planned = _replanned(campaigns, steps, flow, without)
            outcomes = campaigns.carry_out(planned, limited=False)
            levels = np.array(
                [
                    campaigns.per_trial(
                        (outcomes.product_g[earlier] + planned.from_stock_g[earlier]) * planned.feed_of(place, earlier)
                    )
                    for earlier in made
                ]
            )
            levels /= planned.feed_g[place]
            fed = campaigns.per_trial(outcomes.feed_g[place])
            tail = np.divide(outcomes.final_g, fed, out=np.zeros(campaigns.shape), where=fed > 0)
            tail *= planned.feed_g[place] / planned.output_g
            now = flow_cost(steps, planned) or total
            # What a branch costs is what twice of it would cost more.
            doubled = [_replanned(campaigns, steps, flow, {**without, (place, earlier): 2.0}) for earlier in made]
            costs = [max(0.0, (flow_cost(steps, each) or now) - now) for each in doubled]
            rest = max(0.0, now - math.fsum(costs))
            found = cheapest_over(levels, tail, confidence, costs, rest)
            over = {**without, **{(place, e): share for e, share in zip(made, found, strict=True)}}
    return BILL if all(share == 1.0 for share in over.values()) else over


def _replanned(campaigns: Campaigns, steps: Sequence[PlanStep], flow: PlannedFlow, over: Over) -> PlannedFlow:
    """The flow planned anew at another ratio of branches, with the batches that it had."""
    if over == flow.over:
        return flow
    spare = [count - needed for count, needed in zip(flow.batches, flow.needed_batches, strict=True)]
    final = max(place for place, wanted in enumerate(flow.product_g) if wanted > 0)
    return planned_flow(steps, campaigns.expected_ratio, final, flow.output_g, spare, over)
