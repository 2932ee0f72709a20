"""The runs of a workshop as the record of past forecasts takes them: what every run would have been promised."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from service.analytics.forecast.kept import Promises, promises_kept
from service.analytics.forecast.record import PastForecasts, PastRuns, past_forecasts
from service.answer.run_columns import Columns, Group
from service.domain.route import MASS_RATIO
from service.domain.run import FAILED, FINISHED
from service.store.columns import NO_DAY


@dataclass(frozen=True, slots=True)
class Past:
    """The forecasts of a workshop's runs up to a day; ``places`` are those of the runs in the columns.

    ``promises`` has a line for every group of the columns, in their order.
    """

    places: np.ndarray[tuple[int], np.dtype[np.intp]]
    runs: PastRuns
    forecasts: PastForecasts
    promises: Promises

    def factors(self, groups: tuple[Group, ...]) -> Mapping[tuple[str, str, str], float]:
        """By route, step and form, the factor by which a spread is widened; only those above 1."""
        return {
            (group.route, group.step, group.pooled_as): factor
            for group, factor in zip(groups, self.promises.factors, strict=True)
            if factor > 1
        }


def past_of(columns: Columns, as_of: dt.date) -> Past:
    """Return the forecasts of every counted and failed run up to ``as_of``; a run without a date has no place in time.

    Raises nothing: a workshop without runs has a record without forecasts.
    """
    dated = (columns.day != NO_DAY) & (columns.day <= as_of.toordinal()) & ~columns.excluded
    failed = columns.is_word("status", FAILED)
    places = np.flatnonzero(dated & (failed | (columns.is_word("status", FINISHED) & np.isfinite(columns.yields))))
    lots = columns.coded["key_lot"].at(places)
    none = lots.words.index(None) if None in lots.words else -1
    runs = PastRuns(
        step=columns.group[places].astype(np.int64),
        day=columns.day[places].astype(np.int64),
        yields=np.where(failed[places], np.nan, columns.yields[places]),
        batch_g=columns.batch_g[places],
        lot=np.where(lots.numbers == none, -1, lots.numbers).astype(np.int64),
        mass_ratio=np.array([group.basis == MASS_RATIO for group in columns.groups], dtype=np.bool_),
    )
    forecasts = past_forecasts(runs)
    return Past(places, runs, forecasts, promises_kept(forecasts, runs.step, len(columns.groups)))
