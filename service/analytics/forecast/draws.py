"""A step's forecast as draws that every question about one route shares.

A seed is made from the words of the question (route, step, quantity), never from a clock or a state: the same question
gives the same answer, and two scenarios differ by what was changed and not by luck (common random numbers).
"""

from __future__ import annotations

import math
from copy import copy
from dataclasses import replace
from functools import lru_cache
from hashlib import blake2b

import numpy as np
from numpy.random import SFC64, Generator
from numpy.random.bit_generator import ISeedSequence
from numpy.typing import NDArray

from service.analytics.forecast.next_run import StepForecast
from service.analytics.forecast.spread import off_negated_logit, off_scale
from service.errors import NotComputable

Trials = NDArray[np.float64]

WHAT_IF_TRIALS = 4_096
QUOTED_TRIALS = 16_384

MOST_KEPT = 48
"""Counts of batches of one step whose mean yields are kept for the next question; at 16,384 trials 6 MB."""

MOST_BATCHES = 200
"""Parallel batches of one step that are drawn; at 16,384 trials that is 26 MB of running totals."""


@lru_cache(maxsize=1024)
def seed_for(*parts: str) -> int:
    """Return a 128-bit seed from words, the same in every process and on every machine.

    Each word is told apart from its neighbours: ("ab", "c") and ("a", "bc") give two seeds.

    >>> seed_for("verdigris", "carbonate", "yield") == seed_for("verdigris", "carbonate", "yield")
    True
    >>> seed_for("ab", "c") == seed_for("a", "bc")
    False
    """
    digest = blake2b(digest_size=16)
    for part in parts:
        word = part.encode("utf-8", "surrogatepass")
        digest.update(len(word).to_bytes(8, "big"))
        digest.update(word)
    return int.from_bytes(digest.digest(), "big")


class _Words(ISeedSequence):
    """The state that a generator begins with, ready made."""

    def __init__(self, digest: bytes) -> None:
        self._words = np.frombuffer(digest, dtype="<u8").astype(np.uint64)

    def generate_state(self, n_words: int, dtype: object = np.uint32) -> NDArray[np.uint64]:
        """Return the words, whatever number of them is asked for: SFC64 asks for three of 64 bits."""
        return self._words


