"""A plan of batches carried out in every trial: what each step would really be fed, and what would come of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.analytics.forecast.draws import StepDraws, Trials
from service.analytics.planning.chain import order_statistic, p_max, reach_probability, scaled
from service.analytics.planning.graph import PlannedFlow, PlanStep

MOST_RATIO = 1e9
"""A mass ratio's draws have tails that no vessel holds; beyond this they are taken as this."""

_VAST, _VASTEST = 1e9, 1e100
_NOTHING = np.zeros(1)


@dataclass(frozen=True, slots=True)
class Outcomes:
    """A campaign in every trial, grams, by step: shape (trials,), or (1,) where every trial has the same."""

    feed_g: tuple[Trials, ...]
    product_g: tuple[Trials, ...]
    final_g: Trials


class Campaigns:
    """The trials of one route: carries out any planned flow on the same draws, and keeps what flows have in common.

    In a trial, a step is fed what the steps before it made and what was planned to be taken from stock: all of it is
    carried forward, the least of a step's inputs sets its feed, and where two steps share an input each has its planned
    part. Of an input that stock covers wholly there is all the stock to draw on, and of what is bought as much as is
    wanted. A feed never exceeds the planned batches at their largest; what is beyond that stays on the shelf. The
    number of batches is the plan's, whatever the trial.
    """

    __slots__ = ("_draws", "_expected", "_final", "_ratios", "_steps")

    def __init__(self, steps: Sequence[PlanStep], final: int, draws: Sequence[StepDraws]) -> None:
        self._steps = steps
        self._final = final
        self._draws = draws
        self._ratios: dict[tuple[int, int], Trials] = {}
        self._expected: tuple[float, ...] | None = None

    @property
    def expected_ratio(self) -> tuple[float, ...]:
        """Grams of product that one batch of each step is expected to give per gram of key input, failures included."""
        if self._expected is None:
            self._expected = tuple(
                mean_of(self.ratio(place, 1), heavy=step.forecast.scale == "ln")
                for place, step in enumerate(self._steps)
            )
        return self._expected

    @property
    def shape(self) -> tuple[int]:
        """The shape of what every trial has of its own: (trials,)."""
        return (self._draws[0].trials,)

    def per_trial(self, values: Trials) -> Trials:
        """Return one value a trial, shape (trials,), also of what every trial has the same of."""
        return values if values.shape == self.shape else np.broadcast_to(values, self.shape)

    def ratio(self, place: int, batches: int) -> Trials:
        """Return grams of product per gram of key input of a step over ``batches`` even batches: shape (trials,)."""
        key = place, batches
        ratio = self._ratios.get(key)
        if ratio is None:
            ratio, step = self._draws[place].success(batches), self._steps[place]
            if step.factor_g_per_g != 1.0:
                ratio = ratio * step.factor_g_per_g
            if step.forecast.scale == "ln":
                ratio = np.minimum(ratio, MOST_RATIO)
            self._ratios[key] = ratio
        return ratio

    def greatest_ratio(self, place: int, fewest: int, most: int) -> Trials:
        """Return the greatest ratio of a step in every trial over all counts of batches from ``fewest`` to ``most``."""
        found = self.ratio(place, fewest)
        for batches in range(fewest + 1, most + 1):
            found = np.maximum(found, self.ratio(place, batches))
        return found

    def carry_out(
        self, flow: PlannedFlow, *, limited: bool = True, ratios: Sequence[Trials | None] | None = None
    ) -> Outcomes:
        """Return what the planned flow would give in every trial; ``limited`` off leaves the largest batches out.

        ``ratios``: of each step, in place of those of its batches.
        """
        feeds: list[Trials] = []
        products: list[Trials] = []
        on_hand: list[Trials] = []
        for place, step in enumerate(self._steps[: self._final + 1]):
            feed = product = _NOTHING
            if batches := flow.batches[place]:
                brought = [
                    scaled(on_hand[earlier], flow.feed_of(place, earlier))
                    for earlier, _ in step.upstream
                    if flow.batches[earlier]
                ]
                feed = brought[0] if brought else np.array([flow.feed_g[place]])
                for other in brought[1:]:
                    feed = np.minimum(feed, other)
                if brought and limited and (most := self._most_feed(flow, place)) < math.inf:
                    feed = np.minimum(feed, most)
                instead = None if ratios is None else ratios[place]
                product = feed * (self.ratio(place, batches) if instead is None else instead)
            feeds.append(feed)
            products.append(product)
            on_hand.append(product + flow.from_stock_g[place] if flow.from_stock_g[place] else product)
        return Outcomes(tuple(feeds), tuple(products), on_hand[self._final])

    def _most_feed(self, flow: PlannedFlow, place: int) -> float:
        """Return the grams that the batches at their largest hold, and that inputs wholly from stock suffice for."""
        step = self._steps[place]
        most = math.inf if step.largest_g is None else flow.batches[place] * step.largest_g
        for earlier, _ in step.upstream:
            if not flow.batches[earlier]:
                stock_g = self._steps[earlier].stock_g
                most = min(most, stock_g * flow.feed_of(place, earlier))
        return most

    def greatest_reach(self, flow: PlannedFlow, target_g: float) -> float:
        """Return the greatest probability that any amount reaches in the flow's batches.

        That every step has a batch that does not fail, in closed form; where stock can stand in for a step that fails
        it is counted over the trials.
        """
        stocks = flow.from_stock_g
        if any(stocks) and any(stock > 0 and count for stock, count in zip(stocks, flow.batches, strict=True)):
            return self.counted_reach(flow, target_g)
        return p_max(
            [
                (step.forecast.failures_a, step.forecast.failures_b, count)
                for step, count in zip(self._steps, flow.batches, strict=True)
                if count
            ]
        )

    def counted_reach(self, flow: PlannedFlow, target_g: float, *, past_stock: bool = False) -> float:
        """Return the share of the trials that reach the target in the flow's batches, however large they are.

        Only what begins the route is made vast: what it gives carries the rest along in the planned proportions, and
        stock stays what it is. Where stock covers nearly all, little begins the route, and a vast amount of that may be
        no large one; with ``past_stock`` it is vast beside the stock too.
        """
        boundless = _VAST * max(flow.output_g, target_g) / flow.output_g
        if past_stock:
            for wanted, stock, count in zip(flow.product_g, flow.from_stock_g, flow.batches, strict=True):
                if count and stock:
                    boundless = min(boundless * wanted / (wanted - stock), _VASTEST)
        vast = begun_with(self._steps, flow, boundless)
        return reach_probability(self.carry_out(vast, limited=False).final_g, 1.0, target_g)[0]


