"""What the ledger asks of a record before it is written: days in order, money with a rate to the book's."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from service.domain.ledger_day import came_on
from service.domain.lot import Lot
from service.domain.money import Money, to_micro
from service.domain.purchase import Purchase, bought_lines, money_of
from service.domain.route import Route
from service.domain.run import Run
from service.domain.stated_money import price_micro
from service.domain.workshop import Rate
from service.errors import Fault
from service.record.bench import Bench
from service.record.currencies import StatedMoney
from service.record.days import day_faults, day_of, day_of_making
from service.record.purchasing import offers_of

MOST_MICRO: Final = 2**60
"""More than this in one sum is beyond what the tables hold when it is added to others."""
_WORTH_A_LOOK: Final = 10**9
"""A charge that costs more than this by its numbers alone is worked out before it is written."""


def ledger_faults(bench: Bench, kind: str, record: Any, before: Any) -> Iterator[Fault]:
    """Yield what the ledger has against ``record``; ``before`` is the record as it stands, None where there is none."""
    yield from day_faults(bench, kind, record, before)
    stated = [*_money(bench, record)]
    for pointer, money, _ in stated:
        if to_micro(money.amount) > MOST_MICRO:
            detail = f"{money.amount} {money.currency} is more than a ledger counts: check the digits"
            yield Fault("out-of-range", detail, format(money.amount, "f"), "a smaller sum", pointer)
    # A receipt is in one currency: one place is enough to mend it.
    yield from bench.currencies.faults(stated[:1] if isinstance(record, Purchase) else stated)
    if isinstance(record, Run):
        yield from _beyond_count(bench, record)


def _money(bench: Bench, record: Any) -> Iterator[StatedMoney]:
    if isinstance(record, Lot) and record.value is not None:
        yield "/value/currency", record.value, record.received_on
    elif isinstance(record, Purchase):
        for pointer, money in money_of(record, bought_lines(record, offers_of(bench, record))):
            yield pointer, money, came_on(record)
    elif isinstance(record, Run):
        for i, charge in enumerate(record.charges):
            if charge.price is not None:
                yield f"/charges/{i}/price/currency", charge.price.price, day_of(bench, record)
        for i, outturn in enumerate(record.outturns):
            for key in ("credit", "realisable_value"):
                money = getattr(outturn, key)
                if money is not None:
                    yield f"/outturns/{i}/{key}/currency", money, day_of_making(bench, record)
        if (paid := _consumables(bench, record)) is not None:
            yield "/step", paid, day_of(bench, record)
    elif isinstance(record, Rate):
        yield "/price/currency", record.price, record.valid_from
    elif isinstance(record, Route):
        for i, step in enumerate(record.steps):
            if step.consumables is not None:
                yield f"/steps/{i}/consumables/currency", step.consumables, None


def _consumables(bench: Bench, run: Run) -> Money | None:
    """What a batch of its step uses up by the newest revision of the route."""
    revision = bench.standing_routes([run.route])[run.route]
    (route,) = bench.routes([(run.route, revision)]).values()
    step = route.step(run.step)
    return None if step is None else step.consumables


def _beyond_count(bench: Bench, run: Run) -> Iterator[Fault]:
    """Charges whose own price comes to more for their amount than a ledger counts."""
    for i, charge in enumerate(run.charges):
        price = charge.price
        if price is None or float(price.price.amount) * charge.amount.base() < _WORTH_A_LOOK * price.per.base():
            continue
        of = None if charge.lot is None else bench.lots([charge.lot]).get(charge.lot)
        code = charge.material if of is None else of.lot.material
        known = bench.materials([code]) if code is not None else {}
        if code is None or code not in known:
            continue
        strength = charge.strength if of is None else charge.strength.over(of.lot.strength)
        micro = price_micro(charge, strength, known[code], known.get(known[code].analyte_code))
        if micro is not None and micro > MOST_MICRO:
            detail = "the price times the amount is more than a ledger counts: check the digits, and what it is per"
            yield Fault("out-of-range", detail, charge.amount.text(), "a smaller sum", f"/charges/{i}/price")
