"""Outcomes: one line of masses a run, and what stands beside the numbers as JSON."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Any, Final

from sqlalchemy import Select, bindparam, select

from service.store.rows import chunks, remove, upsert
from service.store.session import Reading, Writing
from service.store.tables import outcomes

NUMBERS: Final = (
    "batch_g", "key_contained_g", "theoretical_g", "theoretical_u_g", "net_g", "net_u_g", "dry_g", "contained_g",
    "contained_u_g", "yield_fraction", "yield_u", "crude_yield", "recovered_basis_yield", "mass_balance",
    "mass_balance_u",
)  # fmt: skip
"""The plain numbers of an outcome, by the names that they have there; None where unknown."""


@dataclass(frozen=True)
class StoredOutcome:
    """The outcome of a run as it is kept: ``row`` holds the columns by name, ``state`` is what last moved it.

    ``given`` is its detail where that need not be read from the row.
    """

    run: str
    state: int
    row: Mapping[str, Any]
    given: dict[str, Any] | None = field(default=None, compare=False, repr=False)

    @cached_property
    def detail(self) -> dict[str, Any]:
        """Charges, outturns, findings and reasons, as ``Outcome.detail`` gave them."""
        found: dict[str, Any] = json.loads(self.row["detail"]) if self.given is None else self.given
        return found


def stored_outcomes(reading: Reading, runs: Collection[str] | None = None) -> dict[str, StoredOutcome]:
    """The outcomes by run, all or those of ``runs``."""
    found: dict[str, StoredOutcome] = {}
    for chunk in chunks(runs):
        values = {"workshop": reading.workshop_id} | ({} if chunk is None else {"runs": chunk})
        for mapping in reading.connection.execute(_outcomes(every=chunk is None), values).mappings():
            row = dict(mapping)
            del row["workshop"]
            found[row["run"]] = StoredOutcome(row["run"], row.pop("state"), row)
    return found


@cache
def _outcomes(*, every: bool) -> Select[Any]:
    """The outcomes by run, every one or those in the list ``runs``; built once."""
    statement = select(outcomes).where(outcomes.c.workshop == bindparam("workshop")).order_by(outcomes.c.run)
    return statement if every else statement.where(outcomes.c.run.in_(bindparam("runs", expanding=True)))


def put_outcomes(writing: Writing, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write outcomes, new or moved."""
    upsert(writing, outcomes, rows)


def remove_outcome(writing: Writing, run: str) -> None:
    """Remove the outcome of a run."""
    remove(writing, outcomes, [{"run": run}])
