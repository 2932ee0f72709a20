"""All operations of the API, in the order in which the documentation tells of them."""

from __future__ import annotations

from service.api import (
    about,
    answers,
    balance,
    changes,
    findings,
    forecast,
    imports,
    ledger,
    losses,
    pages,
    records,
    run_answers,
    steps,
    stock_counts,
    what_if,
    workshop,
)
from service.api.operation import Operation


def all_operations() -> tuple[Operation, ...]:
    """Return every operation."""
    return (
        *records.operations(),
        *changes.operations(),
        *stock_counts.operations(),
        *answers.operations(),
        *what_if.operations(),
        *run_answers.operations(),
        *losses.operations(),
        *steps.operations(),
        *findings.operations(),
        *forecast.operations(),
        *ledger.operations(),
        *balance.operations(),
        *imports.operations(),
        *workshop.operations(),
        *about.operations(),
        *pages.operations(),
    )
