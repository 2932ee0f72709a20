"""Where a route loses material and money, step by step; and what changed its cost between two periods."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from service.analytics.money.losses import Loss, StepLoss, StepTotals, step_losses
from service.analytics.money.standard_cost import StandardCost, standard_cost
from service.answer.book import Book
from service.answer.compared import Period, compared
from service.answer.cost import Costing, costing_of
from service.answer.prices import Exchange
from service.answer.recovered import returned
from service.answer.route_model import RouteModel
from service.answer.run_masses import run_masses
from service.answer.step_runs import StepRuns, step_runs
from service.domain.charge import molar_mass_of
from service.domain.route import Step
from service.store.columns import NO_DAY

METHOD = "losses/2"
NO_RUN = "no run is counted"


def losses_of(
    book: Book,
    route_code: str,
    *,
    period: Period,
    compare: Period | None = None,
    currency: str | None,
    as_of: dt.date,
    labour: bool = False,
) -> dict[str, Any]:
    """Return what every step of a route loses in moles, grams and money, over its runs of ``period``.

    Lost is contained product not obtained: against the stoichiometric limit, and against the best run so far, whenever
    that was; a run above its limit counts as 0.98 of it. Money is by the standard cost of these runs at the prices of
    the period's last day: ``cost_per_g`` is what a gram of final product, as isolated and dry, would cost less, and
    ``cost`` the part of what went into the step's runs. A loss is that of failed runs and of low yields together.
    With ``compare`` the change from that period to ``period`` is shared between what changed, by step.

    Raises UnknownRecord for an unknown route, NotComputable for a currency without a rate.
    """
    named = currency or book.workshop.currency
    costing = costing_in(book, route_code, period, named, labour)
    model = costing.model
    best = {code: _best_so_far(book, costing, runs, period) for code, runs in model.runs.items()}
    found = _with_best(costing, best) if period.since is not None else costing.found
    totals = [_totals(costing, place, best) for place in range(len(model.steps))]
    dry = model.last.runs.dry_fraction
    lines = [_line(book, costing, place, loss, best, period) for place, loss in enumerate(step_losses(totals, found))]
    change: list[dict[str, Any]] = []
    comparison = None
    if compare is not None:
        before = costing_in(book, route_code, compare, named, labour)
        comparison, change = compared(compare, before, period, costing)
    return {
        "route": model.route.code,
        "product": model.route.product,
        "as_of": as_of.isoformat(),
        **period.as_dict(),
        "currency": named,
        "cost_per_g": None if found.cost_per_g is None else found.cost_per_g / dry,
        "steps": lines,
        "comparison": comparison,
        "change": change,
        "not_counted": list(costing.not_counted),
        "capped_runs": [code for step in model.steps for code in step.runs.capped_runs],
        "reasons": {key: why for key, why in found.reasons.items() if key == "cost_per_g"},
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={
                "route": model.route.code,
                **period.as_dict(),
                **({} if compare is None else {f"compare_{key}": day for key, day in compare.as_dict().items()}),
                "currency": named,
                "labour": labour,
            },
            runs=sum(len(runs.codes) + runs.failed for runs in model.runs.values()),
            left_out=[dict(left) for runs in model.runs.values() for left in runs.left_out]
            + _undated(book, model, period),
        ),
    }


def costing_in(book: Book, route_code: str, period: Period, currency: str, labour: bool) -> Costing:
    """Return the standard cost of a route by the runs of one period, at the prices of its last day."""
    exchange = Exchange(book, currency, period.until)
    model = RouteModel(book, book.route(route_code), period.until, period.since)
    return costing_of(book, route_code, exchange, labour=labour, model=model)


def _best_so_far(book: Book, costing: Costing, runs: StepRuns, period: Period) -> tuple[str, float] | None:
    if period.since is None:
        return runs.best
    return step_runs(book, costing.model.route, runs.step, period.until).best


def _with_best(costing: Costing, best: Mapping[str, tuple[str, float] | None]) -> StandardCost:
    """The standard cost with what is attainable by the best run of the whole record."""
    steps = []
    for step, model in zip(costing.steps, costing.model.steps, strict=True):
        run = best[step.code]
        known = run is not None and model.factor_g_per_g is not None
        steps.append(replace(step, ratio_best=run[1] * model.factor_g_per_g if known else None))  # type: ignore[index,operator]
    return standard_cost(steps, good=costing.good_steps)


def _totals(costing: Costing, place: int, best: Mapping[str, tuple[str, float] | None]) -> StepTotals:
    model = costing.model.steps[place]
    runs, step = model.runs, model.step
    run = best[step.code]
    given = runs.all_theoretical_g
    known = len(given) > 0 and not runs.reasons
    return StepTotals(
        code=step.code,
        theoretical_g=float(given.sum()) if known else None,
        contained_g=float(runs.capped_contained_g.sum()),
        best_yield=None if run is None else run[1],
        molar_mass_g_per_mol=_molar_mass(costing, step, runs),
        limit_yield=None if runs.mass_ratio else 1.0,
        failed_theoretical_g=float(given[len(runs.yields) :].sum()),
        product_fraction=runs.product_fraction,
    )


def _molar_mass(costing: Costing, step: Step, runs: StepRuns) -> float | None:
    """Of the product; a ratio of masses is not one of moles."""
    materials = costing.model.materials
    product = materials[step.product]
    found = None if runs.mass_ratio else molar_mass_of(product, materials.get(product.analyte_code))
    return None if found is None else found.value


# ---- laying out


def _line(
    book: Book,
    costing: Costing,
    place: int,
    loss: StepLoss,
    best: Mapping[str, tuple[str, float] | None],
    period: Period,
) -> dict[str, Any]:
    model, dry = costing.model.steps[place], costing.model.last.runs.dry_fraction
    runs, run = model.runs, best[model.step.code]
    reasons = dict(loss.reasons)
    if not len(runs.all_theoretical_g):
        reasons |= dict.fromkeys(("against_limit", "theoretical_g", "contained_g", "counts_as_g"), NO_RUN)
    elif runs.reasons:
        reasons["theoretical_g"] = runs.reasons["ratio_of_totals"]
    if runs.mass_ratio:
        reasons["lost_mol"] = "a ratio of masses is not one of moles"
    some = len(runs.all_theoretical_g) > 0
    masses = run_masses(book, costing.model.route, model.step, period.until, period.since)
    return {
        "step": model.step.code,
        "name": model.step.name,
        "basis": model.step.basis,
        "product": model.step.product,
        "runs": {"counted": len(runs.yields), "failed": runs.failed},
        "theoretical_g": float(runs.all_theoretical_g.sum()) if some and not runs.reasons else None,
        "contained_g": float(runs.all_contained_g.sum()) if some else None,
        "counts_as_g": float(runs.capped_contained_g.sum()) if some else None,
        "best_run": None if run is None else run[0],
        "best_yield": None if run is None else run[1],
        "against_limit": _loss(loss.against_limit, dry),
        "against_best": _loss(loss.against_best, dry),
        "recovered": returned(book, costing, place, [each for each in masses if each.counts]),
        "reasons": reasons,
    }


def _loss(loss: Loss, dry: float) -> dict[str, Any]:
    whole = {
        "lost_g": loss.lost_g,
        "lost_mol": loss.lost_mol,
        "cost": loss.cost,
        "lost_g_per_g": _times(loss.lost_g_per_g, 1 / dry),
        "lost_mol_per_g": _times(loss.lost_mol_per_g, 1 / dry),
        "cost_per_g": _times(loss.cost_per_g, 1 / dry),
    }
    failed = loss.failed_share
    return {
        **whole,
        "share": loss.share,
        "failed_runs": {name: _times(value, failed) for name, value in whole.items()},
        "low_yields": {name: _times(value, None if failed is None else 1 - failed) for name, value in whole.items()},
    }


def _times(value: float | None, factor: float | None) -> float | None:
    return None if value is None or factor is None else value * factor


def _undated(book: Book, model: RouteModel, period: Period) -> list[dict[str, str]]:
    """The runs without a date, which belong to no period; where all runs up to a day count they are in it."""
    if period.since is None:
        return []
    columns = book.columns
    places = [place for step in model.order for place in columns.where(model.route.code, step.code).tolist()]
    reason = "it has no date, and the answer is of one period"
    return [{"run": str(columns.run[place]), "reason": reason} for place in places if columns.day[place] == NO_DAY]
