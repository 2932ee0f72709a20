"""The methods that analytic answers are found by, each with its version: another version may give another number."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from service.answer import (
    batch_sheet,
    cost,
    ledger_balance,
    lot_ancestry,
    lot_cost,
    plan,
    project_cost,
    stock,
    traced_cost,
    yields,
)

_ANSWERS: Final = (
    yields,
    cost,
    plan,
    batch_sheet,
    lot_cost,
    lot_ancestry,
    ledger_balance,
    stock,
    traced_cost,
    project_cost,
)

METHODS: Final[Mapping[str, str]] = dict(method.METHOD.split("/", 1) for method in _ANSWERS)
"""Every method by its name, with its version."""
