"""What drives the yield of a step: how much of its spread goes with who, from what, from whom and when."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from service.analytics.forecast.spread import onto_scale
from service.analytics.statistics.confounding import UNKNOWN, Confounded, confounded
from service.analytics.statistics.random_effects import RandomEffects, random_effects
from service.analytics.statistics.slopes import corrected
from service.answer.book import Book
from service.answer.run_columns import Floats
from service.answer.run_filter import RunFilter
from service.answer.step_history import StepHistory, history_of
from service.store.charged_lots import charged_lots
from service.store.columns import NO_DAY

METHOD = "drivers/1"

FOUND_BELOW = 0.05
"""A grouping is said to matter where chance alone, all groupings asked, would show as much less often than this."""
NOTES = (
    "each grouping is judged alone: shares overlap and do not add up to 1",
    "a ratio is what a run of the group gives beside the mean of the other groups, drawn in by how little is known",
    "runs were not assigned by lot: what goes with the yield need not be what makes it",
)

ANYTHING = RunFilter()


@dataclass(frozen=True, slots=True)
class Factor:
    """One grouping: the group of each run, −1 for none, and the names of the groups.

    ``unit`` is, for each run, what the grouping was decided for: itself, or the lot where a lot has one supplier.
    """

    name: str
    material: str | None
    levels: tuple[str, ...]
    of_run: npt.NDArray[np.int64]
    unit: npt.NDArray[np.int64] | None = None


def drivers_of(
    book: Book,
    route_code: str,
    step_code: str,
    *,
    as_of: dt.date,
    asked: RunFilter = ANYTHING,
    confidence: float = 0.90,
) -> dict[str, Any]:
    """Return the spread of a step's yields by operator, lot of each charge, its supplier and month, each alone.

    Random effects on ln Y, so that an effect is a ratio; the counted runs up to ``as_of``. A supplier is judged over
    its lots, not over runs: runs of one lot are no news about who sold it. Intervals at two-sided ``confidence``.
    Raises UnknownRecord for a route or step that there is not.
    """
    history = history_of(book, route_code, step_code, as_of, asked)
    logs = onto_scale(history.yields, "ln")
    factors = factors_of(book, history)
    fits = [_fit(factor, logs, confidence) for factor in factors]
    allowed = corrected([fit.p for fit, _ in fits])
    reasons: dict[str, str] = {}
    measurement = _measurement(history, reasons)
    pairs = confounded({factor.name: factor.of_run for factor in factors})
    lines, effects = [], []
    for factor, (fit, counts), p_corrected in zip(factors, fits, allowed, strict=True):
        with_it = [each for pair in pairs if factor.name in (each := {pair.first, pair.second})]
        beside = sorted(set().union(*with_it) - {factor.name})
        lines.append(_line(factor, fit, counts, p_corrected, len(history.runs)) | {"confounded_with": beside})
        effects += _effects(factor, fit, counts, history)
    return {
        "route": route_code,
        "step": history.step.code,
        "basis": history.step.basis,
        "as_of": as_of.isoformat(),
        "factors": lines,
        "effects": effects,
        "confounded": _confounded(factors, pairs),
        "likely_slips": list(history.likely_slips),
        **measurement,
        "shares_add": False,
        "notes": list(NOTES),
        "reasons": reasons,
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={"route": route_code, "step": step_code, "confidence": confidence, **asked.told()},
            runs=len(history.runs),
            left_out=[dict(left) for left in history.left_out],
        ),
    }


# ---- groupings


def factors_of(book: Book, history: StepHistory) -> list[Factor]:
    """Return the groupings of a step's runs that are asked about, whether or not they can answer."""
    months = [None if day == NO_DAY else dt.date.fromordinal(int(day)).isoformat()[:7] for day in history.day]
    found = [_factor("operator", None, list(history.operator)), _factor("month", None, months)]
    place = {run: number for number, run in enumerate(history.runs)}
    # Where a run took from several lots of a material, the one that most came from stands for it.
    main: dict[str, dict[int, tuple[int, str, str | None]]] = {}
    totals: dict[tuple[str, str], int] = {}
    for charge in charged_lots(book.reading, history.runs):
        key = (charge.run, charge.lot)
        totals[key] = totals.get(key, 0) + charge.quantity
        mine = main.setdefault(charge.material, {})
        number = place[charge.run]
        if number not in mine or totals[key] > mine[number][0]:
            mine[number] = (totals[key], charge.lot, charge.supplier)
    materials = sorted(main, key=lambda material: (material != history.step.key_input, material))
    for material in materials:
        lots: list[str | None] = [None] * len(history.runs)
        suppliers: list[str | None] = [None] * len(history.runs)
        for number, (_, lot, supplier) in main[material].items():
            lots[number], suppliers[number] = lot, supplier
        by_lot = _factor("lot", material, lots)
        found.append(by_lot)
        if any(supplier is not None for supplier in suppliers):
            found.append(_factor("supplier", material, suppliers, by_lot.of_run))
    return found


