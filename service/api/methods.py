"""The methods that analytic answers are found by, each with its version: another version may give another number."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from service.answer import (
    batch_sheet,
    carry_on,
    cost,
    drivers,
    findings,
    forecast_record,
    grouped_yields,
    ledger_balance,
    losses,
    lot_ancestry,
    lot_cost,
    mass_metrics,
    next_run,
    plan,
    price_series,
    project_cost,
    push,
    series,
    stock,
    traced_cost,
    trend,
    what_if,
    yields,
)

_METHODS: Final = (
    yields.METHOD,
    cost.METHOD,
    plan.METHOD,
    batch_sheet.METHOD,
    grouped_yields.METHOD,
    series.METHOD,
    losses.METHOD,
    mass_metrics.METHOD,
    trend.METHOD,
    drivers.METHOD,
    findings.METHOD,
    next_run.METHOD,
    forecast_record.METHOD,
    lot_cost.METHOD,
    lot_ancestry.METHOD,
    ledger_balance.METHOD,
    stock.METHOD,
    traced_cost.METHOD,
    project_cost.METHOD,
    what_if.METHOD,
    push.METHOD,
    carry_on.METHOD,
    price_series.METHOD,
)
METHODS: Final[Mapping[str, str]] = dict(method.split("/", 1) for method in _METHODS)
"""Every method by its name, with its version."""
