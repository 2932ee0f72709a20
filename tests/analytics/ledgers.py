"""Ledgers that several tests look at: a small one whose every figure is known, and words to write others in."""

from __future__ import annotations

import datetime as dt

from service.analytics.money.ledger import Event, Kind, Ledger, Make, Take, ledger_of

G = 10**9
EURO = 10**6


def on(day: int) -> dt.date:
    """A day of one month."""
    return dt.date(2026, 3, day)


def bought(code: str, quantity: int, cost_micro: int, day: int = 1, kind: Kind = Kind.PURCHASE) -> Event:
    """A lot that comes in from outside, called like its event."""
    return Event(code, kind, on(day), cost_micro=cost_micro, makes=(Make(code, quantity),))


def takes(**quantities: int) -> tuple[Take, ...]:
    """What is taken of lots whose names have underscores for hyphens."""
    return tuple(Take(lot.replace("_", "-"), quantity) for lot, quantity in quantities.items())


def number(ledger: Ledger, lot: str) -> int:
    """The number of a lot."""
    return list(ledger.lots).index(lot)


def worked_events() -> list[Event]:
    """An acid from its salt in three runs, one of which fails; two lots pooled; an ester that gives back ethanol.

    Invented. Sources 31.15: bought 26.00, opening 0.15, three acidifications at 1.00 and an esterification at 2.00.
    """
    charges = takes(benzoate=200 * G, acid=90 * G)
    acids = [
        Event(f"acidify-{run}", Kind.FINISHED, on(2), cost_micro=EURO, takes=charges, step="acidify",
              makes=(Make(f"acid-{run}", grams * G, product=grams),))
        for run, grams in ((1, 150), (2, 120))
    ]  # fmt: skip
    return [
        bought("benzoate", 1000 * G, 12 * EURO),
        bought("acid", 1000 * G, 6 * EURO),
        bought("ethanol", 800 * G, 8 * EURO),
        bought("old-ethanol", 50 * G, 150_000, kind=Kind.OPENING),
        *acids,
        Event("acidify-3", Kind.FAILED, on(2), cost_micro=EURO, takes=charges, step="acidify"),
        Event("pooling", Kind.POOL, on(3), takes=takes(acid_1=150 * G, acid_2=100 * G), makes=(Make("pool", 250 * G),)),
        Event("esterify-1", Kind.FINISHED, on(4), on(6), cost_micro=2 * EURO, step="esterify",
              takes=takes(pool=200 * G, ethanol=300 * G, old_ethanol=50 * G),
              makes=(Make("ester", 170 * G, weight=95, product=170), Make("recovered", 180 * G, weight=5))),
        Event("handed-over", Kind.DELIVERY, on(7), takes=takes(ester=170 * G)),
    ]  # fmt: skip


def worked_ledger() -> Ledger:
    """The same as a ledger."""
    return ledger_of(worked_events())