def _factor(
    kind: str, material: str | None, names: Sequence[str | None], unit: npt.NDArray[np.int64] | None = None
) -> Factor:
    levels = tuple(sorted({name for name in names if name is not None}))
    number = {name: at for at, name in enumerate(levels)}
    of_run = np.array([UNKNOWN if name is None else number[name] for name in names], dtype=np.int64)
    return Factor(kind if material is None else f"{kind}:{material}", material, levels, of_run, unit)


# ---- one grouping


def _fit(factor: Factor, logs: Floats, confidence: float) -> tuple[RandomEffects, npt.NDArray[np.int64]]:
    """Return the fit of one grouping, and how many runs each of its groups has."""
    known = factor.of_run != UNKNOWN
    of_run, values = factor.of_run[known], logs[known]
    counts = np.bincount(of_run, minlength=len(factor.levels))
    if factor.unit is None:
        return random_effects(values, of_run, confidence), counts
    _, first, unit = np.unique(factor.unit[known], return_index=True, return_inverse=True)
    means = np.bincount(unit, weights=values) / np.bincount(unit)
    return random_effects(means, of_run[first], confidence), counts


def _line(
    factor: Factor, fit: RandomEffects, counts: npt.NDArray[np.int64], p_corrected: float | None, runs: int
) -> dict[str, Any]:
    reasons = {} if fit.between is not None else dict.fromkeys(_FIGURES, _why(factor, fit))
    return {
        "factor": factor.name,
        "material": factor.material,
        "judged_over": "runs" if factor.unit is None else "lots",
        "groups": len(factor.levels),
        "runs": int(counts.sum()),
        "runs_without": runs - int(counts.sum()),
        "between_sd": None if fit.between is None else math.sqrt(fit.between),
        "within_sd": None if fit.within is None else math.sqrt(fit.within),
        "share": fit.share,
        "p": fit.p,
        "p_corrected": p_corrected,
        "found": None if p_corrected is None else p_corrected < FOUND_BELOW,
        "reasons": reasons,
    }


_FIGURES = ("between_sd", "within_sd", "share", "p", "p_corrected", "found")


def _why(factor: Factor, fit: RandomEffects) -> str:
    if not factor.levels:
        return "no run says"
    why = fit.reasons["between"]
    return why if factor.unit is None else why.replace("run a", "lot a").replace("runs of a", "lots of a")


def _effects(
    factor: Factor, fit: RandomEffects, counts: npt.NDArray[np.int64], history: StepHistory
) -> list[dict[str, Any]]:
    if fit.against_others is None or fit.se is None or fit.low is None or fit.high is None:
        return []
    ratios = np.exp(fit.against_others)
    known = factor.of_run != UNKNOWN
    means = np.bincount(factor.of_run[known], weights=history.yields[known]) / counts
    return [
        {
            "factor": factor.name,
            "group": level,
            "runs": int(counts[at]),
            "mean_yield": float(means[at]),
            "ratio": float(ratios[at]),
            "ratio_u": float(ratios[at] * fit.se[at]),
            "low": math.exp(fit.low[at]),
            "high": math.exp(fit.high[at]),
            "detail": f"behaves like {ratios[at]:.2f} ± {ratios[at] * fit.se[at]:.2f} of the others",
        }
        for at, level in enumerate(factor.levels)
    ]


# ---- what stands beside


def _confounded(factors: Sequence[Factor], pairs: Sequence[Confounded]) -> list[dict[str, Any]]:
    groups = {factor.name: len(factor.levels) for factor in factors}
    lines = []
    for pair in pairs:
        coarse, fine = sorted((pair.first, pair.second), key=lambda name: (groups[name], name))
        if pair.apart == 0.0:
            detail = f"all runs of one {fine} are of one {coarse}: what either does shows as what the other does"
        else:
            detail = f"{coarse} and {fine} nearly go together: an effect of one shows largely as one of the other"
        line = {"groupings": [pair.first, pair.second], "association": pair.association, "apart": pair.apart}
        lines.append({**line, "runs": pair.runs, "detail": detail})
    return lines


def _measurement(history: StepHistory, reasons: dict[str, str]) -> dict[str, Any]:
    """The part of the variance of the yields that their weighings explain, and what is left for the process."""
    known = np.isfinite(history.yield_u)
    share: float | None = None
    if len(history.runs) < 2:
        reason = "one run has no spread" if len(history.runs) else "no runs"
    elif not known.any():
        reason = "no yield has an uncertainty"
    else:
        reason = "all runs are alike"
        variance = float(history.yields.var(ddof=1))
        if variance > 0:
            share = float((history.yield_u[known] ** 2).mean()) / variance
    if share is None:
        reasons |= dict.fromkeys(("measurement_share", "process_share"), reason)
        return {"measurement_share": None, "process_share": None}
    return {"measurement_share": share, "process_share": max(0.0, 1.0 - share)}
