"""Both sides of the ledger on any day: what came in, and where it went or is; equal to the last millionth.

What came in is read from the lines in the database as they stand, line by line; where it went comes from the ledger
that was traced in memory, and the stock from the takes of each lot. A difference would show a fault in either.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from typing import Any, Final

from service.analytics.money.identity import balance, breaches
from service.answer.book import Book
from service.answer.ledger import TracedLedger, traced_ledger
from service.answer.ledger_money import NO_DAY, LedgerMoney
from service.answer.ledger_words import exact_money, unpriced_lines
from service.store.ledger_rows import stated_incomes

METHOD: Final = "ledger-balance/1"
_MOST_BREACHES: Final = 100


def balance_of(book: Book, *, as_of: dt.date, currency: str | None = None, labour: bool = False) -> dict[str, Any]:
    """Return sources and uses of the money of a workshop at the end of a day, in ``currency`` or the workshop's own.

    Raises NotComputable where the ledger cannot be put in order.
    """
    found = traced_ledger(book, currency, labour=labour)
    shown, day = found.basis.currency, as_of.toordinal()
    used = balance(found.ledger, found.traced, day)
    sources = _sources(book, found, as_of)
    difference = sum(sources.values()) - sum(used.uses.values())
    torn = breaches(found.ledger, found.traced, day)
    facts = [found.columns.facts[place] for place in (found.ledger.begun <= day).nonzero()[0].tolist()]
    left_out = Counter(name for each in facts for name in each.not_counted)
    return {
        "currency": shown,
        "as_of": as_of.isoformat(),
        "sources": {name: exact_money(micro, shown) for name, micro in sources.items()},
        "uses": {name: exact_money(micro, shown) for name, micro in used.uses.items()},
        "difference": exact_money(difference, shown),
        "unpriced": unpriced_lines(used.unpriced, found.columns.reasons),
        "breaches": [
            {"of": each.of, "code": each.code, "difference": exact_money(each.difference, shown)}
            for each in torn[:_MOST_BREACHES]
        ],
        "not_counted": [{"name": name, "runs": runs} for name, runs in sorted(left_out.items())],
        "notes": sorted({note for each in facts for note in each.notes}),
        "reasons": {},
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={"currency": shown, "labour": labour},
            lots=len(found.ledger.lots),
            events=len(facts),
        ),
    }


def _sources(book: Book, found: TracedLedger, as_of: dt.date) -> dict[str, int]:
    money = LedgerMoney(book, found.basis.currency)
    sources = {"opening": 0, "purchases": 0, "direct": 0}
    for stated in stated_incomes(book.reading, as_of.isoformat()):
        on = NO_DAY if stated.on is None else dt.date.fromisoformat(stated.on)
        worth = money.converted(stated.price_micro, stated.currency, on)
        bought = stated.kind == "purchase" or stated.origin == "bought"
        sources["purchases" if bought else "opening"] += worth if isinstance(worth, int) else 0
    begun = found.ledger.begun <= as_of.toordinal()
    for place in begun.nonzero()[0].tolist():
        sources["direct"] += sum(each.micro or 0 for each in found.columns.facts[place].direct)
    return sources
