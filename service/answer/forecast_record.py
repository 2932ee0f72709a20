"""How often the lower bounds of past forecasts held, and what follows for the next one."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from typing import Any

import numpy as np

from service.analytics.forecast.kept import ASKED, FACTORS, INTERVAL, LEAST_FORECASTS, Kept, StepRecord
from service.analytics.statistics.binomial import binomial_interval
from service.answer.book import Book
from service.answer.past_forecasts import Past, past_of
from service.answer.run_columns import Columns, Group
from service.domain.route import Route
from service.domain.run import FINISHED
from service.errors import Fault, MalformedInput
from service.store.columns import NO_DAY

METHOD = "forecast-record/1"

_WIDER = ", ".join(f"{factor:g}" for factor in FACTORS[1:])
RULE = (
    f"A step is judged by its own forecasts from {LEAST_FORECASTS} of them on, before that by those of all steps of "
    f"the workshop together. A bound does not hold where the upper end of the exact {100 * INTERVAL:g} % interval of "
    f"the share that held lies under what was asked; the spread is then widened by the least of {_WIDER} with which "
    "the past bounds would have held, else by the last."
)


def forecast_record_of(
    book: Book,
    *,
    route_code: str | None = None,
    step_code: str | None = None,
    confidence: float = 0.90,
    as_of: dt.date,
) -> dict[str, Any]:
    """Return how often the 80, 90 and 95 % bounds held: of every step, of one route's steps, or of one step.

    Every counted and every failed run is forecast from the usable runs of its step on earlier days, with what the
    workshop's other steps had shown by then, for its own batch size and with its own lot new or known. A failed run
    reaches no bound above 0; a bound of 0 promises nothing and is counted apart. ``confidence`` is that of the
    intervals of the shares, two-sided and exact. Of one step, ``runs`` has every forecast beside what came.

    Raises UnknownRecord for an unknown route or step, MalformedInput for a step without its route.
    """
    if step_code is not None and route_code is None:
        fault = Fault("missing-parameter", "a step is named with its route", expected="route=", parameter="route")
        raise MalformedInput([fault])
    columns = book.columns
    numbers = [n for n, group in enumerate(columns.groups) if route_code in (None, group.route)]
    if route_code is None:
        routes: dict[str, Route] = book.records("routes", {columns.groups[n].route for n in numbers})
    else:
        route = book.route(route_code)
        routes = {route.code: route}
        if step_code is not None:
            book.step(route, step_code)
            numbers = [n for n in numbers if columns.groups[n].step == step_code]
    past = past_of(columns, as_of)
    numbers.sort(key=lambda n: columns.groups[n][:2])
    steps = [_step(past, n, columns.groups[n], routes, confidence) for n in numbers]
    mine = np.isin(past.runs.step, numbers)
    return {
        "route": route_code,
        "step": step_code,
        "as_of": as_of.isoformat(),
        "confidence": confidence,
        "steps": steps,
        "overall": _laid_out(_together([past.promises.steps[n] for n in numbers]), confidence),
        "bounds": [
            {"route": step["route"], "step": step["step"], "current": step["current"], "asked": int(asked), **line}
            for step in steps
            for asked, line in step["bounds"].items()
        ],
        "runs": _runs(columns, past, np.flatnonzero(mine)) if step_code is not None else [],
        "rule": RULE,
        "reasons": {} if step_code is not None else {"runs": "every run is shown for one step: route= and step="},
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={"route": route_code, "step": step_code, "confidence": confidence},
            runs=int(mine.sum()),
            left_out=_left_out(columns, numbers, as_of),
        ),
    }


def _step(past: Past, number: int, group: Group, routes: dict[str, Route], confidence: float) -> dict[str, Any]:
    """The line of one step in one form; ``current`` says whether it is the step as it now stands."""
    route = routes.get(group.route)
    step = None if route is None else route.step(group.step)
    first = (past.runs.step == number) & (past.forecasts.runs_before == 0)
    return {
        "route": group.route,
        "step": group.step,
        "current": step is not None and step.pooled_as() == group.pooled_as,
        **_laid_out(past.promises.steps[number], confidence),
        "without_runs_before": int(first.sum()),
        "judged_by": "all steps" if past.promises.by_all[number] else "its own forecasts",
        "spread_factor": past.promises.factors[number],
    }


def _laid_out(record: StepRecord, confidence: float) -> dict[str, Any]:
    return {
        "forecasts": record.forecasts,
        "holds": record.holds,
        "bounds": {str(kept.asked): _line(kept, confidence) for kept in record.kept},
        "reasons": {} if record.holds is not None else {"holds": "no bound above 0 was forecast"},
    }


def _line(kept: Kept, confidence: float) -> dict[str, Any]:
    low, high = binomial_interval(kept.held, kept.bounded, confidence) if kept.bounded else (None, None)
    return {
        "bounds_above_0": kept.bounded,
        "held": kept.held,
        "zero_bounds": kept.zero_bounds,
        "share": kept.share,
        "low": low,
        "high": high,
        "ceiling": kept.ceiling,
        "holds": kept.holds,
    }


def _together(records: list[StepRecord]) -> StepRecord:
    """Several steps as one."""
    by_asked = [[record.kept[place] for record in records] for place in range(len(ASKED))]
    return StepRecord.of(
        sum(record.forecasts for record in records),
        [sum(kept.bounded for kept in each) for each in by_asked],
        [sum(kept.held for kept in each) for each in by_asked],
    )


def _runs(columns: Columns, past: Past, mine: np.ndarray[Any, Any]) -> list[dict[str, Any]]:
    """Every run of a step in time order: what was forecast, and what came."""
    runs, forecasts = past.runs, past.forecasts
    mine = mine[np.argsort(runs.day[mine], kind="stable")]
    bounds = {asked: forecasts.at_least(asked / 100)[mine].tolist() for asked in ASKED}
    rank = forecasts.rank()
    held = {asked: forecasts.reached(asked / 100, rank)[mine].tolist() for asked in ASKED}
    lines = []
    for place, index in enumerate(mine.tolist()):
        known = int(forecasts.runs_before[index]) > 0
        gave = float(runs.yields[index])
        lines.append(
            {
                "run": str(columns.run[past.places[index]]),
                "finished_on": dt.date.fromordinal(int(runs.day[index])).isoformat(),
                "runs_before": int(forecasts.runs_before[index]),
                "yield": None if np.isnan(gave) else gave,
                "failed": bool(np.isnan(gave)),
                "at_least": {str(asked): bounds[asked][place] if known else None for asked in ASKED},
                "held": {
                    str(asked): held[asked][place] if known and bounds[asked][place] > 0 else None for asked in ASKED
                },
            }
        )
    return lines


def _left_out(columns: Columns, numbers: list[int], as_of: dt.date) -> list[dict[str, Any]]:
    """What has no place in the record, by reason, with how many runs."""
    mine = np.isin(columns.group, numbers)
    in_time = mine & (columns.day <= as_of.toordinal())
    finished = columns.is_word("status", FINISHED) & ~columns.excluded
    unknown = in_time & finished & ~np.isfinite(columns.yields)
    found = Counter(
        {
            "left out of statistics": int((in_time & columns.excluded).sum()),
            "its theoretical amount is not known": int(unknown.sum()),
            "without a date": int((in_time & (columns.day == NO_DAY)).sum()),
        }
    )
    return [{"reason": reason, "runs": count} for reason, count in found.items() if count]
