"""Flat series for people who plot: every run on a line, or the yields of steps over time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from service.analytics.statistics.describe import describe_groups
from service.answer.book import Book
from service.answer.run_columns import Columns, Floats, Places
from service.answer.run_filter import RunFilter, current_forms
from service.domain.run import FAILED, FINISHED
from service.errors import Fault, MalformedInput
from service.store.columns import NO_DAY

METHOD = "series/1"
MOST_RUNS: Final = 50_000
MOST_STRETCHES: Final = 2000
_EPOCH: Final = dt.date(1970, 1, 1).toordinal()
_EVERY: Final[Mapping[str, Callable[[npt.NDArray[Any]], npt.NDArray[Any]]]] = {
    "week": lambda days: (days - (days - 4) % 7).astype("datetime64[D]"),
    "month": lambda days: days.astype("datetime64[D]").astype("datetime64[M]").astype("datetime64[D]"),
    "quarter": lambda days: _first_month(days, 3),
    "year": lambda days: days.astype("datetime64[D]").astype("datetime64[Y]").astype("datetime64[D]"),
}
"""The first day of the stretch of time that each day lies in, both counted from 1970-01-01; weeks begin on Monday."""
EVERY: Final = tuple(_EVERY)


def _first_month(days: npt.NDArray[Any], months: int) -> npt.NDArray[Any]:
    number = days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    return (number - number % months).astype("datetime64[M]").astype("datetime64[D]")


def run_series_of(book: Book, *, asked: RunFilter, as_of: dt.date) -> dict[str, Any]:
    """Return every run that passes the filter, whatever its status, by step and day.

    Masses are in g, yields fractions; null where unknown. Raises MalformedInput where there are more than 50,000.
    """
    columns = book.columns
    places = not_too_many(np.flatnonzero(asked.passing(book, as_of)))
    figures = {
        "batch_g": columns.batch_g,
        "theoretical_g": columns.theoretical_g,
        "contained_g": columns.contained_g,
        "net_g": columns.net_g,
        "yield": columns.yields,
        "yield_u": columns.yield_u,
    }
    groups = [columns.groups[number] for number in columns.group[places].tolist()]
    lines: dict[str, list[Any]] = {
        "run": columns.run[places].tolist(),
        "route": [group.route for group in groups],
        "step": [group.step for group in groups],
        "basis": [group.basis for group in groups],
        "day": days_of(columns, places),
        "left_out": columns.excluded[places].tolist(),
        **{
            name: columns.coded[name].at(places).texts().tolist()
            for name in ("status", "operator", "project", "key_lot")
        },
        **{name: nulls(values[places]) for name, values in figures.items()},
    }
    names = tuple(lines)
    return {
        "as_of": as_of.isoformat(),
        "runs": [dict(zip(names, line, strict=True)) for line in zip(*lines.values(), strict=True)],
        "rests_on": book.rests_on(as_of, METHOD, filters=asked.told(), runs=len(places)),
    }


def yield_series_of(book: Book, *, asked: RunFilter, every: str, as_of: dt.date) -> dict[str, Any]:
    """Return the yields of steps over time, a line for each ``every`` week, month, quarter or year that has runs.

    Runs left out and those of earlier forms of a step do not count; nor does a run without a date, which lies in no
    stretch of time. Raises MalformedInput where a step would have more than 2,000 stretches.
    """
    columns = book.columns
    finished = columns.is_word("status", FINISHED) & np.isfinite(columns.yields)
    failed = columns.is_word("status", FAILED)
    passes = asked.passing(book, as_of) & current_forms(book)[columns.group] & ~columns.excluded
    places = np.flatnonzero(passes & (finished | failed) & (columns.day != NO_DAY))
    first = _EVERY[every](columns.day[places].astype(np.int64) - _EPOCH)
    stretches = len(np.unique(first))
    if stretches > MOST_STRETCHES:
        detail = f"these are {stretches} stretches of time: ask for longer ones, or for fewer days"
        raise MalformedInput(
            [Fault("too-many-stretches", detail, every, f"at most {MOST_STRETCHES}", parameter="every")]
        )
    # The columns are by group and day already: a new line begins where either changes.
    group = columns.group[places]
    begins = np.ones(len(places), dtype=np.bool_)
    begins[1:] = (group[1:] != group[:-1]) | (first[1:] != first[:-1])
    starts = np.flatnonzero(begins)
    of = np.cumsum(begins) - 1
    counted = finished[places]
    number = np.bincount(of[counted], minlength=len(starts))
    described = describe_groups(
        columns.yields[places][counted], np.concatenate([[0], np.cumsum(number)]).astype(np.int64)
    )
    contained = np.where(counted, columns.contained_g[places], 0.0)
    theoretical = columns.theoretical_g[places]
    weighed = np.isfinite(theoretical)
    out_of = np.bincount(of[weighed], theoretical[weighed], len(starts))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(out_of > 0.0, np.bincount(of[weighed], contained[weighed], len(starts)) / out_of, np.nan)
    lines = zip(
        [columns.groups[each] for each in group[starts].tolist()],
        np.datetime_as_string(first[starts]).tolist(),
        number.tolist(),
        np.bincount(of[~counted], minlength=len(starts)).tolist(),
        *(nulls(each) for each in (described.mean, described.median, described.q1, described.q3, ratio)),
        strict=True,
    )
    names = ("counted", "failed", "mean", "median", "q1", "q3", "ratio_of_totals")
    return {
        "as_of": as_of.isoformat(),
        "every": every,
        "yields": [
            {
                "route": of_step.route,
                "step": of_step.step,
                "basis": of_step.basis,
                "from": begun,
                **dict(zip(names, figures, strict=True)),
            }
            for of_step, begun, *figures in lines
        ],
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={**asked.told(), "every": every},
            runs=int(counted.sum()),
            without_a_day=int((passes & (finished | failed) & (columns.day == NO_DAY)).sum()),
        ),
    }


def not_too_many(places: Places) -> Places:
    """Return the places of runs as they are. Raises MalformedInput where there are more than 50,000."""
    if len(places) > MOST_RUNS:
        detail = f"these are {len(places)} runs: narrow them by route, step, project, operator or days"
        expected = f"a filter that at most {MOST_RUNS} runs pass"
        raise MalformedInput([Fault("too-many-runs", detail, len(places), expected, parameter="from")])
    return places


def days_of(columns: Columns, places: Places) -> list[str | None]:
    """Return the days of runs as ISO text, None of those without one."""
    days = columns.day[places].tolist()
    return [None if day == NO_DAY else dt.date.fromordinal(day).isoformat() for day in days]


def nulls(values: Floats) -> list[float | None]:
    """Return numbers with None in place of those that are not known."""
    return [None if value != value else value for value in values.tolist()]
