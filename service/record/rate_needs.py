"""What recorded money needs of the exchange rates: where one goes, or comes to begin later, nobody may be without.

A rate is looked at once all of a transaction is written: a file may bring another in its place.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final, NamedTuple

from service.domain.route import Route
from service.domain.run import Run
from service.domain.workshop import Rate
from service.errors import Conflict
from service.record.bench import Bench
from service.record.days import day_of_making
from service.schemas.kinds import WORKSHOP, singular
from service.store import money, records
from service.store.records import StoredRecord

EXCHANGE_RATES: Final = "exchange-rates"
MOST_NAMED: Final = 20
CODE: Final = "rate-needed"
_ALWAYS: Final = ""
"""Before every day, as ISO text has it."""

Need = tuple[str, str]
"""Kind and code of a record that has money in a currency."""


class Shortfall(NamedTuple):
    """Money in ``currency`` that has no rate to ``book`` any more; ``needed_by`` are the first of those who have it."""

    currency: str
    book: str
    first_day: str | None
    needed_by: tuple[Need, ...]

    def refusal(self) -> Conflict:
        """The error that names who needs the rate."""
        named = ", ".join(f"{singular(kind)} {code}" for kind, code in self.needed_by[:3])
        more = " and others" if len(self.needed_by) > 3 else ""
        when = "" if self.first_day is None else f" before {self.first_day}"
        return Conflict(
            f"{named}{more} would have money in {self.currency} without an exchange rate to {self.book}{when}: record "
            "another rate for those days first, or write that money otherwise",
            code=CODE,
            extra={"referred_to_by": [{"kind": kind, "code": code} for kind, code in self.needed_by[:MOST_NAMED]]},
        )


def note_rates(bench: Bench, kind: str) -> None:
    """Keep from which days on there are rates, before the first record is written that may change that."""
    if kind in (EXCHANGE_RATES, WORKSHOP) and bench.first_rates is None:
        bench.first_rates = _first_rates(bench)


def refuse_shortfall(bench: Bench) -> None:
    """Raise :class:`Conflict` where a change of rates leaves recorded money without one."""
    for shortfall in shortfalls(bench):
        raise shortfall.refusal()


def shortfalls(bench: Bench) -> Iterator[Shortfall]:
    """Yield what money has no rate any more that had one when the transaction began, by currency."""
    before = bench.first_rates
    if before is None:
        return
    after = _first_rates(bench)
    book = next(currency for currency, day in after.items() if day == _ALWAYS)
    for currency, since in sorted(before.items()):
        until = after.get(currency)
        if until is not None and until <= since:
            continue
        needs = tuple(dict.fromkeys(_needs(bench, currency, since, until)))
        if needs:
            yield Shortfall(currency, book, until, needs)


def _first_rates(bench: Bench) -> Mapping[str, str]:
    """From which day on each currency has a rate to the book's; that one itself always."""
    book = money.book_currency(bench.writing)
    return {book: _ALWAYS, **money.first_rates(bench.writing, book)}


def _needs(bench: Bench, currency: str, since: str, until: str | None) -> Iterator[Need]:
    """Who has money in a currency on days from ``since`` on, but before ``until`` where that is a day."""

    def within(day: str | None) -> bool:
        return until is None if day is None else since <= day and (until is None or day < until)

    yield from money.sources_paid_in(bench.writing, currency, since, until, MOST_NAMED)
    for code in money.undated_runs_paid_in(bench.writing, currency) if until is not None else ():
        run = bench.loaded(_current(bench, "runs", code))
        assert isinstance(run, Run)
        day = day_of_making(bench, run)
        if day is not None and within(day.isoformat()):
            yield "runs", code
    for stored in records.many(bench.writing, "rates"):
        rate = bench.loaded(stored)
        assert isinstance(rate, Rate)
        if rate.price.currency == currency and within(rate.valid_from.isoformat()):
            yield "rates", rate.code
    for stored in records.many(bench.writing, "routes"):
        route = bench.loaded(stored)
        assert isinstance(route, Route)
        paid = [step.code for step in route.steps if step.consumables and step.consumables.currency == currency]
        if paid and within(None):
            yield "routes", route.code
        elif paid:
            for code in money.runs_of_steps(bench.writing, route.code, paid, since, until or "", MOST_NAMED):
                yield "runs", code


def _current(bench: Bench, kind: str, code: str) -> StoredRecord:
    found = records.current(bench.writing, kind, code)
    assert found is not None, "what has lines is recorded"
    return found
