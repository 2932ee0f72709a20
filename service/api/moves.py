"""What a write moves elsewhere: the runs that give something else by it, and the lots that cost otherwise."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final

from service.answer.book import Book
from service.answer.corrections import Correction
from service.answer.credits import credit_faults
from service.answer.moved_costs import Costs, costs_before, moved_costs
from service.answer.snapshot import Memory
from service.errors import Fault
from service.record.derive import CORRECTION, Change
from service.record.written import Move, Written
from service.store.records import many
from service.store.session import Reading, Writing

MOST_MOVES_TOLD: Final = 100
"""Moved runs of which a write tells what they gave and give."""


def looked_before(writing: Reading, change: Change) -> Costs | None:
    """Return what the lots cost that one change may move; None where it can move none."""
    return costs_before(_book(writing), [_correction(change)])


def lots_moved(writing: Reading, written: Written) -> dict[str, Any]:
    """Return the lots that cost otherwise by what was written, by the keys of the answer; nothing where none does."""
    return {} if written.looked is None else moved_costs(_book(writing), written.looked)


def runs_moved(moves: Sequence[Move]) -> dict[str, Any]:
    """Return what the runs that moved gave before and give now: the first of them, and how many more there are."""
    shown = [
        {"run": move.run, "before": _result_told(move.before), "after": _result_told(move.after)}
        for move in moves[:MOST_MOVES_TOLD]
    ]
    return {"moved_runs": shown, "more_moved_runs": len(moves) - len(shown)}


class ImportWatch:
    """Looks at the book just before the lines of an import are written and just after, within its transaction."""

    def __init__(self) -> None:
        self._costs: Costs | None = None

    def before(self, writing: Writing, changes: Sequence[Change]) -> None:
        """Keep what the lots cost that the changes may move."""
        self._costs = costs_before(_book(writing), [_correction(change) for change in changes])

    def faults(self, writing: Writing, runs: Collection[str]) -> Mapping[str, Sequence[Fault]]:
        """Return, by run, what is wrong with those of the runs that were written whose credits exceed their cost."""
        return credit_faults(_book(writing), many(writing, "runs", runs))

    def after(self, writing: Writing, moves: Sequence[Move]) -> dict[str, Any]:
        """Return which other runs and which lots came out different, by the keys of the report."""
        lots = {} if self._costs is None else moved_costs(_book(writing), self._costs)
        return {**runs_moved(moves), "moved_lots": [], "more_moved_lots": 0, **lots}


def _book(reading: Reading) -> Book:
    # Nothing that an open transaction sees may be remembered under its state, which another may yet get.
    return Book(reading, Memory())


def _correction(change: Change) -> Correction:
    return Correction(change.kind, change.code, change.record, change.before, change.reason == CORRECTION)


def _result_told(row: Mapping[str, Any]) -> dict[str, Any]:
    return {"yield": row["yield_fraction"], "contained_g": row["contained_g"]}
