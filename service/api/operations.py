"""All operations of the API, in the order in which the documentation tells of them."""

from __future__ import annotations

from service.api import about, answers, balance, imports, pages, records, what_if, workshop
from service.api.operation import Operation


def all_operations() -> tuple[Operation, ...]:
    """Return every operation."""
    return (
        *records.operations(),
        *answers.operations(),
        *what_if.operations(),
        *balance.operations(),
        *imports.operations(),
        *workshop.operations(),
        *about.operations(),
        *pages.operations(),
    )
