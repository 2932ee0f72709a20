"""What the next run of a step gives at least, and how good the evidence for that is."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any

from service.analytics.forecast.next_run import StepForecast
from service.answer.book import Book
from service.answer.cautions import cautions_of
from service.answer.route_model import RouteModel, StepModel
from service.answer.step_runs import PROBABILITIES, Experience, StepRuns, evidence, experience_of, forecast_of
from service.domain.caution import STANDING, Caution
from service.errors import NotComputable

METHOD = "next-run/1"

FEW_RUNS = 5
"""Fewer usable runs than this say little of a step by themselves (judgement)."""
LONG_AGO_DAYS = 365
"""A record that ended longer ago than this is of other hands, lots and habits (judgement)."""


def next_run_of(
    book: Book,
    route_code: str,
    step_code: str,
    *,
    key_input_g: float | None = None,
    confidence: float | None = None,
    new_lot: bool = False,
    reaction_mass_g: float | None = None,
    as_of: dt.date,
) -> dict[str, Any]:
    """Return what the next run of a step gives at least, with 50, 80, 90, 95 % and ``confidence``, and on what grounds.

    ``key_input_g``: gross grams of key input of the next run; without it there are yields and no grams, and its size
    is taken to be within the record. ``new_lot``: its key input is of a lot that no run was made from, so that runs of
    one lot count for less; otherwise it is taken to be of one that was. ``reaction_mass_g``: as for the batch sheet.
    ``at_least`` holds yields (fractions; g/g for a mass ratio) by percent; ``product_g`` the same in grams of product:
    contained, dry, and as weighed.

    Raises UnknownRecord for an unknown route or step, NotComputable for a step that does not lead to the product and
    for a mass ratio with neither a run nor an opinion.
    """
    route = book.route(route_code)
    step = book.step(route, step_code)
    model = RouteModel(book, route, as_of)
    if step.code not in model.runs:
        raise NotComputable(f"step {step.code!r} does not lead to {route.product!r}", code="not-on-the-way")
    this = next(each for each in model.steps if each.step.code == step.code)
    runs, experience = this.runs, experience_of(book, as_of)
    forecast = forecast_of(runs, experience, new_lot=new_lot, batch_g=key_input_g)

    asked = {f"{p}": p / 100 for p in PROBABILITIES}
    if confidence is not None:
        asked[format(100 * confidence, ".10g")] = confidence
    bounds = [
        {"probability": probability, **_grams(forecast.at_least(probability), this, key_input_g)}
        for probability in asked.values()
    ]
    at_least = {percent: line["yield"] for percent, line in zip(asked, bounds, strict=True)}
    reasons: dict[str, str] = {}
    none = [percent for percent, bound in at_least.items() if bound == 0.0]
    if none:
        reasons["at_least"] = f"one run cannot give {' or '.join(none)} % confidence: plan a spare batch"
    if key_input_g is None:
        reasons["product_g"] = "grams need key_input, the size of the run"
    elif this.factor_g_per_g is None:
        reasons["product_g"] = this.reason or "grams per gram are not known"
    lowers = list(_lowers(runs, forecast, experience, key_input_g, new_lot, as_of))
    cautions, not_assessed = _cautions(book, model, this, forecast, key_input_g, reaction_mass_g)
    return {
        "route": route.code,
        "step": step.code,
        "name": step.name,
        "basis": step.basis,
        "as_of": as_of.isoformat(),
        "product": step.product,
        "key_input_g": key_input_g,
        "new_lot": new_lot,
        "at_least": at_least,
        "median": forecast.at_least(0.5),
        "median_if_usable": forecast.median_if_usable,
        "chance_of_failure": forecast.mean_failure,
        "product_g": {
            name: {percent: line[f"{name}_g"] for percent, line in zip(asked, bounds, strict=True)}
            for name in ("contained", "dry", "as_weighed")
        },
        "bounds": bounds,
        "kind": forecast.kind,
        "notes": list(forecast.notes),
        "spread": forecast.spread_low if forecast.kind == "runs" else None,
        "spread_factor": forecast.spread_factor,
        "evidence": _in_words(runs, forecast, experience, as_of),
        "evidence_counts": _counts(runs, forecast, experience, as_of),
        "lowers_confidence": lowers,
        "cautions": [each.as_dict() for each in cautions],
        "not_assessed": list(dict.fromkeys(not_assessed)),
        "standing": STANDING,
        "reasons": reasons,
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={"route": route.code, "step": step.code, "key_input_g": key_input_g, "new_lot": new_lot},
            runs=len(runs.codes) + runs.failed,
            left_out=[dict(left) for left in runs.left_out],
            spread_factor=forecast.spread_factor,
        ),
    }


def _grams(bound: float, this: StepModel, key_input_g: float | None) -> dict[str, float | None]:
    """A yield, and the grams of product that it is: a yield counts what is contained, the balance what it weighs."""
    factor = this.factor_g_per_g
    weighed = None if key_input_g is None or factor is None else bound * factor * key_input_g
    return {
        "yield": bound,
        "contained_g": None if weighed is None else weighed * this.runs.product_fraction,
        "dry_g": None if weighed is None else weighed * this.runs.dry_fraction,
        "as_weighed_g": weighed,
    }


def _cautions(
    book: Book,
    model: RouteModel,
    this: StepModel,
    forecast: StepForecast,
    key_input_g: float | None,
    reaction_mass_g: float | None,
) -> tuple[list[Caution], tuple[str, ...]]:
    found: list[Caution] = []
    if forecast.kind == "none":
        detail = "nothing is known of this step: neither a run nor an expected yield; begin with a small batch"
        found.append(
            Caution("warn", "no-evidence", this.step.code, detail, None, "forecast without a record (judgement)")
        )
    if key_input_g is None:
        return found, (f"{this.step.code}: cautions of a batch need key_input, its size",)
    of_batch, not_assessed = cautions_of(book, model, this, key_input_g, reaction_mass_g=reaction_mass_g)
    return [*of_batch, *found], not_assessed


# ---- how good the evidence is


def _counts(runs: StepRuns, forecast: StepForecast, experience: Experience, as_of: dt.date) -> dict[str, Any]:
    """What the forecast rests on, in plain numbers; None where nothing was recorded."""
    return {
        "runs": len(runs.yields) + runs.failed,
        "usable": len(runs.yields),
        "failed": runs.failed,
        "left_out": len(runs.left_out),
        "operators": runs.operators,
        "lots": runs.lots,
        "effective_runs": forecast.effective_runs,
        "smallest_batch_g": runs.smallest_batch_g,
        "largest_batch_g": runs.largest_batch_g,
        "days_since_last": _days_since(runs, as_of),
        "spread_lent_by_steps": experience.lent_by(forecast.scale) if forecast.kind == "runs" else 0,
        "runs_of_other_steps": experience.runs - len(runs.yields) - runs.failed,
        "failures_of_other_steps": experience.failures - runs.failed,
    }


def _days_since(runs: StepRuns, as_of: dt.date) -> int | None:
    return None if runs.last_day is None else as_of.toordinal() - runs.last_day


def _in_words(runs: StepRuns, forecast: StepForecast, experience: Experience, as_of: dt.date) -> str:
    said = [evidence(runs)]
    if runs.failed and len(runs.yields):
        said.append(f"{runs.failed} of the runs failed")
    small, large = runs.smallest_batch_g, runs.largest_batch_g
    if small is not None and large is not None:
        said.append(f"batches of {small:.4g} g" if small == large else f"batches from {small:.4g} g to {large:.4g} g")
    since = _days_since(runs, as_of)
    if since is not None:
        said.append("the last today" if since == 0 else f"the last {since} {'day' if since == 1 else 'days'} ago")
    if forecast.kind == "runs":
        lenders = experience.lent_by(forecast.scale)
        said.append(
            f"spread from these runs and from the {lenders} steps of the workshop that have repeated runs"
            if lenders
            else "spread from these runs and from a default, for too few steps have repeated runs"
        )
    return "; ".join(said)


def _lowers(
    runs: StepRuns,
    forecast: StepForecast,
    experience: Experience,
    key_input_g: float | None,
    new_lot: bool,
    as_of: dt.date,
) -> Iterator[dict[str, str]]:
    """What makes the forecast worth less, or what is not in it: a code for programs and a sentence for people."""

    def said(code: str, detail: str) -> dict[str, str]:
        return {"code": code, "detail": detail}

    usable = len(runs.yields)
    if forecast.kind == "opinion":
        yield said("opinion", "no usable run yet: the expected yield of the step is an opinion, widened by 1.6")
        return
    if forecast.kind == "none":
        yield said("no-runs", "neither a usable run nor an expected yield: the bounds are those of any step")
        return
    if usable < FEW_RUNS:
        yield said("few-runs", f"{usable} usable {'run' if usable == 1 else 'runs'}: most of the spread is borrowed")
    if runs.operators == 1 and usable > 1:
        yield said("one-operator", "all runs that name an operator are of one: another hand may give another yield")
    if runs.runs_per_lot > 1 and not new_lot:
        detail = f"{runs.runs_per_lot:.3g} runs a lot of key input: on a new lot they count for less (new_lot=true)"
        yield said("shared-lot", detail)
    if "shared-lot" in forecast.notes:
        yield said("new-lot", f"on a new lot, {usable} runs count as {forecast.effective_runs:.3g}")
    small, large = runs.smallest_batch_g, runs.largest_batch_g
    if key_input_g is not None and small is not None and large is not None:
        if key_input_g > large:
            detail = (
                f"{key_input_g:g} g is beyond the largest recorded batch of {large:.4g} g; the spread is widened for it"
            )
            yield said("beyond-largest-batch", detail)
        elif key_input_g < small:
            yield said(
                "below-smallest-batch", f"{key_input_g:g} g is below the smallest recorded batch of {small:.4g} g"
            )
    since = _days_since(runs, as_of)
    if since is not None and since > LONG_AGO_DAYS:
        yield said("long-ago", f"the last run was {since} days ago")
    if not experience.lent_by(forecast.scale):
        yield said("default-spread", "too few steps of the workshop have repeated runs to lend their spread")
    if "above-one" in forecast.notes:
        yield said("above-one", f"yields above 1, taken as 0.98: {', '.join(runs.capped_runs[:10])}")
    if "often-above-one" in forecast.notes:
        detail = (
            "more than a tenth of the runs give more than the theoretical amount: the basis or the dryness is wrong; "
            "the yields are forecast as ratios, without a cap"
        )
        yield said("often-above-one", detail)
    if forecast.spread_factor > 1:
        detail = f"past bounds of this step did not hold: its spread is widened by {forecast.spread_factor:g}"
        yield said("spread-inflated", detail)
    if runs.left_out:
        yield said("left-out", f"{len(runs.left_out)} runs are left out")
