"""Sums over the draws of a route without branches: what to begin with, and what no amount can promise."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache

import numpy as np

from service.analytics.forecast.draws import StepDraws, Trials

_ROUNDING = 1e-9
_CLOSE = 1e-10
EXACT = 1e-13
"""Within which a margin is none."""
_SAMPLED_FROM, _SAMPLE = 2048, 4


def product_per_gram(draws: Sequence[StepDraws], batches: Sequence[int], per_gram: Sequence[float]) -> Trials:
    """Return grams of final product per gram of the first key input, a value a trial: shape (trials,).

    ``draws``: the steps in order, all of one number of trials. ``batches``: each step's parallel batches, which share
    its feed evenly. ``per_gram``: a step's grams of product as isolated per gram of key input as charged, at a yield
    of 1.

    Raises ``ValueError`` where the three differ in length.

    >>> from service.analytics.forecast.draws import seed_for, step_draws
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> step = step_draws(forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False), seed_for("r", "s", "yield"), 4096)
    >>> product = product_per_gram([step], [1], [0.5])
    >>> bool((product == 0.5 * step.success(1)).all())
    True
    """
    product = np.ones(draws[0].trials if draws else 1)
    for step, count, ratio in zip(draws, batches, per_gram, strict=True):
        product *= step.success(count)
        product *= ratio
    return product


def scaled(values: Trials, times: float) -> Trials:
    """Return ``values``, of any shape, times a number; themselves, to be read only, where that is 1, as it mostly is.

    >>> scaled(np.array([0.5, 0.2]), 2.0).tolist()
    [1.0, 0.4]
    """
    return values if times == 1.0 else values * times


def order_statistic(values: Trials, place: int) -> float:
    """Return the value that ``place`` others of ``values``, shape (trials,), do not exceed: sorted, the one there.

    Of many values an even sample tells between which two the wanted one must nearly always lie, and only those between
    are put in order (Floyd and Rivest, Communications of the ACM 1975, 18, 165); where it lies elsewhere, all are.

    >>> order_statistic(np.array([0.5, 0.0, 0.4, 0.2]), 1)
    0.2
    """
    if values.size >= _SAMPLED_FROM:
        sample = np.sort(values[:: int(math.sqrt(values.size)) // _SAMPLE])
        near, aside = place / values.size * sample.size, 1.25 * math.sqrt(sample.size)
        low, high = sample[max(0, int(near - aside))], sample[min(sample.size - 1, int(near + aside) + 1)]
        within = values >= low
        at = place - values.size + int(np.count_nonzero(within))
        within &= values <= high
        between = values.compress(within)
        if 0 <= at < between.size:
            between.partition(at)
            return float(between[at])
    return float(np.partition(values, place)[place])


def starting_amount(product_per_gram: Trials, target_g: float, confidence: float) -> float | None:
    """Return the least starting amount in grams that reaches ``target_g`` in a share ``confidence`` of the trials.

    ``product_per_gram``: shape (trials,), grams of product per gram begun with, failed trials 0. None where so many
    trials fail that no amount suffices. The order statistic itself is taken: a quantile interpolated between a failure
    at 0 and the least success would promise what neither gives. Near the greatest reachable probability the amount
    hangs on a few trials and is ill-conditioned; the probability is not.

    Raises ``ValueError`` for a target of 0 g or less, or a confidence outside (0, 1).

    >>> starting_amount(np.array([0.0, 0.2, 0.4, 0.5]), 1.0, 0.75)
    5.0
    >>> starting_amount(np.array([0.0, 0.2, 0.4, 0.5]), 1.0, 0.80) is None
    True
    """
    if not target_g > 0 or not 0 < confidence < 1:
        raise ValueError(f"a target above 0 g and a confidence between 0 and 1, received {target_g!r}, {confidence!r}")
    trials = product_per_gram.size
    reaching = math.ceil(confidence * trials - _ROUNDING)  # 0.9 of 10 trials is 9 of them, whatever 0.9 is in binary
    place = trials - reaching
    least = order_statistic(product_per_gram, place)
    return target_g / least if least > 0 else None


def reach_probability(product_per_gram: Trials, amount_g: float, target_g: float) -> tuple[float, float]:
    """Return the probability that ``amount_g`` reaches ``target_g``, and its Monte Carlo standard uncertainty.

    ``product_per_gram``: shape (trials,). The uncertainty is binomial about (hits + ½)/(trials + 1), so that it is not
    0 where every trial agrees.

    >>> p, monte_carlo_u = reach_probability(np.array([0.0, 0.2, 0.4, 0.5]), 5.0, 1.0)
    >>> p, round(monte_carlo_u, 3)
    (0.75, 0.229)
    """
    trials = product_per_gram.size
    # An amount that was worked out from the target must reach it after the division is multiplied back.
    hits = int(np.count_nonzero(product_per_gram * amount_g >= target_g * (1 - _ROUNDING)))
    about = (hits + 0.5) / (trials + 1)
    return hits / trials, math.sqrt(about * (1 - about) / trials)


def shares_by_amount(final_g: Trials, target_g: float, most: int = 40) -> tuple[list[float], list[float]]:
    """Return how the trials' product is spread: the edges of even ranges of grams from 0 on, and the share in each.

    ``final_g``: shape (trials,), grams. The target is an edge, up to 12 ranges from 0, so that ``most`` ranges hold all
    but the largest hundredth of the trials; the last takes in all that is more. A trial that reaches the target by
    rounding alone counts as reaching it, as in :func:`reach_probability`.

    >>> shares_by_amount(np.array([0.0, 4.0, 10.0, 18.0]), 10.0, most=4)
    ([0.0, 5.0, 10.0, 15.0, 20.0], [0.5, 0.0, 0.25, 0.25])
    """
    large = float(np.partition(final_g, place := math.ceil(0.99 * final_g.size) - 1)[place])
    below = min(max(int(most * target_g / max(large, target_g)), 1), 12)
    width = target_g / below
    ranges = min(max(math.ceil(float(final_g.max()) / width * (1 - _ROUNDING)), below + 1), most)
    held = np.minimum(np.floor(final_g / width * (1 + _ROUNDING)).astype(np.int64), ranges - 1)
    counts = np.bincount(held, minlength=ranges)
    return [width * edge for edge in range(ranges + 1)], (counts / final_g.size).tolist()


@lru_cache(maxsize=4096)
def all_fail(a: float, b: float, batches: int) -> float:
    """Return the probability that all of ``batches`` parallel batches fail, their shared chance being Beta(a, b).

    E[πᴺ] = Γ(a + N)Γ(a + b)/(Γ(a)Γ(a + b + N)), a moment of the beta distribution, worked out as the product of
    (a + i)/(a + b + i) for i from 0 to N − 1. 0 where a is 0.

    >>> all_fail(1.0, 1.0, 1)
    0.5
    """
    if batches < 1:
        raise ValueError(f"a step takes at least one batch, received {batches!r}")
    return math.prod((a + i) / (a + b + i) for i in range(batches))


def p_max(failures: Iterable[tuple[float, float, int]]) -> float:
    """Return the greatest probability that any amount can reach: that every step has a batch that does not fail.

    ``failures``: for each step (a, b, batches), its chance of failure being Beta(a, b), independent between steps. Past
    this, only spare batches help.

    >>> [round(p_max([(0.2, 12.8, batches)] * 6), 4) for batches in (1, 2, 3)]
    [0.9112, 0.9921, 0.9988]
    """
    return math.prod([1 - all_fail(a, b, batches) for a, b, batches in failures])


def least_root(margin: Callable[[float], float], low: float, high: float) -> float:
    """Return the least output in (low, high] whose margin is not negative: false position after Illinois.

    ``margin`` rises with the output, is below 0 at ``low`` and at least 0 at ``high``. Piecewise straight, it is met
    exactly in a few steps.

    >>> least_root(lambda output: min(output - 3.0, 2.0), 1.0, 9.0)
    3.0
    """
    at_low, at_high = margin(low), margin(high)
    weight_low, weight_high = at_low, at_high
    before = 0
    for _ in range(100):
        if at_high <= EXACT or high - low <= _CLOSE * high:
            break
        middle = high - weight_high * (high - low) / (weight_high - weight_low)
        if not low < middle < high:
            middle = (low + high) / 2
        at_middle = margin(middle)
        side = 1 if at_middle >= -EXACT else -1
        if side > 0:
            high, at_high, weight_high = middle, at_middle, at_middle
            weight_low *= 0.5 if before == side else 1.0
        else:
            low, at_low, weight_low = middle, at_middle, at_middle
            weight_high *= 0.5 if before == side else 1.0
        before = side
    return high
