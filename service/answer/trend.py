"""A step in time: its control chart, which runs stand out, and whether its yield goes with scale or with time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import numpy as np

from service.analytics.statistics.control_chart import RULES, ControlChart, control_chart
from service.analytics.statistics.outliers import grubbs
from service.analytics.statistics.slopes import Slope, corrected, slope_of
from service.answer.book import Book
from service.answer.run_filter import RunFilter
from service.answer.step_history import StepHistory, history_of
from service.store.columns import NO_DAY

METHOD = "trend/1"

ANYTHING = RunFilter()


def trend_of(
    book: Book,
    route_code: str,
    step_code: str,
    *,
    as_of: dt.date,
    asked: RunFilter = ANYTHING,
    confidence: float = 0.90,
) -> dict[str, Any]:
    """Return the counted runs of a step up to ``as_of`` in the order of time, with limits, outliers and slopes.

    Yields are fractions. Limits are cut to 0 and 1 where the step's basis has them. Slopes are in yield a unit of
    ln(batch size), so that 0.69 of one is what a doubling does, and in yield a run, each with its interval at
    two-sided ``confidence``; ``p_corrected`` allows for both having been asked. Raises UnknownRecord for a route or
    step that there is not.
    """
    history = history_of(book, route_code, step_code, as_of, asked)
    ends = {"least": 0.0, "most": 1.0} if history.bounded else {}
    chart = control_chart(history.yields, **ends)
    outliers, reason = _outliers(history)
    reasons = dict(chart.reasons) | ({} if reason is None else {"outliers": reason})
    return {
        "route": route_code,
        "step": history.step.code,
        "basis": history.step.basis,
        "as_of": as_of.isoformat(),
        "centre": chart.centre,
        "lower": chart.lower,
        "upper": chart.upper,
        "sigma": chart.sigma,
        "mean_moving_range": chart.mean_moving_range,
        "provisional": chart.provisional,
        "points": _points(history, chart),
        "rules": dict(RULES),
        "outliers": outliers,
        "slopes": _slopes(history, confidence),
        "likely_slips": list(history.likely_slips),
        "failed": history.failed,
        "reasons": reasons,
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={"route": route_code, "step": step_code, "confidence": confidence, **asked.told()},
            runs=len(history.runs),
            left_out=[dict(left) for left in history.left_out],
        ),
    }


def day_text(day: int) -> str | None:
    """Return a day of the columns as ISO text, None where none was written."""
    return None if day == NO_DAY else dt.date.fromordinal(int(day)).isoformat()


def _points(history: StepHistory, chart: ControlChart) -> list[dict[str, Any]]:
    ranges = [None, *np.abs(np.diff(history.yields)).tolist()]
    return [
        {
            "run": run,
            "finished_on": day_text(history.day[place]),
            "yield": float(history.yields[place]),
            "yield_u": _known(history.yield_u[place]),
            "moving_range": ranges[place],
            "batch_g": _known(history.batch_g[place]),
            "operator": history.operator[place],
            "beyond": bool(chart.beyond[place]),
            "rules": list(chart.rules[place]),
        }
        for place, run in enumerate(history.runs)
    ]


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _outliers(history: StepHistory) -> tuple[list[dict[str, Any]], str | None]:
    """The run that Grubbs' test calls an outlier, if any; a reason where it cannot be asked."""
    found = grubbs(history.yields)
    if found.place is None:
        return [], found.reasons["g"]
    if not found.outlying:
        return [], None
    run = history.runs[found.place]
    detail = (
        f"run {run} lies {found.g:.2f} standard deviations from the mean, where chance alone exceeds "
        f"{found.critical:.2f} in one history of 20: look at what was written, and at what was different"
    )
    line = {"run": run, "yield": float(history.yields[found.place])}
    return [{**line, "g": found.g, "critical": found.critical, "p": found.p, "detail": detail}], None


def _slopes(history: StepHistory, confidence: float) -> dict[str, Any]:
    sized = np.isfinite(history.batch_g) & (history.batch_g > 0)
    asked = {
        "ln_batch_size": slope_of(np.log(history.batch_g[sized]), history.yields[sized], confidence),
        "order": slope_of(np.arange(len(history.runs)), history.yields, confidence),
    }
    allowed = dict(zip(asked, corrected([slope.p for slope in asked.values()]), strict=True))
    return {name: _slope(slope, allowed[name]) for name, slope in asked.items()}


def _slope(slope: Slope, p_corrected: float | None) -> Mapping[str, Any]:
    reasons = {name: why for name, why in slope.reasons.items() if name in ("slope", "low", "high", "p")}
    if p_corrected is None:
        reasons["p_corrected"] = slope.reasons["p"]
    return {
        "slope": slope.slope,
        "low": slope.low,
        "high": slope.high,
        "p": slope.p,
        "p_corrected": p_corrected,
        "runs": slope.runs,
        "reasons": reasons,
    }
