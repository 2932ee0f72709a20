"""A route as a plan sees it: what each step takes from others and from the shop, and what an output asks of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.analytics.forecast.next_run import StepForecast

_ROUNDING = 1e-12

Over = Mapping[tuple[int, int], float]
"""By (place of a step, place of one that feeds it): how many times what the bill asks for is planned to be brought."""
BILL: Over = {}
"""Every branch as the bill asks."""


@dataclass(frozen=True, slots=True)
class BoughtInput:
    """A material that a step takes from the shelf or the shop, in grams of gross material: per gram of key input, and a
    batch. ``key`` marks the step's own key input (a starting material), at 1 g/g.
    """

    material: str
    g_per_g: float = 0.0
    g_per_batch: float = 0.0
    key: bool = False


@dataclass(frozen=True, slots=True)
class PlanStep:
    """A step to plan.

    ``factor_g_per_g``: grams of product as isolated per gram of key input as charged, at a yield of 1. ``upstream``:
    (place of an earlier step, grams of its product per gram of key input), the key input itself among them at 1 where a
    step makes it. ``smallest_g`` and ``largest_g``: grams of key input a batch, None where open. ``stock_g``: grams
    of the step's *product* on hand and fit for use. ``spare_cost``: what one more batch costs, only compared between
    steps. ``mean_ratio``: grams of product per gram of key input at the mean yield of the runs that gave something,
    as a plan by hand takes it; None where there is none, and the forecast's own mean stands in. ``seed_words`` stand
    for the question's words and the step's code in the seed of its draws: route and step, whichever route asks.
    ``cost_per_g`` is money per gram of key input for all that no other step brings, ``cost_per_batch`` a batch;
    ``product_cost_per_g`` is what a gram of product from stock is worth; None where it is not known.
    """

    code: str
    forecast: StepForecast
    factor_g_per_g: float
    upstream: tuple[tuple[int, float], ...] = ()
    bought: tuple[BoughtInput, ...] = ()
    smallest_g: float | None = None
    largest_g: float | None = None
    stock_g: float = 0.0
    spare_cost: float = 1.0
    mean_ratio: float | None = None
    cost_per_g: float | None = None
    cost_per_batch: float = 0.0
    product_cost_per_g: float | None = None
    seed_words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PlannedFlow:
    """What a planned output asks of every step; each tuple follows the steps' order.

    ``product_g``: product wanted of the step, ``from_stock_g`` the part of it on hand; ``feed_g``: key input of all its
    batches; ``needed_batches`` what the limits ask for, ``batches`` with the spare ones. In between this output and
    ``next_change_g`` every feed is a straight line in the output, and no count of batches changes.
    """

    output_g: float
    product_g: tuple[float, ...]
    from_stock_g: tuple[float, ...]
    feed_g: tuple[float, ...]
    over: Over
    needed_batches: tuple[int, ...]
    batches: tuple[int, ...]
    next_change_g: float

    def feed_of(self, place: int, earlier: int) -> float:
        """Return grams of feed of step ``place`` for a gram of all that is on hand of what ``earlier`` makes."""
        return self.feed_g[place] * self.over.get((place, earlier), 1.0) / self.product_g[earlier]


def check_steps(steps: Sequence[PlanStep]) -> None:
    """Raise ``ValueError`` where steps are out of order, or an amount of theirs is out of range.

    >>> from service.analytics.forecast.next_run import forecast_step
    >>> check_steps([PlanStep("boil", forecast_step([0.6], 0, mass_ratio=False), 0.0)])
    Traceback (most recent call last):
    ...
    ValueError: step 'boil': grams of product per gram of key input lie above 0, received 0.0
    """
    for place, step in enumerate(steps):
        if not 0 < step.factor_g_per_g < math.inf:
            raise ValueError(
                f"step {step.code!r}: grams of product per gram of key input lie above 0, "
                f"received {step.factor_g_per_g!r}"
            )
        if any(not 0 <= earlier < place or not grams > 0 for earlier, grams in step.upstream):
            raise ValueError(f"step {step.code!r} is fed by earlier steps, above 0 g/g, received {step.upstream!r}")
        smallest, largest = step.smallest_g or 0.0, math.inf if step.largest_g is None else step.largest_g
        if not 0 <= smallest <= largest or largest <= 0 or not step.stock_g >= 0:
            raise ValueError(f"step {step.code!r}: limits from smallest to largest and a stock of at least 0 g")


def planned_flow(
    steps: Sequence[PlanStep],
    expected_ratio: Sequence[float],
    final: int,
    output_g: float,
    spares: Sequence[int],
    over: Over = BILL,
) -> PlannedFlow:
    """Return what ``output_g`` of the product of step ``final`` asks of every step, were each to give what is expected.

    ``expected_ratio``: grams of product per gram of key input, failures included, a step. Backwards from the output:
    what stock holds is netted first, so that a demand it covers wholly needs no batch and nothing upstream; the
    rest, over the expected ratio, is the feed; as many batches as the largest one asks for, and ``spares`` more, share
    it evenly; a feed below the smallest batch is raised to it. ``over``: branches that are to bring more than the bill
    asks for, so that another one decides what the step where they meet is fed.

    >>> from service.analytics.forecast.next_run import forecast_step
    >>> known = forecast_step([0.6], 0, mass_ratio=False)
    >>> first = PlanStep("a", known, 1.0, largest_g=100.0)
    >>> second = PlanStep("b", known, 1.0, upstream=((0, 1.0),), stock_g=4.0)
    >>> flow = planned_flow([first, second], [0.5, 0.5], 1, 44.0, [0, 0])
    >>> flow.feed_g, flow.batches, flow.from_stock_g
    ((160.0, 80.0), (2, 1), (0.0, 4.0))
    """
    many = len(steps)
    product_g, rise = [0.0] * many, [0.0] * many
    product_g[final], rise[final] = output_g, 1.0
    from_stock, feeds = [0.0] * many, [0.0] * many
    needed, batches = [0] * many, [0] * many
    least_step = math.inf
    # Plain comparisons: a search asks for hundreds of flows, and min and max would be a third of each.
    for place in range(final, -1, -1):
        step, wanted, slope = steps[place], product_g[place], rise[place]
        stock_g = step.stock_g
        from_stock[place] = held = wanted if wanted < stock_g else stock_g
        to_make = wanted - held
        if to_make <= _ROUNDING * wanted:
            if slope > 0 and (change := (stock_g - wanted) / slope) < least_step:
                least_step = change
            continue
        feed, feed_rise = to_make / expected_ratio[place], slope / expected_ratio[place]
        smallest, largest = step.smallest_g or 0.0, step.largest_g
        raised = feed if feed > smallest else smallest
        count = 1
        if largest is not None:
            count = math.ceil(raised / largest * (1 - _ROUNDING)) or 1
            if feed_rise > 0 and (change := (count * largest - feed) / feed_rise) < least_step:
                least_step = change
        needed[place] = count
        batches[place] = count = count + spares[place]
        if raised < count * smallest:
            raised = count * smallest
        if raised > feed:
            if feed_rise > 0 and (change := (raised - feed) / feed_rise) < least_step:
                least_step = change
            feed_rise = 0.0
        feeds[place] = raised
        for earlier, grams in step.upstream:
            brought = grams * over.get((place, earlier), 1.0) if over else grams
            product_g[earlier] += raised * brought
            rise[earlier] += feed_rise * brought
    return PlannedFlow(
        output_g=output_g,
        product_g=tuple(product_g),
        from_stock_g=tuple(from_stock),
        feed_g=tuple(feeds),
        over=over,
        needed_batches=tuple(needed),
        batches=tuple(batches),
        next_change_g=output_g + least_step,
    )
