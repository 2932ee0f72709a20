"""Credits that come to more than their run cost: refused where the run is written, found where a price fell since."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from service.analytics.money.traced import unpriced_behind
from service.answer.book import Book
from service.answer.ledger_words import money
from service.answer.lot_ledger import LotLedger, lot_ledgers
from service.domain.finding import Finding
from service.domain.run import Run
from service.errors import Fault, InvalidInput
from service.store.records import StoredRecord

CREDIT_ABOVE_COST = "credit-above-cost"


def refuse_credits_above_cost(book: Book, stored: StoredRecord) -> None:
    """Raise InvalidInput with a fault for each credit of a run where together they come to more than the run cost.

    A run of which something is unpriced is taken as it is: nobody can tell yet.
    """
    for faults in credit_faults(book, [stored]).values():
        raise InvalidInput(faults, faults[0].detail)


def credit_faults(book: Book, several: Sequence[StoredRecord]) -> dict[str, list[Fault]]:
    """Return, by run, a fault for each credit of those runs whose credits come to more than they cost."""
    runs = {stored.code: stored for stored in several}
    return {
        code: [*_faults(book.recalled(runs[code]), found)] for code, found in credits_above_cost(book, several).items()
    }


def _faults(run: Run, found: Finding) -> Iterator[Fault]:
    for i, outturn in enumerate(run.outturns):
        if (credit := outturn.credit) is not None:
            told = f"{credit.amount} {credit.currency}"
            yield Fault(CREDIT_ABOVE_COST, found.detail, told, "credits up to the cost of the run",
                        f"/outturns/{i}/credit")  # fmt: skip


def credits_above_cost(book: Book, several: Sequence[StoredRecord]) -> dict[str, Finding]:
    """Return what is said of those runs, as stored, whose credits come to more than they cost, by run."""
    # Only few runs state a credit: the others need not even be read.
    runs: list[Run] = [book.recalled(stored) for stored in several if '"credit"' in stored.text]
    credited = {run.code: lot for run in runs if (lot := _credited(run)) is not None}
    found = lot_ledgers(book, list(credited.values())) if credited else {}
    said = {run: _finding(found[lot]) for run, lot in credited.items() if lot in found}
    return {run: finding for run, finding in said.items() if finding is not None}


def _credited(run: Run) -> str | None:
    lots: Iterator[str] = (each.lot for each in run.outturns if each.credit is not None and each.lot is not None)
    return next(lots, None)


def _finding(found: LotLedger) -> Finding | None:
    ledger, event = found.ledger, int(found.ledger.made_by[found.number])
    if unpriced_behind(ledger, found.number):
        return None
    cost = int(found.traced.total_micro[event])
    credits = int(ledger.credit[np.flatnonzero(ledger.made_by == event)].sum())
    if credits <= cost:
        return None
    of, most = (money(micro, found.currency) for micro in (credits, cost))
    return Finding(
        CREDIT_ABOVE_COST,
        f"the credits of run {found.facts(event).source_code} come to {of['amount']} {of['currency']}, and it cost "
        f"{most['amount']}: its product would have been paid for; state less, or look at the prices of what went in",
    )
