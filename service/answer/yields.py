"""What each step of a route really gave, what its next run will give, and what comes of a gram that goes in."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from service.analytics.forecast.next_run import StepForecast
from service.analytics.statistics.describe import describe
from service.analytics.statistics.ratio import ratio_of_totals
from service.answer.book import Book
from service.answer.route_model import RouteModel, StepModel
from service.answer.statistics_line import statistics_line
from service.answer.step_runs import StepRuns, experience_of, forecast_of, next_run_line
from service.errors import NotComputable

METHOD = "yields/1"


def yields_of(
    book: Book, route_code: str, *, as_of: dt.date, confidence: float = 0.90, points: bool = False
) -> dict[str, Any]:
    """Return the statistics of every step of a route over its runs up to ``as_of``, and the overall yield.

    ``confidence`` is that of the interval of the ratio of totals, two-sided. Yields are fractions. Quartiles are of
    Hyndman and Fan's type 7; the ratio counts failed runs at zero, ``ratio_usable`` leaves them out. With
    ``points`` each step has its counted runs in time order, as a picture needs them. Raises
    UnknownRecord where there is no such route.
    """
    model = RouteModel(book, book.route(route_code), as_of)
    experience = experience_of(book, as_of)
    route, steps = model.route, model.runs
    lines = []
    for runs in steps.values():
        try:
            forecast = forecast_of(runs, experience)
        except NotComputable as error:
            lines.append(step_statistics(runs, None, confidence, str(error)))
        else:
            lines.append(step_statistics(runs, forecast, confidence))
        if points:
            pairs = zip(runs.codes, runs.yields.tolist(), strict=True)
            lines[-1]["points"] = [{"run": code, "yield": value} for code, value in pairs]
    return {
        "route": route.code,
        "as_of": as_of.isoformat(),
        "steps": lines,
        "overall": _overall(model, {line["step"]: line["ratio_of_totals"] for line in lines}),
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={"route": route.code, "confidence": confidence},
            runs=sum(len(runs.codes) for runs in steps.values()),
            left_out=[dict(left) for runs in steps.values() for left in runs.left_out],
        ),
    }


def step_statistics(
    runs: StepRuns, forecast: StepForecast | None, confidence: float, no_forecast: str | None = None
) -> dict[str, Any]:
    """Return the statistics of one step as an answer shows them; what is unknown is null, with its reason."""
    ratio = ratio_of_totals(runs.all_contained_g, runs.all_theoretical_g, confidence)
    usable = runs.all_theoretical_g[: len(runs.yields)].sum()
    counts = {
        "counted": len(runs.yields),
        "failed": runs.failed,
        "abandoned": runs.abandoned,
        "open": runs.open,
        "left_out": [dict(left) for left in runs.left_out],
    }
    line = statistics_line(
        counts, describe(runs.yields), ratio,
        ratio_usable=float(runs.contained_g.sum() / usable) if usable > 0.0 else None,
        weighing_u=_mean(runs.yield_u), reasons=runs.reasons,
    )  # fmt: skip
    reasons = line.pop("reasons")
    next_run: dict[str, Any] | None = None
    if forecast is None:
        reasons["next_run"] = no_forecast or "no runs"
    else:
        next_run = next_run_line(runs, forecast, reasons)
    return {
        "step": runs.step.code,
        "name": runs.step.name,
        "basis": runs.step.basis,
        **line,
        "next_run": next_run,
        "above_one": list(runs.capped_runs),
        "reasons": reasons,
    }


def _mean(values: Any) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else None


# ---- the whole route


def _overall(model: RouteModel, ratios: Mapping[str, float | None]) -> dict[str, Any]:
    """The product of the ratios along the key inputs; a line for each material that a branch begins with."""
    grams: dict[str, float | None] = {}
    for step in model.steps:
        found = ratios[step.step.code]
        grams[step.step.code] = None if found is None or step.factor_g_per_g is None else found * step.factor_g_per_g
    lines = [_line(start, path, ratios, grams) for start, path in _paths(model)]
    main = next((line for line in lines if line["main"]), None)
    ratio = main["ratio_of_totals"] if main else None
    through = main["product_per_key_input_g_per_g"] if main else None
    return {
        "ratio_of_totals": ratio,
        "product_per_key_input_g_per_g": through,
        "lines": lines,
        "reasons": main["reasons"] if main else {},
    }


def _line(
    start: str, path: list[tuple[str, float | None, bool]], ratios: Mapping[str, Any], grams: Mapping[str, Any]
) -> dict[str, Any]:
    codes = [code for code, _, _ in path]
    unknown = [code for code in codes if ratios[code] is None]
    weightless = [code for code, share, _ in path if grams[code] is None or not share]
    reasons = {}
    if unknown:
        reasons["ratio_of_totals"] = f"no ratio for step {', '.join(unknown)}"
    if weightless:
        reasons["product_per_key_input_g_per_g"] = f"no grams per gram for step {', '.join(weightless)}"
    through = None if weightless else math.prod(grams[code] / share for code, share, _ in path if share)
    return {
        "from": start,
        "main": all(key for _, _, key in path),
        "steps": codes,
        "ratio_of_totals": None if unknown else math.prod(ratios[code] for code in codes),
        "product_per_key_input_g_per_g": through,
        "reasons": reasons,
    }


def _paths(model: RouteModel) -> Iterator[tuple[str, list[tuple[str, float | None, bool]]]]:
    """Each starting material with the steps from it to the product.

    A step of a path is its code, the grams that it takes of what comes from before a gram of its key input (1 for the
    key input itself, None where the bill cannot be turned into grams), and whether that is its key input.
    """

    def back(
        step: StepModel, tail: list[tuple[str, float | None, bool]]
    ) -> Iterator[tuple[str, list[tuple[str, float | None, bool]]]]:
        for each in step.inputs:
            path = [(step.step.code, each.need.per_g, each.key), *tail]
            if each.maker is not None:
                yield from back(model.steps[each.maker], path)
            elif each.key:
                yield each.material, path

    yield from back(model.last, [])
