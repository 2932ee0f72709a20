"""The record of a forecast's own promises: every run of the past, forecast from what was known the day before it.

Each counted or failed run is forecast from the usable runs of its step on earlier days, with the spread and the
failures that the workshop's other steps had shown by then, for its own batch size, on a new feedstock lot where its lot
was new: what ``forecast_step`` would have said. Sums over a step's earlier runs are differences of running sums, and
the shared prior is worked out once a day, so that the whole record takes as long as sorting the runs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.analytics.forecast.next_run import (
    NO_BOUND,
    Floats,
    among_usable,
    beyond_variance,
    chance_elsewhere,
    failure_chance,
    moderated_spread,
    next_run_width,
    runs_by_lots,
)
from service.analytics.forecast.spread import (
    LEAST_YIELD,
    OFTEN_ABOVE_ONE,
    Scale,
    default_prior,
    off_scale,
    onto_scale,
    shared_priors,
)

Flags = NDArray[np.bool_]
Places = NDArray[np.int64]

_CELLS = 2_000_000
"""Days times steps whose spreads are looked up at one time; bounds the memory, about 100 bytes each."""


@dataclass(frozen=True, slots=True)
class PastRuns:
    """The counted and the failed runs of a workshop, each of shape (runs,), in any order.

    ``step``: a number from 0 for each step. ``day``: whole days. ``yields``: fractions (g/g for a mass ratio), NaN
    where the run failed. ``batch_g``: gross grams of key input, NaN where unknown. ``lot``: a number from 0 for each
    lot of key input, −1 where none is recorded. ``mass_ratio``: shape (steps,), whether a step's yields are ratios.
    """

    step: Places
    day: Places
    yields: Floats
    batch_g: Floats
    lot: Places
    mass_ratio: Flags


@dataclass(frozen=True, slots=True)
class PastForecasts:
    """What was forecast of each run, in the order of the runs, each of shape (runs,).

    ``runs_before``: usable runs of its step on earlier days; where there is none, there is no forecast, and the other
    figures are NaN. ``centre``, ``spread``, ``dof``, ``effective_runs``, ``beyond`` and ``mean_failure`` are those of
    :class:`~service.analytics.forecast.next_run.StepForecast`; ``ln_scale`` says that the scale is ln. ``given`` is
    what the run gave, on that scale and without a cap: −inf where it failed, inf where no fraction can be more.
    """

    runs_before: Places
    ln_scale: Flags
    centre: Floats
    spread: Floats
    dof: Floats
    effective_runs: Floats
    beyond: Floats
    mean_failure: Floats
    given: Floats

    def rank(self, spread_factor: float = 1.0) -> Floats:
        """Return where among the usable runs that were forecast each run came out, 0 (failed) to 1, shape (runs,).

        ``spread_factor``: by which the spread would have been widened. NaN where there was no forecast.
        """
        from scipy.special import stdtr

        known = self.runs_before > 0
        found = np.full(known.shape, np.nan)
        width = next_run_width(spread_factor * self.spread[known], self.effective_runs[known], self.beyond[known])
        found[known] = stdtr(self.dof[known], (self.given[known] - self.centre[known]) / width)
        return found

    def at_least(self, probability: float, spread_factor: float = 1.0) -> Floats:
        """Return the bounds that were given (fractions; g/g for a mass ratio), 0 where there was none, shape (runs,).

        NaN where there was no forecast.
        """
        from scipy.special import stdtrit

        among = among_usable(probability, self.mean_failure)
        width = next_run_width(spread_factor * self.spread, self.effective_runs, self.beyond)
        points = self.centre + width * stdtrit(self.dof, np.maximum(among, NO_BOUND))
        bounds = np.where(self.ln_scale, off_scale(points, "ln"), off_scale(points, "logit"))
        return np.where(among <= NO_BOUND, 0.0, bounds)

    def bounded(self, probability: float) -> Flags:
        """Return whether each run was given a bound above 0, shape (runs,)."""
        return np.asarray(among_usable(probability, self.mean_failure) > NO_BOUND)

    def reached(self, probability: float, rank: Floats) -> Flags:
        """Return whether each run reached its bound, of ``rank`` as :meth:`rank` gives it; a failed run reaches none.

        False where there was no bound above 0.
        """
        among = among_usable(probability, self.mean_failure)
        return np.asarray((among > NO_BOUND) & (rank >= among) & (rank > 0))


def past_forecasts(runs: PastRuns) -> PastForecasts:
    """Return what each run would have been forecast to give, from the runs of earlier days alone.

    Runs of one day do not know of one another: which of them was first is not recorded. The first usable run of a step
    has nothing to be forecast from. The work is that of sorting, and of days times steps for the prior.

    >>> one = PastRuns(*(np.array(each) for each in ([0, 0], [1, 2], [0.6, 0.3], [5.0, 5.0], [-1, -1], [False])))
    >>> found = past_forecasts(one)
    >>> found.runs_before.tolist(), found.at_least(0.9).round(4).tolist()
    ([0, 1], [nan, 0.1872])
    """
    order = np.lexsort((runs.day, runs.step))
    book = _Sorted(runs, order)
    before, first = book.before, book.first
    usable = ~np.isnan(book.yields)
    k, failed = book.earlier(usable), book.earlier(~usable)
    known = k > 0
    own = book.step

    by_ln = book.on_ln(before, first, own)
    sums = [book.moments(scale, before, first, own) for scale in ("logit", "ln")]
    mean, squares = (np.where(by_ln, ln, logit) for logit, ln in zip(*sums, strict=True))

    days, at_day = np.unique(book.day, return_inverse=True)
    nu0, s0 = (np.empty((2, len(days))) for _ in range(2))
    for part, prior in _priors(book, days):
        nu0[:, part], s0[:, part] = prior
    prior_of = (by_ln.astype(np.int64), at_day)

    so_far, new_lot = book.lots(usable)
    effective = np.where(new_lot & (so_far > 1), runs_by_lots(np.maximum(k, 1), so_far), np.maximum(k, 1.0))
    default = [default_prior(scale) for scale in ("logit", "ln")]
    lent = np.stack([(nu0[n] != each.nu0) | (s0[n] != each.s0) for n, each in enumerate(default)])
    priors = (nu0[prior_of], s0[prior_of])
    dof, spread = moderated_spread(*priors, squares, np.maximum(k, 1), effective, lent[prior_of])

    ordered = np.sort(book.day)
    elsewhere = np.searchsorted(ordered, book.day, side="left") - k - failed
    failed_days = np.sort(book.day[~usable])
    failed_elsewhere = np.searchsorted(failed_days, book.day, side="left") - failed
    a, b = failure_chance(k, failed, chance_elsewhere(elsewhere, failed_elsewhere))

    largest = book.largest_before(usable)
    with np.errstate(invalid="ignore", divide="ignore"):
        larger = np.where(book.batch_g > largest, np.log(book.batch_g / largest), 0.0)
    beyond = beyond_variance(np.where(np.isfinite(larger), larger, 0.0))

    def back(values: Any, unknown: float | None = np.nan) -> Any:
        """In the order in which the runs came; ``unknown`` where there was no forecast."""
        found = np.empty_like(values)
        found[order] = values if unknown is None else np.where(known, values, unknown)
        return found

    return PastForecasts(
        runs_before=back(k, None),
        ln_scale=back(by_ln, None),
        centre=back(mean),
        spread=back(spread),
        dof=back(dof),
        effective_runs=back(effective),
        beyond=back(beyond),
        mean_failure=back(a / (a + b)),
        given=back(book.given(by_ln)),
    )


class _Sorted:
    """The runs by step and day, with running sums over them."""

    def __init__(self, runs: PastRuns, order: Places) -> None:
        self.step, self.day = runs.step[order].astype(np.int64), runs.day[order].astype(np.int64)
        self.yields, self.batch_g, self.lot = runs.yields[order], runs.batch_g[order], runs.lot[order]
        self.mass_ratio = runs.mass_ratio
        count = len(order)
        self.starts: Places = np.searchsorted(self.step, np.arange(len(runs.mass_ratio) + 1))
        self.first: Places = self.starts[self.step]
        changes = np.ones(count, dtype=np.bool_)
        changes[1:] = (self.step[1:] != self.step[:-1]) | (self.day[1:] != self.day[:-1])
        self.before: Places = np.maximum.accumulate(np.where(changes, np.arange(count), 0))
        self._usable = ~np.isnan(self.yields)
        self._counts = _running(self._usable)
        self._above = _running(np.greater(self.yields, 1.0, where=self._usable, out=np.zeros(count, dtype=np.bool_)))
        self._sums: dict[Scale, tuple[Floats, Floats, Floats]] = {}

    def earlier(self, which: Flags) -> Places:
        """How many of ``which`` the step of each run had on earlier days."""
        total = _running(which)
        return np.asarray(total[self.before] - total[self.first], dtype=np.int64)

    def on_ln(self, until: Places, since: Places, step: Places) -> Flags:
        """Whether the runs from ``since`` up to ``until`` of ``step`` are to be forecast in ln."""
        count = self._counts[until] - self._counts[since]
        above = self._above[until] - self._above[since]
        return np.asarray(self.mass_ratio[step] | (above > OFTEN_ABOVE_ONE * count))

    def moments(self, scale: Scale, until: Places, since: Places, step: Places) -> tuple[Floats, Floats]:
        """Mean and sum of squares about it of the usable yields of ``step`` from ``since`` to ``until``, else 0."""
        if scale not in self._sums:
            points = np.zeros(len(self.yields))
            points[self._usable] = onto_scale(self.yields[self._usable], scale)
            # Counted from each step's first run: the sums stay small, and equal yields have no spread at all.
            anchors = np.zeros(len(self.mass_ratio))
            leading = np.flatnonzero(self._usable)
            steps, places = np.unique(self.step[leading], return_index=True)
            anchors[steps] = points[leading[places]]
            apart = np.where(self._usable, points - anchors[self.step], 0.0)
            self._sums[scale] = _running(apart), _running(apart * apart), anchors
        sums, squares, anchors = self._sums[scale]
        count = np.maximum(self._counts[until] - self._counts[since], 1)
        total = sums[until] - sums[since]
        about = np.maximum(squares[until] - squares[since] - total * total / count, 0.0)
        return anchors[step] + total / count, about

    def state(self, days: Places, scale: Scale) -> tuple[Floats, Floats]:
        """Sum of squares and degrees of freedom of every step before each day, (days, steps); 0 degrees off scale."""
        width = int(self.day.max()) + 2 if len(self.day) else 1
        steps = np.arange(len(self.mass_ratio))
        keys = self.step * width + self.day
        until = np.searchsorted(keys, steps * width + days[:, None])
        since = np.broadcast_to(self.starts[:-1], until.shape)
        step = np.broadcast_to(steps, until.shape)
        _, squares = self.moments(scale, until, since, step)
        mine = self.on_ln(until, since, step) == (scale == "ln")
        return squares, np.where(mine, self._counts[until] - self._counts[since] - 1, 0).astype(np.float64)

    def lots(self, usable: Flags) -> tuple[Floats, Flags]:
        """Usable runs a lot on earlier days (1 where no lot is recorded), and whether a run's own lot was new then."""
        named = self.lot >= 0
        keys = self.step * (int(self.lot.max(initial=0)) + 2) + self.lot
        counted = np.flatnonzero(usable & named)
        distinct, firsts = np.unique(keys[counted], return_index=True)
        leading = np.zeros(len(keys), dtype=np.bool_)
        leading[counted[firsts]] = True
        lots, runs = self.earlier(leading), self.earlier(usable & named)
        place = np.minimum(np.searchsorted(distinct, keys), max(len(distinct) - 1, 0))
        seen = np.zeros(len(keys), dtype=np.bool_)
        if len(distinct):
            since = self.day[counted[firsts]][place]
            seen = (distinct[place] == keys) & (since < self.day)
        return np.where(lots > 0, runs / np.maximum(lots, 1), 1.0), named & ~seen

    def largest_before(self, usable: Flags) -> Floats:
        """The largest batch that gave product on an earlier day; inf where none is known."""
        sizes = np.where(usable & np.isfinite(self.batch_g), self.batch_g, -np.inf)
        running = np.empty(len(sizes))
        for start, end in zip(self.starts[:-1].tolist(), self.starts[1:].tolist(), strict=True):
            running[start:end] = np.maximum.accumulate(sizes[start:end])
        found = np.where(self.before > self.first, running[np.maximum(self.before - 1, 0)], np.inf)
        return np.where(found > 0, found, np.inf)

    def given(self, by_ln: Flags) -> Floats:
        """What each run gave on its scale, without a cap; −inf where it failed."""
        values = np.where(self._usable, self.yields, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            ln = np.log(values)
            logit = np.where(values < 1, ln - np.log1p(-np.minimum(values, 1.0)), np.inf)
        # A usable trace reaches what lies below the least yield of the scale no less than the least yield does.
        least = np.where(by_ln, np.log(LEAST_YIELD), np.log(LEAST_YIELD / (1 - LEAST_YIELD)))
        return np.where(self._usable, np.maximum(np.where(by_ln, ln, logit), least), -np.inf)


def _priors(book: _Sorted, days: Places) -> Iterator[tuple[slice, tuple[Floats, Floats]]]:
    """ν0 and s0 before each day, shape (2, days) for logit and ln, a stretch of days at a time."""
    stretch = max(1, _CELLS // max(len(book.mass_ratio), 1))
    for start in range(0, len(days), stretch):
        part = slice(start, start + stretch)
        found = [shared_priors(*book.state(days[part], scale), scale) for scale in ("logit", "ln")]
        yield part, (np.stack([nu0 for nu0, _ in found]), np.stack([s0 for _, s0 in found]))


def _running(values: Any) -> Any:
    """Sums of all values before each place, one more than there are values."""
    return np.concatenate(([0], np.cumsum(values)))
