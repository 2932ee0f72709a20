"""Everything that looks wrong in a workshop's records, and what people answered to it. Worked out, never kept."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from service.answer.book import Book
from service.answer.finding_replies import (
    ANSWERED,
    OPEN,
    is_answered,
    replies_by_record,
    reply_to,
    reply_told,
)
from service.answer.found import Found
from service.answer.price_findings import price_findings
from service.answer.run_findings import findings_of_runs
from service.answer.shelf_findings import counts_that_disagree, taken_after_end
from service.answer.step_findings import hydrates_in_doubt
from service.answer.stock_findings import odd_assays, overdrawn_lots, without_assay
from service.store.finding_rows import replies

METHOD = "findings/1"
MOST_TOLD: Final = 1000
REPLIES: Final = (OPEN, ANSWERED, "all")


@dataclass(frozen=True, slots=True)
class FindingFilter:
    """What is asked of a finding; None or nothing asks nothing. ``first`` and ``last`` are days, both included.

    A finding without a day passes where no day is asked for; one that belongs to no step, where no route or step is.
    """

    codes: tuple[str, ...] = ()
    kind: str | None = None
    record: str | None = None
    route: str | None = None
    step: str | None = None
    project: str | None = None
    operator: str | None = None
    first: dt.date | None = None
    last: dt.date | None = None
    reply: str = OPEN

    def told(self) -> dict[str, Any]:
        """Return the filter as an answer repeats it."""
        asked = {name: getattr(self, name) for name in ("kind", "record", "route", "step", "project", "operator")}
        days = {"from": self.first, "to": self.last}
        found: dict[str, Any] = {"code": list(self.codes)} if self.codes else {}
        found |= {name: value for name, value in asked.items() if value is not None}
        return found | {name: day.isoformat() for name, day in days.items() if day} | {"reply": self.reply}

    def passes(self, found: Found, as_of: dt.date) -> bool:
        """Say whether a finding passes, whatever was answered to it; one of a day after ``as_of`` does not."""
        named = ("kind", "record", "route", "step", "project", "operator")
        if self.codes and found.code not in self.codes:
            return False
        if any((wanted := getattr(self, name)) is not None and wanted != getattr(found, name) for name in named):
            return False
        if found.day is None:
            return self.first is None and self.last is None
        last = min(as_of, self.last or as_of).isoformat()
        return (self.first is None or found.day >= self.first.isoformat()) and found.day <= last


def findings_of(book: Book, *, asked: FindingFilter, as_of: dt.date, most: int = MOST_TOLD) -> dict[str, Any]:
    """Return what looks wrong and passes, the newest day first, at most ``most``; all of it is counted by code.

    Lots are as overdrawn as they are now; ``as_of`` only leaves out what is of a later day. Raises UnknownRecord for a
    route, step, project or record that there is not.
    """
    if asked.kind is not None:
        book.require(asked.kind, [asked.record])
    if asked.project is not None:
        book.stored("projects", asked.project)
    if asked.route is not None:
        route = book.route(asked.route)
        if asked.step is not None:
            book.step(route, asked.step)
    every = book.fact((METHOD,), lambda: _every(book))
    passing = [found for found in every.findings if asked.passes(found, as_of)]
    on = replies_by_record(replies(book.reading))
    lines = []
    counts: Counter[tuple[str, str]] = Counter()
    for found in passing:
        reply = reply_to(found.id, found.code, on.get((found.kind, found.record), ()))
        state = ANSWERED if is_answered(found.id, reply) else OPEN
        counts[found.code, state] += 1
        if asked.reply in (state, "all"):
            lines.append((found, state, reply))
    return {
        "as_of": as_of.isoformat(),
        "findings": [
            {**found.told(), "state": state, "reply": reply_told(reply)} for found, state, reply in lines[:most]
        ],
        "more": max(0, len(lines) - most),
        "counts": [
            {"code": code, OPEN: counts[code, OPEN], ANSWERED: counts[code, ANSWERED]}
            for code in sorted({code for code, _ in counts})
        ],
        "not_compared": [dict(price) for price in every.not_compared],
        "rests_on": book.rests_on(as_of, METHOD, filters=asked.told(), runs=len(book.columns.run)),
    }


@dataclass(frozen=True, slots=True)
class Every:
    """All findings of one state, the newest day first, and the prices that could not be compared."""

    findings: tuple[Found, ...]
    not_compared: tuple[Mapping[str, str], ...]

    def __len__(self) -> int:
        return len(self.findings) + len(self.not_compared)


def _every(book: Book) -> Every:
    prices, not_compared = price_findings(book)
    found = [
        *findings_of_runs(book),
        *overdrawn_lots(book),
        *taken_after_end(book),
        *counts_that_disagree(book),
        *without_assay(book),
        *odd_assays(book),
        *hydrates_in_doubt(book),
        *prices,
    ]
    found.sort(key=lambda each: (each.code, each.kind, each.record, each.pointer or ""))
    found.sort(key=lambda each: each.day or "", reverse=True)
    return Every(tuple(found), tuple(not_compared))
