"""Where to push: which step, which price and which unknown matters most at what is planned today."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

from service.analytics.forecast.draws import QUOTED_TRIALS, SharedDraws
from service.analytics.planning.inputs import PlanQuestion
from service.analytics.planning.plan import draws_of
from service.analytics.planning.push import PRICE_SWING, Lever, Swing, levers, price_sensitivities, tornado
from service.analytics.planning.side_by_side import campaigns_of
from service.analytics.planning.variance import Variance, VarianceShare, variance_shares
from service.answer.book import Book
from service.answer.plan_bounds import Ask, bounded_plan
from service.answer.plan_inputs import OWN, plan_inputs
from service.answer.prices import Exchange

METHOD = "push/1"


def push_of(
    book: Book,
    route_code: str,
    *,
    target_g: float,
    confidence: float = 0.90,
    stock: str = OWN,
    project: str | None = None,
    acknowledge: Sequence[str] = (),
    currency: str | None = None,
    as_of: dt.date,
    trials: int = QUOTED_TRIALS,
) -> dict[str, Any]:
    """Return where to push the plan that ends with ``target_g`` of product, dry, with probability ``confidence``.

    For every planned step what a gram would cost less, and how much surer the target would be at the amounts planned,
    if it gave what its best run gave, or what is possible; how far the cost follows each price; what each unknown does
    at either of its ends; what of the variance of the product each is owed, and so what to measure next. Money is per
    gram of product, dry.

    Raises UnknownRecord for an unknown route, NotComputable as the plan does.
    """
    exchange = Exchange(book, currency or book.workshop.currency, as_of)
    gathered = plan_inputs(book, route_code, exchange, stock=stock, project=project)
    inputs, shared = gathered.inputs, SharedDraws()
    question = PlanQuestion(target_g, confidence, trials)
    bounded = bounded_plan(book, gathered, inputs, question, Ask(acknowledge=tuple(acknowledge)), shared)
    whole, dry = bounded.whole, inputs.dry_fraction
    campaigns = campaigns_of(whole.plan, route_code, shared)
    variance = variance_shares(whole, campaigns, draws_of(whole.plan.steps, (route_code,), trials, shared))
    sensitivities = price_sensitivities(whole)
    reasons: dict[str, str] = {}
    if whole.costs.cost_per_g is None:
        unpriced = ", ".join(whole.costs.unpriced) or "a yield behind it"
        reasons["cost_per_g"] = f"not known: {whole.costs.reasons.get('cost_per_g', unpriced)}"
        reasons["prices"] = reasons["cost_per_g"]
    if not variance.shares:
        reasons["variance"] = "the product does not vary, or hardly a trial gives any"
    return {
        "route": route_code,
        "product": inputs.product,
        "as_of": as_of.isoformat(),
        "target_g": target_g,
        "confidence": confidence,
        "p_reach": whole.plan.campaign.p_reach,
        "cost_per_g": _per(whole.costs.cost_per_g, dry),
        "currency": exchange.currency,
        "steps": [
            {
                "step": found.code,
                "ratio_now": found.ratio_now,
                "at_best_run": _lever(found.best, dry),
                "at_limit": _lever(found.limit, dry),
            }
            for found in levers(inputs, whole, campaigns)
        ],
        "prices": [
            {"material": material, "cost_follows": part} for material, part in sorted((sensitivities or {}).items())
        ],
        "tornado": [_swing(swing, dry) for swing in tornado(inputs, whole, campaigns, route_code)],
        "price_swing": PRICE_SWING,
        "variance": [_share(share) for share in variance.shares],
        "interaction": variance.interaction if variance.shares else None,
        "ln_variance": variance.ln_variance if variance.shares else None,
        "without_product": variance.without_product,
        "measure_next": measure_next(variance),
        "kept_small": list(bounded.kept_small),
        "reasons": reasons,
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={"route": route_code, "stock": stock, "trials": trials},
            **gathered.rests_on(),
        ),
    }


def measure_next(variance: Variance) -> dict[str, Any] | None:
    """Return the step of which one more run takes away most of the variance, and in words what that says; None where
    nothing varies."""
    if not variance.shares:
        return None
    step = max(variance.shares, key=lambda share: share.one_more_run)
    scatter = sum(share.scatter + share.failure for share in variance.shares)
    level = sum(share.level for share in variance.shares)
    known = f"known as if from {step.runs:.3g} runs" if step.runs > 0 else "an opinion without a run"
    said = (
        f"the mean yield of {step.code}, {known}, owes {_percent(step.level)} of the variance of ln(product): "
        f"one more run of it takes away about {_percent(step.one_more_run)}"
    )
    if scatter > level:
        widest = max(variance.shares, key=lambda share: share.scatter)
        said += (
            f"; {_percent(scatter)} is scatter from batch to batch, most of it of {widest.code}, "
            "which no record takes away and more, smaller batches average"
        )
    return {"step": step.code, "takes_away": step.one_more_run, "scatter": scatter, "level": level, "detail": said}


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"


def _per(value: float | None, dry_fraction: float) -> float | None:
    return None if value is None else value / dry_fraction


def _lever(lever: Lever, dry: float) -> dict[str, Any]:
    return {
        "ratio": lever.ratio_to,
        "saving_per_g": _per(lever.saving_per_g, dry),
        "p_reach": lever.p_reach,
        "p_reach_gain": lever.p_reach_gain,
        "monte_carlo_u": lever.monte_carlo_u,
    }


def _swing(swing: Swing, dry: float) -> dict[str, Any]:
    low, high = swing.cost_per_g or (None, None)
    return {
        "name": swing.name,
        "part": swing.part,
        "low": swing.at[0],
        "high": swing.at[1],
        "cost_per_g_at_low": _per(low, dry),
        "cost_per_g_at_high": _per(high, dry),
        "p_reach_at_low": swing.p_reach[0],
        "p_reach_at_high": swing.p_reach[1],
    }


def _share(share: VarianceShare) -> dict[str, Any]:
    return {
        "step": share.code,
        "share": share.total,
        "level": share.level,
        "scatter": share.scatter,
        "failure": share.failure,
        "one_more_run": share.one_more_run,
    }
