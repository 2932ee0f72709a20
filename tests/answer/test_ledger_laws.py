"""Laws of the traced ledger over whole books as they are written: scale, splitting and pooling, the order of entry."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from service.answer.ledger import TracedLedger, traced_ledger
from service.record.importing import import_records
from service.store.session import Database
from tests.answer.desk import Desk
from tests.store.book import AT
from tests.world import make_world

CLOSE = 10
"""10⁻⁵ of the currency."""
Line = dict[str, Any]
ONLY_SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)


def book() -> list[Line]:
    """A book of its own each time, no part of it shared with another."""
    found: list[Line] = json.loads(json.dumps(make_world(11, routes=2, steps_per_route=3, runs_per_step=4).records))
    return found


def traced(database: Database, name: str, lines: list[Line]) -> TracedLedger:
    desk = Desk(database, name)
    payload = "\n".join(map(json.dumps, lines)).encode()
    import_records(
        database, desk.workshop_id, payload, "application/x-ndjson", may_change_workshop=True, by="m1", at=AT
    )
    with desk.opened() as opened:
        return traced_ledger(opened)


def values(found: TracedLedger) -> dict[str, int]:
    return dict(zip(found.ledger.lots, found.traced.lot_micro.tolist(), strict=True))


def times(written: str, factor: int) -> str:
    number, unit = written.split(" ", 1)
    return f"{Decimal(number) * factor:f} {unit}"


def scaled(lines: list[Line], *, mass: int, money: int) -> list[Line]:
    """The same with every amount and every sum so many times as large; a price for an amount is money over mass."""
    for line in lines:
        record = line["record"]
        if line["kind"] == "lot":
            record["value"]["amount"] = f"{Decimal(record['value']['amount']) * money:f}"
            record["amount"] = times(record["amount"], mass)
        for part in [*record.get("charges", ()), *(record["from"] if line["kind"] == "pool" else ())]:
            part["amount"] = times(part["amount"], mass)
            if "price" in part:
                part["price"]["amount"] = f"{Decimal(part['price']['amount']) * money:f}"
                part["price"]["per"] = times(part["price"]["per"], mass)
        for part in record.get("outturns", ()) if line["kind"] == "run" else ():
            for key in ("net", "tare"):
                if key in part:
                    part[key] = times(part[key], mass)
            if "gross" in part:
                several = part["gross"] if isinstance(part["gross"], list) else [part["gross"]]
                part["gross"] = [times(one, mass) for one in several]
    return lines


def shuffled(lines: list[Line]) -> list[Line]:
    random.Random(3).shuffle(lines)
    return lines


def split_and_pooled(lines: list[Line]) -> list[Line]:
    """The first bought lot comes in as two, which are pooled the same day; what took from it takes from the pool."""
    lot = next(line for line in lines if line["kind"] == "lot")
    code, record = lot["code"], lot["record"]
    amount, unit = record["amount"].split(" ")
    parts = {"a": Decimal(amount) / 4, "b": Decimal(amount) * 3 / 4}
    halves = [
        {
            "kind": "lot",
            "code": f"{code}-{side}",
            "record": record
            | {
                "amount": f"{part:f} {unit}",
                "value": {"amount": f"{_share(record, part, amount):f}", "currency": "EUR"},
            },
        }
        for side, part in parts.items()
    ]
    taken = [{"lot": f"{code}-{side}", "amount": f"{part:f} {unit}"} for side, part in parts.items()]
    pool = {"made_on": record["received_on"], "lot": code, "from": taken}
    others = [line for line in lines if line is not lot]
    return [*others, *halves, {"kind": "pool", "code": "united", "record": pool}]


def _share(record: dict[str, Any], part: Decimal, whole: str) -> Decimal:
    return Decimal(record["value"]["amount"]) * part / Decimal(whole)


@ONLY_SQLITE
@pytest.mark.parametrize(
    ("change", "factor"),
    [
        pytest.param(lambda lines: scaled(lines, mass=1, money=7), 7, id="money"),
        pytest.param(lambda lines: scaled(lines, mass=10, money=10), 10, id="masses and money"),
        pytest.param(shuffled, 1, id="order of entry"),
        pytest.param(split_and_pooled, 1, id="split and pooled"),
    ],
)
def test_unit_costs_stay(
    database: Database, workshop: str, change: Callable[[list[Line]], list[Line]], factor: int
) -> None:
    before = values(traced(database, workshop, book()))
    found = traced(database, f"{workshop}-changed", change(book()))
    after = values(found)
    assert len(before) > 20
    assert before.keys() <= after.keys()
    for lot, micro in before.items():
        assert abs(after[lot] / factor - micro) <= CLOSE, lot
    if change is shuffled:
        assert after == before