def _generator(seed: int, stream: int) -> Generator:
    """Return the generator of one stream of a seed.

    SFC64 is an eighth faster than numpy's default, and as sound; its state is a digest of seed and stream, which is as
    well spread as what numpy makes of them, in a tenth of the time.
    """
    size = max(16, (seed.bit_length() + 7) // 8)
    digest = blake2b(seed.to_bytes(size, "big") + bytes([stream]), digest_size=24).digest()
    return Generator(SFC64(_Words(digest)))  # type: ignore[arg-type]  # any ISeedSequence does


class StepDraws:
    """What ``trials`` imagined workshops would get from a step, each with its own level, spread and chance of failure.

    Within a trial these three are drawn once and shared by the step's parallel batches: batches average the scatter
    between runs and leave ignorance of the level where it was. The batches' yields are drawn when first asked for and
    kept, so that the first batches are the same however many are asked for. Made for one question and one thread.
    """

    __slots__ = (
        *("_apart", "_batches", "_forecast", "_means", "_one_spread", "_seed", "_shared", "_totals", "_uniform"),
        "_width",
    )

    def __init__(self, forecast: StepForecast, seed: int, trials: int) -> None:
        shared = _generator(seed, 0)
        self._forecast, self._seed = forecast, seed
        # Whatever the degrees of freedom, the uniform and the normals below stand at the same places of their streams.
        self._uniform: Trials = shared.random(trials)
        level: Trials = shared.standard_normal(trials)
        width: Trials = shared.chisquare(forecast.dof, trials)
        np.divide(forecast.dof, width, out=width)
        np.sqrt(width, out=width)
        if forecast.kind == "runs":
            if forecast.beyond_variance > 0:
                beyond = forecast.beyond_variance / forecast.spread_low**2
                level *= np.sqrt(width * width / forecast.effective_runs + beyond)
            else:
                level *= width
                level *= 1 / math.sqrt(forecast.effective_runs)
        else:
            width *= math.sqrt(0.5)
            level *= width
        # What a batch's own normal z becomes on the scale, width·z + level, is kept as -(width·z + level + centre)
        # where above and below have one spread: the sign that the logistic function wants.
        self._one_spread = forecast.spread_low == forecast.spread_high and forecast.scale == "logit"
        if self._one_spread:
            level *= -forecast.spread_low
            width *= -forecast.spread_low
        self._apart = level  # from the centre
        self._width = width
        self._begin_batches()

    def _begin_batches(self) -> None:
        self._shared: Trials = self._apart - self._forecast.centre if self._one_spread else self._apart
        self._batches = _generator(self._seed, 1)
        self._means: dict[int, Trials] = {}
        self._totals: list[Trials] = []  # the i-th is the sum of the yields of batches 0 to i, none failing

    def about(self, forecast: StepForecast) -> StepDraws | None:
        """Return the draws of a forecast that differs in its centre or its chance of failure alone, as they would be
        drawn anew; None of another one. What the two have in common is shared.

        >>> from dataclasses import replace
        >>> from service.analytics.forecast.next_run import forecast_step
        >>> step = forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False)
        >>> draws, better = step_draws(step, 7, 4096), replace(step, centre=step.centre + 0.1)
        >>> bool((draws.about(better).success(2) == step_draws(better, 7, 4096).success(2)).all())
        True
        """
        mine = self._forecast
        level = replace(forecast, failures_a=mine.failures_a, failures_b=mine.failures_b, notes=mine.notes)
        if replace(level, centre=mine.centre) != mine:
            return None
        found = copy(self)
        found._forecast = forecast
        if level != mine:
            found._begin_batches()
        else:  # the yields are the same, and which of them fail is not
            found._means = {}
        return found

    @property
    def trials(self) -> int:
        """The number of trials."""
        return int(self._uniform.size)

    @property
    def levels(self) -> Trials:
        """How far the level of each trial lies from the forecast's centre, in units of its spread: shape (trials,)."""
        if not self._one_spread:
            return self._shared
        return np.asarray((self._shared + self._forecast.centre) / -self._forecast.spread_low, dtype=np.float64)

    @property
    def luck(self) -> Trials:
        """What tells how many batches of each trial fail, uniform from 0 (none) to 1 (all): shape (trials,)."""
        return self._uniform

    def success(self, batches: int) -> Trials:
        """Return the mean yield over ``batches`` parallel batches of equal feed, failed ones at 0, a value a trial.

        Shape (trials,), read-only, fractions (g/g for a mass ratio). The number of failures is drawn beta-binomially
        from the trial's one uniform by the exact inverse of its distribution, so that one more batch never takes
        product away: ``batches`` times the answer grows with ``batches`` in every trial. Batches are exchangeable, and
        those that fail are taken to be the last. Raises ``NotComputable`` above 200 batches.

        >>> from service.analytics.forecast.next_run import forecast_step
        >>> step = forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False)
        >>> draws = step_draws(step, seed_for("verdigris", "carbonate", "yield"), 4096)
        >>> bool((2 * draws.success(2) >= draws.success(1)).all())
        True
        """
        if batches > MOST_BATCHES:
            raise NotComputable(
                f"{batches} batches of one step are beyond the {MOST_BATCHES} that a plan can hold: "
                "state a larger batch or a smaller target",
                code="too-many-batches",
            )
        if batches < 1:
            raise ValueError(f"a step takes at least one batch, received {batches!r}")
        if batches not in self._means:
            if len(self._means) >= MOST_KEPT:
                del self._means[next(iter(self._means))]
            self._means[batches] = self._mean_over(batches)
            self._means[batches].flags.writeable = False
        return self._means[batches]

    def further(self, before: int, batches: int) -> Trials:
        """Return the mean yield over ``batches`` more batches of those who made ``before`` already, a value a trial.

        Level, spread and chance of failure are those of the first batches, the yields new; how many fail follows from
        how many did: the chance of failure is Beta(a + failed, b + before - failed) then. Over many trials,
        ``before`` batches and these are distributed as so many batches at once.

        >>> from service.analytics.forecast.next_run import forecast_step
        >>> step = forecast_step([0.62, 0.55, 0.70], 1, mass_ratio=False)
        >>> draws = step_draws(step, seed_for("verdigris", "carbonate", "yield"), 16_384)
        >>> both = (draws.success(2) + draws.further(2, 2)) / 2
        >>> [bool(abs(f(both) - f(draws.success(4))) < 0.01) for f in (np.mean, np.std)]
        [True, True]
        """
        if before == 0:
            return self.success(batches)
        if before + batches > MOST_BATCHES:
            raise NotComputable(f"{before + batches} batches of one step are too many", code="too-many-batches")
        while len(self._totals) < before + batches:
            self._draw_batch()
        a, b = self._forecast.failures_a, self._forecast.failures_b
        failed = np.searchsorted(_failures_cumulated(before, a, b)[:-1], self._uniform, side="right")
        again = _generator(self._seed, 2).random(self.trials)
        total: Trials = np.zeros(self.trials)
        for count in np.unique(failed).tolist():
            mine = np.flatnonzero(failed == count)
            chances = _failures_cumulated(batches, a + count, b + before - count) if a > 0 else np.ones(batches + 1)
            then = np.searchsorted(chances[:-1], again[mine], side="right")
            for lost in range(batches):
                those = mine[then == lost]
                total[those] = self._totals[before + batches - lost - 1][those] - self._totals[before - 1][those]
        total /= batches
        return total

    def _mean_over(self, batches: int) -> Trials:
        while len(self._totals) < batches:
            self._draw_batch()
        cumulated = _failures_cumulated(batches, self._forecast.failures_a, self._forecast.failures_b)
        total = self._totals[batches - 1].copy()
        hit = np.flatnonzero(self._uniform >= cumulated[0])
        if batches == 1:
            total[hit] = 0.0
        else:
            failed = np.searchsorted(cumulated[:-1], self._uniform[hit], side="right")
            total[hit[failed == batches]] = 0.0
            for count in range(1, min(batches, int(failed.max(initial=0)) + 1)):
                those = hit[failed == count]
                total[those] = self._totals[batches - count - 1][those]
            total *= 1 / batches
        return total

    def _draw_batch(self) -> None:
        forecast = self._forecast
        away: Trials = self._batches.standard_normal(self.trials)
        away *= self._width
        away += self._shared
        if self._one_spread:
            yields = off_negated_logit(away)
        else:
            away *= np.where(away < 0, forecast.spread_low, forecast.spread_high)
            away += forecast.centre
            yields = off_scale(away, forecast.scale)
        if self._totals:
            yields += self._totals[-1]
        self._totals.append(yields)


def step_draws(forecast: StepForecast, seed: int, trials: int = WHAT_IF_TRIALS) -> StepDraws:
    """Return the draws of a step's forecast under ``seed``, which ``seed_for`` makes of route, step and quantity.

    ``trials``: 4,096 for a what-if, 16,384 for a quoted plan. For kind ``runs``, σ² = ν·s²/χ² of ν degrees and level =
    centre + σ/√n·z; for ``opinion`` and ``none``, half of the variance goes to the level and half to the batch. One
    batch alone has the distribution that ``StepForecast.at_least`` bounds.

    >>> from service.analytics.forecast.next_run import forecast_step
    >>> step_draws(forecast_step([0.6], 0, mass_ratio=False), seed_for("a", "b", "yield"), 8).success(3).shape
    (8,)
    """
    if trials < 1:
        raise ValueError(f"at least one trial, received {trials!r}")
    return StepDraws(forecast, seed, trials)


class SharedDraws:
    """The draws of several questions about the same steps, each step drawn once: made for one thread.

    Of each seed the draws within the record and those beyond it are kept, the newest of either. What ``base`` holds
    already is taken from there, and ``base`` is left as it is.
    """

    __slots__ = ("_base", "_held")

    def __init__(self, base: SharedDraws | None = None) -> None:
        self._base = base
        self._held: dict[tuple[int, int, bool], tuple[StepForecast, StepDraws]] = {}

    def of(self, forecast: StepForecast, seed: int, trials: int) -> StepDraws:
        """Return the draws of a step's forecast, as ``step_draws`` would make them."""
        key = (seed, trials, forecast.beyond_variance > 0)
        held = self._held.get(key)
        if self._base is not None and (held is None or held[0] != forecast):
            held = self._base._held.get(key, held)
        if held is None:
            held = self._held[key] = (forecast, step_draws(forecast, seed, trials))
        elif held[0] is not forecast and held[0] != forecast:
            held = self._held[key] = (forecast, held[1].about(forecast) or step_draws(forecast, seed, trials))
        return held[1]


@lru_cache(maxsize=1024)
def _failures_cumulated(batches: int, a: float, b: float) -> Trials:
    """Return P(failures ≤ i) for i = 0 to ``batches``, the failures being beta-binomial with Beta(a, b)."""
    if a == 0:
        return np.ones(batches + 1)
    counts = np.arange(batches)
    # P(i + 1)/P(i) = (N − i)(a + i)/((i + 1)(b + N − i − 1)); in logarithms, for P(0) may underflow.
    steps = np.log((batches - counts) * (a + counts) / ((counts + 1) * (b + batches - counts - 1)))
    none = float(np.log((b + counts) / (a + b + counts)).sum())
    cumulated: Trials = np.cumsum(np.exp(none + np.concatenate(([0.0], np.cumsum(steps)))))
    return cumulated
