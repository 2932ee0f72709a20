"""Findings of runs: what their outcomes found, slips, charges without a lot, the same run written twice."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from service.analytics.statistics.repeats import repeats_of
from service.analytics.statistics.slips import may_ask
from service.answer.book import Book
from service.answer.credits import credits_above_cost
from service.answer.found import Found, of_run
from service.answer.run_columns import Columns
from service.answer.slips import slips_in
from service.domain.run import FINISHED
from service.store.columns import NO_DAY
from service.store.finding_rows import credited_runs, run_lines, runs_with_findings, runs_without_end, unlinked_charges
from service.store.outcomes import stored_outcomes
from service.store.records import many


def findings_of_runs(book: Book) -> Iterator[Found]:
    """Yield every finding of every run of the workshop, whatever its status, left out of statistics or not."""
    for line, findings in runs_with_findings(book.reading):
        for finding in findings:
            yield of_run(line, finding)
    yield from _slips(book)
    yield from _credits(book)
    yield from _unlinked(book)
    yield from _duplicates(book)


def _slips(book: Book) -> Iterator[Found]:
    """The same as each record says of itself; only runs that stand out are looked at one by one."""
    codes = sorted(odd_runs(book.columns, runs_without_end(book.reading)))
    if not codes:
        return
    found = slips_in(book, many(book.reading, "runs", codes), stored_outcomes(book.reading, codes))
    lines = run_lines(book.reading, list(found))
    for run, finding in found.items():
        yield of_run(lines[run], finding)


def odd_runs(columns: Columns, undated: set[str]) -> set[str]:
    """Return the runs that may be slips; of those ``undated``, which are compared among themselves and few, all."""
    usable = columns.is_word("status", FINISHED) & ~columns.excluded & (columns.yields > 0.0)
    if undated:
        usable &= ~np.isin(columns.run, sorted(undated))
    odd = set(undated)
    for start, end in zip(columns.starts[:-1].tolist(), columns.starts[1:].tolist(), strict=True):
        places = start + np.flatnonzero(usable[start:end])
        odd.update(columns.run[places[may_ask(columns.yields[places])]].tolist())
    return odd


def _credits(book: Book) -> Iterator[Found]:
    """Credits above what their run cost, as each record says of itself."""
    codes = credited_runs(book.reading)
    found = credits_above_cost(book, many(book.reading, "runs", codes)) if codes else {}
    lines = run_lines(book.reading, list(found))
    for run, finding in found.items():
        yield of_run(lines[run], finding.as_dict())


def _unlinked(book: Book) -> Iterator[Found]:
    charges: dict[tuple[str, str], int] = {}
    for run, place, material in unlinked_charges(book.reading):
        charges.setdefault((run, material), place)
    lines = run_lines(book.reading, {run for run, _ in charges})
    for (run, material), place in charges.items():
        detail = f"{material} is made in this workshop, and was charged without saying from which lot"
        found = {"code": "unlinked", "detail": detail, "pointer": f"/charges/{place}", "about": material}
        yield of_run(lines[run], found)


def _duplicates(book: Book) -> Iterator[Found]:
    columns = book.columns
    weighed = (columns.batch_g > 0.0) & (columns.net_g > 0.0) & (columns.day != NO_DAY)
    places = np.flatnonzero(weighed)
    # Within a step and a day the lines stand by code: the first of equal ones has the first code.
    same = repeats_of([each[places] for each in (columns.group, columns.day, columns.batch_g, columns.net_g)])
    pairs = {columns.run[places[one]]: columns.run[places[first]] for one, first in same}
    lines = run_lines(book.reading, list(pairs))
    for place, _ in same:
        run = columns.run[places[place]]
        batch, net = columns.batch_g[places[place]], columns.net_g[places[place]]
        detail = (
            f"run {pairs[run]} of the same step and day has the same {batch:.6g} g of key input and the same {net:.6g} "
            "g out"
        )
        yield of_run(lines[run], {"code": "duplicate", "detail": detail, "about": pairs[run]})
