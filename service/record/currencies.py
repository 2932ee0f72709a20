"""What one write transaction has looked up of currencies; and money that no rate turns into the book's."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from typing import Final

from service.domain.money import Money
from service.errors import Fault
from service.store.money import book_currency, first_rates
from service.store.session import Writing

NO_RATE: Final = "no-exchange-rate"
StatedMoney = tuple[str, Money, dt.date | None]
"""Pointer, sum, and the day on which it counts; None: no day was written."""


class Currencies:
    """The book currency and the first days of the rates to it, each looked up when it is first wanted."""

    def __init__(self, writing: Writing) -> None:
        self._writing = writing
        self._book = writing.currency
        self._first: dict[str, str] | None = None

    def forget(self) -> None:
        """A rate or the workshop itself was written."""
        self._book = self._first = None

    def faults(self, stated: Iterable[StatedMoney]) -> Iterator[Fault]:
        """Yield a fault for each sum in a currency that has no rate to the book currency on its day or before.

        A sum without a day goes by the first rate there is.
        """
        for pointer, money, day in stated:
            if self._book is None:
                self._book = book_currency(self._writing)
            if money.currency == self._book:
                continue
            if self._first is None:
                self._first = first_rates(self._writing, self._book)
            first = self._first.get(money.currency)
            if first is None or (day is not None and day.isoformat() < first):
                pair = f"from {money.currency} to {self._book}"
                when = "" if day is None else f" on {day.isoformat()} or before"
                detail = f"there is no exchange rate {pair}{when}: record one under exchange-rates first"
                expected = f"a currency with a rate to {self._book}"
                yield Fault(NO_RATE, detail, money.currency, expected, pointer)
