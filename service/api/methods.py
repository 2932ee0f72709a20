"""The methods that analytic answers are found by, each with its version: another version may give another number."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from service.answer import batch_sheet, cost, plan, what_if, yields

METHODS: Final[Mapping[str, str]] = dict(
    method.METHOD.split("/", 1) for method in (yields, cost, plan, batch_sheet, what_if)
)
"""Every method by its name, with its version."""