def begun_with(steps: Sequence[PlanStep], flow: PlannedFlow, times: float) -> PlannedFlow:
    """Return the flow with ``times`` what begins it; its batches, and what is carried along, as they were.

    >>> from service.analytics.forecast.next_run import forecast_step
    >>> step = PlanStep("roast", forecast_step([0.6], 0, mass_ratio=False), 0.5)
    >>> flow = PlannedFlow(10.0, (10.0,), (0.0,), (30.0,), {}, (1,), (1,), 50.0)
    >>> begun_with([step], flow, 2.0).feed_g
    (60.0,)
    """
    return replace(
        flow,
        feed_g=tuple(
            feed if any(flow.batches[earlier] for earlier, _ in step.upstream) else feed * times
            for step, feed in zip(steps, flow.feed_g, strict=True)
        ),
    )


def mean_of(values: Trials, *, heavy: bool) -> float:
    """Return the mean over the trials; of a ``heavy`` tail, which may have none, the mean held at the 99th percentile.

    ``values``: shape (trials,), grams or g/g.

    >>> mean_of(np.array([0.0, 0.5, 1.0]), heavy=False)
    0.5
    """
    if heavy and values.size > 1:
        place = math.ceil(0.99 * values.size) - 1
        values = np.minimum(values, order_statistic(values, place))
    return float(np.add.reduce(values)) / values.size
