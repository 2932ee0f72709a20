"""The methods that analytic answers are found by, each with its version: another version may give another number."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from service.answer import batch_sheet, cost, forecast_record, next_run, plan, yields

METHODS: Final[Mapping[str, str]] = dict(
    method.METHOD.split("/", 1) for method in (yields, cost, plan, batch_sheet, next_run, forecast_record)
)
"""Every method by its name, with its version."""
