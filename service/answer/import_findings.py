"""What looks wrong in the runs that an import wrote, as each record shows it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from service.answer.book import Book
from service.answer.records import views
from service.answer.run_findings import odd_runs
from service.schemas.kinds import singular
from service.store.balances import below_zero
from service.store.entries import of_lots
from service.store.finding_rows import runs_with_findings, runs_without_end
from service.store.records import many

RUNS: Final = "runs"
EACH_ASKED: Final = 500
"""Up to so many runs are read one by one; of more, only those in which there may be something."""
MOST_TOLD: Final = 100


def import_findings(book: Book, report: Mapping[str, Any]) -> dict[str, Any]:
    """Return the findings of the runs that the import of ``report`` wrote, as they are now: 100, and how many more.

    A dry run left nothing to be looked at: None, with the reason.
    """
    if report["dry_run"]:
        return {"findings": None, "more_findings": 0, "reasons": {"findings": "nothing was written"}}
    one = singular(RUNS)
    codes = {line["code"] for line in report["records"] if line["kind"] == one and line["effect"] != "unchanged"}
    if len(codes) > EACH_ASKED:
        codes &= _suspects(book)
    read = views(book, many(book.reading, RUNS, sorted(codes))) if codes else []
    found = [{"kind": RUNS, "record": each["code"], **finding} for each in read for finding in each["findings"]]
    return {"findings": found[:MOST_TOLD], "more_findings": max(0, len(found) - MOST_TOLD)}


def _suspects(book: Book) -> set[str]:
    """Every run in which its outcome found something, that may be a slip, or that took from an overdrawn lot."""
    below = list(below_zero(book.reading))
    found = {line.source_code for line in of_lots(book.reading, below) if line.source_kind == RUNS} if below else set()
    found |= odd_runs(book.columns, runs_without_end(book.reading))
    return found | {line.run for line, _ in runs_with_findings(book.reading)}
