"""The traced ledger of a workshop: what was written decides it, a write only moves it on, one lot's part agrees."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from flask import Flask
from scipy.sparse import coo_array, eye_array
from scipy.sparse.linalg import spsolve

from service.analytics.money.identity import balance, breaches
from service.analytics.money.ledger import Kind
from service.analytics.money.traced import lot_values
from service.answer.book import Book
from service.answer.ledger import TracedLedger, traced_ledger
from service.answer.ledger_balance import balance_of
from service.answer.lot_ledger import lot_ledger
from service.answer.snapshot import Memory
from service.cli.demo import seed_files
from service.cli.records import import_into
from service.store import ledger_rows
from service.store.session import Database
from tests.answer.desk import TODAY, Desk
from tests.answer.ledger_model import costs_of
from tests.answer.small import eur, roast, run, shop
from tests.benchmarks.ledger import drawn_columns, range_of_codes
from tests.benchmarks.ledger_answer import filled
from tests.store.book import AT, VITRIOL_LOT, altered
from tests.world import make_world

CLOSE = 10
"""10⁻⁵ of the currency."""


def traced(desk: Desk, memory: Memory | None = None, **asked: Any) -> TracedLedger:
    held, desk.memory = desk.memory, memory or desk.memory
    try:
        with desk.opened() as book:
            return traced_ledger(book, **asked)
    finally:
        desk.memory = held


def lots(found: TracedLedger) -> dict[str, int]:
    return dict(zip(found.ledger.lots, found.traced.lot_micro.tolist(), strict=True))


def told(found: TracedLedger) -> dict[str, Any]:
    """Everything that a ledger says, by name: numbers of steps differ with the order in which they were met."""
    ledger, numbers = found.ledger, found.columns.numbers
    places = np.lexsort((ledger.take_quantity, ledger.take_lot, ledger.take_event))
    return {
        "events": ledger.events,
        "lots": lots(found),
        "steps": [ledger.steps[step] if step >= 0 else None for step in ledger.step.tolist()],
        "takes": [ledger.take_lot[places].tolist(), ledger.take_quantity[places].tolist()],
        "numbers": {name: numbers[name].tolist() for name in numbers if not name.startswith("take") and name != "step"},
        "facts": found.columns.facts.tolist(),
        "rows": found.columns.rows.tolist(),
        "unpriced": dict(found.columns.unpriced),
        "reasons": dict(found.columns.reasons),
        "total": found.traced.total_micro.tolist(),
    }


def whole(desk: Desk) -> None:
    """Both sides agree, and the part of every lot is the same to the last millionth."""
    found = traced(desk)
    assert balance(found.ledger, found.traced).difference == 0
    assert breaches(found.ledger, found.traced) == []
    with desk.opened() as book:
        assert Decimal(balance_of(book, as_of=TODAY)["difference"]["amount"]) == 0


def parts_agree(desk: Desk, codes: Iterable[str]) -> None:
    values = lots(traced(desk))
    with desk.reading() as reading:
        for code in codes:
            book = Book(reading, Memory())
            part = lot_ledger(book, code)
            alone = lot_values(part.ledger, [part.number])
            assert {part.ledger.lots[lot]: value for lot, value in alone.items()}.items() <= values.items(), code


@pytest.mark.parametrize("seed", [4, 5])
def test_a_generated_book_costs_what_was_written(seed: int, desk: Desk) -> None:
    world = make_world(seed, routes=3, steps_per_route=3, runs_per_step=5)
    desk.load(world)
    true = costs_of(world)
    found = traced(desk)
    assert lots(found).keys() == true.whole.keys()
    for lot, micro in lots(found).items():
        assert abs(micro - true.whole[lot] * 10**6) <= CLOSE, lot
    sides = balance(found.ledger, found.traced)
    assert sides.sources["purchases"] == true.paid * 10**6
    assert abs(sides.sources["direct"] - true.direct * 10**6) <= CLOSE
    uses = {name: sides.uses[name] for name in ("failures", "abandoned", "work_in_progress", "stock")}
    expected = [true.uses.get(status, 0) for status in ("failed", "abandoned", "open")] + [true.stock]
    for (name, micro), euros in zip(uses.items(), expected, strict=True):
        assert abs(micro - euros * 10**6) <= 3 * CLOSE, name
    whole(desk)
    parts_agree(desk, random.Random(seed).sample(sorted(true.whole), 12))


WRITES = (
    "run",
    "fail",
    "lot",
    "unvalued",
    "roast",
    "remove",
    "offer",
    "no offer",
    "undated",
    "pool",
    "rate",
    "density",
    "exchange",
)


def write(desk: Desk, what: str, source: random.Random) -> None:
    """One more write of some kind; what it names may be new or there already."""
    number = source.randrange(4)
    if what == "run":
        run(desk, f"r{number}", started_on=f"2026-04-1{source.randrange(3)}", operator=f"m{number}")
    elif what == "fail":
        run(desk, f"f{number}", status="failed", outturns=[], labour="2 h", energy="1 kWh")
    elif what == "lot":
        desk.put("lots", "vitriol-1", altered(VITRIOL_LOT, value=eur(str(source.randrange(9)))))
    elif what == "unvalued":
        desk.put("lots", "vitriol-1", {key: value for key, value in VITRIOL_LOT.items() if key != "value"})
    elif what == "roast":
        roast(desk, f"o{number}")
    elif what == "undated":
        run(desk, f"u{number}", started_on=None, finished_on=None)
    elif what == "remove":
        for code in (f"f{number}", f"o{number}"):
            if desk.etag("runs", code) is not None:
                desk.remove("runs", code)
    elif what == "pool":
        made = [lot for lot in lots(traced(desk, Memory())) if lot.endswith("-lot") and lot[0] == "r"]
        if made:
            parts = [{"lot": lot, "amount": "1 g"} for lot in made]
            desk.put("pools", f"p{number}", {"made_on": "2026-05-30", "from": parts, "lot": f"pool-{number}"})
    elif what == "rate":
        rate = {
            "of": source.choice(["labour", "energy", "waste"]),
            "price": eur(f"0.3{number}"),
            "valid_from": source.choice(["2026-01-01", "2026-04-12"]),
        }
        per = {"labour": "1 h", "energy": "1 kWh", "waste": "1 kg"}[rate["of"]]
        desk.put("rates", f"rate-{rate['of']}", {**rate, "per": per})
    elif what == "density":
        water = {"name": "water", "formula": "H2O", "solvent": True}
        desk.put("materials", "water", {**water, "density": source.choice(["0.998 g/mL", "1.1 g/mL"])})
    elif what == "purchase":
        line = {
            "lot": f"ash-{number}",
            "material": "soda-ash",
            "amount": "1 kg",
            "price": eur(str(1 + source.randrange(5))),
        }
        order = {"supplier": "corner", "bought_on": "2026-02-01", "lines": [line], "tax": eur("0.70")}
        desk.put("purchases", f"order-{number}", order)
    elif what == "exchange":
        rate = {"base": "USD", "quote": "EUR", "rate": str(1 + number), "valid_from": "2026-01-01"}
        desk.put("exchange-rates", "usd", rate)
        desk.put(
            "lots", "ash-usd", {"material": "soda-ash", "amount": "1 kg", "value": {"amount": "9", "currency": "USD"}}
        )
    elif what in ("sample", "recount", "assay"):
        entry = {"lot": "vitriol-1", "kind": what, "on": f"2026-05-1{number}"}
        found = {"assay": "0.97"} if what == "assay" else {"amount": f"{number + 1}.00 g"}
        desk.put("stock-entries", f"{what}-{desk.state}", {**entry, **found})
    elif what == "take back":
        with desk.opened() as book:
            known = book.records("stock-entries")
        gone = {entry.reverses for entry in known.values()}
        standing = [code for code, entry in known.items() if entry.reverses is None and code not in gone]
        if standing:
            wrong = source.choice(standing)
            reversal = {"reverses": wrong, "on": "2026-05-20", "reason": "wrong"}
            desk.put("stock-entries", f"back-{wrong}", reversal)
    elif what == "no offer" and desk.etag("offers", "ash-1kg") is not None:
        desk.remove("offers", "ash-1kg")
    else:
        offer = {
            "material": "soda-ash",
            "supplier": "corner",
            "pack": "1 kg",
            "price": eur(str(1 + source.randrange(5))),
        }
        desk.put("offers", "ash-1kg", offer)


@pytest.mark.parametrize("seed", range(3))
def test_a_ledger_that_is_moved_on_is_the_one_read_anew(seed: int, desk: Desk) -> None:
    desk.fill()
    shop(desk)
    source = random.Random(seed)
    for _ in range(24):
        write(desk, source.choice(WRITES), source)
        if source.random() < 0.7:
            assert told(traced(desk)) == told(traced(desk, Memory()))
    whole(desk)
    parts_agree(desk, lots(traced(desk)))
    assert told(traced(desk, labour=True)) == told(traced(desk, Memory(), labour=True))


def test_nothing_is_built_twice_at_one_state(desk: Desk) -> None:
    desk.fill()
    run(desk, "r1")
    first = traced(desk)
    assert traced(desk) is first
    desk.put("projects", "other", {"name": "other"})
    later = traced(desk)
    assert later.state > first.state
    assert later.traced is first.traced
    assert desk.memory.ledgers.held(first.basis) is later


@pytest.mark.parametrize("of", ["labour", "energy", "waste", "dollars"])
def test_a_changed_rate_reads_only_what_goes_by_it(of: str, desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    desk.fill()
    for number in range(4):
        run(desk, f"r{number}")
    waste = {"material": "water", "role": "waste", "net": "100 g"}
    made = {"material": "malachite", "net": "20 g", "lot": "green"}
    run(desk, "worked", labour="2 h", energy="1 kWh", outturns=[made, waste])
    before = traced(desk, labour=True)
    with monkeypatch.context() as patch:
        patch.setattr(ledger_rows, "whole_ledger", None)
        if of == "dollars":
            rate = {"base": "USD", "quote": "CHF", "rate": "0.8", "valid_from": "2026-01-01"}
            desk.put("exchange-rates", "usd", rate)
        else:
            per = {"labour": "1 h", "energy": "1 kWh", "waste": "1 kg"}[of]
            desk.put("rates", "new", {"of": of, "price": eur("3"), "per": per, "valid_from": "2026-01-01"})
        after = traced(desk, labour=True)
    assert (lots(after) == lots(before)) == (of == "dollars")
    assert told(after) == told(traced(desk, Memory(), labour=True))


def test_an_older_snapshot_is_read_for_itself(desk: Desk) -> None:
    desk.fill()
    run(desk, "r1")
    with desk.opened() as book:
        memory, old = desk.memory, book.state
        run(desk, "r2")
        newer = traced(desk, memory)
        assert traced_ledger(book).state == old
        assert "runs/r2" not in traced_ledger(book).ledger.events
    assert memory.ledgers.held(newer.basis) is newer


def test_the_demo_balances_on_every_day(desk: Desk) -> None:
    for file in seed_files(None):
        import_into(desk.database, desk.workshop_id, file, replace=False, by="demo", at=AT)
    found = traced(desk)
    for day in range(dt.date(2024, 11, 1).toordinal(), TODAY.toordinal(), 9):
        assert balance(found.ledger, found.traced, day).difference == 0
        assert breaches(found.ledger, found.traced, day) == []
    whole(desk)
    parts_agree(desk, [lot for lot in found.ledger.lots if "/" not in lot][::7])


def solved_values(columns: dict[str, Any]) -> Any:
    """What every lot of a drawn ledger is worth, from the drawn numbers alone, in one solve of (I - A)v = c in floats.

    A lot is worth its part, by quantity, of what its run took; only what was bought has a cost of its own.
    """
    made_by, quantity = columns["made_by"], columns["quantity"].astype(np.float64)
    count = len(made_by)
    share = quantity / np.bincount(made_by, quantity)[made_by]
    own = share * np.where(columns["kind"] == Kind.PURCHASE, columns["cost"], 0)[made_by]
    makes = coo_array((share, (np.arange(count), made_by)), shape=(count, len(columns["kind"])))
    part = columns["take_quantity"] / quantity[columns["take_lot"]]
    takes = coo_array((part, (columns["take_event"], columns["take_lot"])), shape=(len(columns["kind"]), count))
    return spsolve((eye_array(count) - makes.tocsr() @ takes.tocsr()).tocsc(), own)


def test_a_drawn_ledger_of_ten_thousand_lots_agrees_with_one_sparse_solve(database: Database, app: Flask) -> None:
    """Through the tables, and through HTTP: what every lot is told to have cost."""
    columns = drawn_columns(10_000)
    workshop = filled(database, columns)
    values = dict(zip(range_of_codes("l", len(columns["made_by"])), solved_values(columns).tolist(), strict=True))
    assert len(values) > 9_900
    with database.reading(workshop.id) as reading:
        found = traced_ledger(Book(reading, Memory()), "EUR")
    assert found.ledger.lots == tuple(sorted(values))
    assert found.traced.lot_micro == pytest.approx([values[lot] for lot in found.ledger.lots], rel=1e-7, abs=CLOSE)
    assert balance(found.ledger, found.traced).difference == 0
    client = app.test_client()
    client.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {workshop.token}"
    series = client.get("/v1/series/prices?as_of=2026-11-25").get_json()
    told = {each["lot"]: float(each["total"]["amount"]) * 1e6 for each in series["costs"]}
    assert told == pytest.approx(values, rel=1e-7, abs=CLOSE)
    for lot in list(values)[::1500]:  # each by the rows of its ancestors alone
        cost = client.get(f"/v1/lots/{lot}/cost?as_of=2026-11-25").get_json()
        assert float(cost["total"]["amount"]) * 1e6 == pytest.approx(values[lot], rel=1e-7, abs=CLOSE)
