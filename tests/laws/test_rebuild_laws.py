"""Laws of the book: what is derived can be made again from the revisions, equal to the last row; balances are sums.

Random sequences of writes, changes and removals over a small route. What a write story refuses, it refuses whole.
"""

from __future__ import annotations

import secrets
from collections import defaultdict
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.errors import Conflict, InvalidInput, UnknownRecord
from service.record.rebuild import rebuild
from service.store import entries, records
from service.store.balances import Balance, balances
from service.store.session import Database
from service.store.shelf import stored_lots
from tests.store.book import CARBONATE_RUN, MATERIALS, ROAST_RUN, ROUTE, VITRIOL_LOT, Book, altered

assays = st.sampled_from(["0.48", "0.90", "0.96"])
numbers = st.integers(0, 2)
Step = tuple[str, str, dict[str, Any] | None]
"""Kind, code and body of one write; a removal where the body is None."""


def lot(number: int, assay: str) -> Step:
    return "lots", f"vitriol-{number}", altered(VITRIOL_LOT, assay=assay)


def carbonate(number: int, source: int, assay: str, note: str) -> Step:
    run = altered(CARBONATE_RUN, note=note)
    run["charges"][0]["lot"] = f"vitriol-{source}"
    run["outturns"][0] |= {"lot": f"malachite-{number}", "assay": assay}
    return "runs", f"C-{number}", run


def pool(number: int, first: str, second: str, stated: str | None) -> Step:
    parts = [{"lot": code, "amount": "1.5 g"} for code in dict.fromkeys((first, second))]
    body: dict[str, Any] = {"made_on": "2026-04-15", "from": parts, "lot": f"pooled-{number}"}
    return "pools", f"P-{number}", body if stated is None else body | {"assay": stated}


def roast(number: int, source: str, amount: str) -> tuple[str, str, dict[str, Any]]:
    outturns = [{"material": "copper-oxide", "net": "6.10 g"}]
    charges = [{"lot": source, "amount": amount}]
    return "runs", f"R-{number}", altered(ROAST_RUN, charges=charges, outturns=outturns)


def material(formula: str, density: str) -> Step:
    return "materials", "malachite", altered(MATERIALS["malachite"], formula=formula, density=density)


def route(basis: str, change: str) -> Step:
    body = altered(ROUTE, change=change)
    if basis == "mass-ratio":
        body["steps"][1] = {name: value for name, value in body["steps"][1].items() if name != "reaction"}
        body["steps"][1]["basis"] = basis
    return "routes", "oxide", body


def offer(price: str) -> Step:
    money = {"amount": price, "currency": "EUR"}
    return "offers", "ash", {"material": "soda-ash", "supplier": "shop", "pack": "300 g", "price": money}


def purchase(number: int, packs: int, share_by: str, assay: str, day: str) -> Step:
    lines: list[dict[str, Any]] = [
        {"lot": f"ash-{number}", "offer": "ash", "packs": packs},
        {"lot": f"bought-{number}", "material": "malachite", "amount": "40 mL", "assay": assay,
         "price": {"amount": "7.01", "currency": "EUR"}},
    ]  # fmt: skip
    shipping = {"amount": "4.90", "currency": "EUR"}
    body = {"supplier": "shop", "bought_on": day, "share_by": share_by, "shipping": shipping, "lines": lines}
    return "purchases", f"B-{number}", body


def note(number: int, source: str, kind: str, on: str, amount: str, assay: str) -> Step:
    body = {"lot": source, "kind": kind, "on": on}
    return "stock-entries", f"E-{number}", body | ({"assay": assay} if kind == "assay" else {"amount": amount})


def take_back(number: int, wrong: int) -> Step:
    return "stock-entries", f"E-{number}", {"reverses": f"E-{wrong}", "on": "2026-05-03", "reason": "the other jar"}


made = st.builds("{}-{}".format, st.sampled_from(["malachite", "pooled", "bought"]), numbers)
codes = st.sampled_from(["C-0", "C-1", "R-0", "R-1", "P-0", "P-1", "B-0", "vitriol-1", "vitriol-2"])
noted = st.sampled_from(["delivery", "sample", "recount", "recount", "assay", "assay", "write-off"])
days = st.sampled_from(["2026-04-14", "2026-04-20", "2026-04-25"])
steps: st.SearchStrategy[Step] = st.one_of(
    st.builds(lot, numbers, assays),
    st.builds(carbonate, numbers, numbers, assays, st.sampled_from(["once", "again"])),
    st.builds(pool, numbers, made, made, st.none() | assays),
    st.builds(roast, numbers, made, st.sampled_from(["3.00 g", "1 mL"])),
    st.builds(material, st.sampled_from(["Cu2CO3(OH)2", "Cu2CO5H2"]), st.sampled_from(["3.8 g/mL", "4.0 g/mL"])),
    st.builds(route, st.sampled_from(["stoichiometric", "mass-ratio"]), st.sampled_from(["revision", "correction"])),
    st.builds(offer, st.sampled_from(["3.50", "4.20"])),
    st.builds(
        purchase,
        numbers,
        numbers.map(lambda packs: packs + 1),
        st.sampled_from(["value", "mass"]),
        assays,
        st.sampled_from(["2026-04-10", "2026-04-15"]),
    ),
    st.builds(note, st.integers(0, 9), made, noted, days, st.sampled_from(["1.5 g", "2 mL", "0.25 g"]), assays),
    st.builds(take_back, st.integers(0, 9), st.integers(0, 9)),
    codes.map(
        lambda code: ({"C": "runs", "R": "runs", "P": "pools", "B": "purchases"}.get(code[0], "lots"), code, None)
    ),
)


def follow(book: Book, taken: list[Step]) -> int:
    """Take the steps that can be taken; return how many were. A refused one leaves everything as it was."""
    count = 0
    for kind, code, body in taken:
        state = book.state()
        try:
            if body is None:
                book.remove(kind, code)
            else:
                book.put(kind, code, body)
            count += 1
        except (InvalidInput, Conflict, UnknownRecord):
            assert book.state() == state
    return count


@pytest.fixture
def first_steps(database: Database) -> Database:
    """The database; each example makes a workshop of its own in it."""
    return database


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(steps, min_size=5, max_size=25))
def test_a_rebuild_changes_no_row(first_steps: Database, taken: list[Step]) -> None:
    book = Book(first_steps, f"law-{secrets.token_hex(8)}")
    book.fill_with_runs()
    book.put("suppliers", "shop", {"name": "corner shop"})
    first = [lot(0, "0.90"), *(carbonate(i, 0, "0.96", "once") for i in range(3)), offer("3.50"),
             material("Cu2CO3(OH)2", "3.8 g/mL"), purchase(1, 1, "mass", "0.90", "2026-04-10")]  # fmt: skip
    assert follow(book, [*first, *taken]) >= 7
    before = book.rows()
    assert rebuild(first_steps, book.workshop_id) == len(before["revisions"])
    after = book.rows()
    for table, rows in before.items():
        assert after[table] == rows, table
    assert_the_ledger_adds_up(book)


def assert_the_ledger_adds_up(book: Book) -> None:
    """A lot's balance is the sum of its lines; what a pool takes, in one dimension, is what it gives."""
    lines = book.rows()["entries"]
    assert_counted_is_there(book)
    assert len({line[:5] for line in lines}) == len(lines)
    with book.reading() as reading:
        told, kept, shelf = entries.of_lots(reading), balances(reading), stored_lots(reading)
    sums = {lot: Balance(stored.lot.dimension, 0, 0) for lot, stored in shelf.items()}
    pools: dict[str, int] = defaultdict(int)
    counted_in: dict[str, set[str]] = defaultdict(set)
    for line in told:
        assert line.lot is not None
        sums[line.lot] = sums[line.lot].moved(line.quantity or 0, line.quantity is None)
        assert line.dimension == shelf[line.lot].lot.dimension
        if line.source_kind == "pools":
            pools[line.source_code] += line.quantity or 0
            counted_in[line.source_code].add(line.dimension)
    assert kept == sums == {lot: stored.left for lot, stored in shelf.items()}
    assert not any(rest for code, rest in pools.items() if len(counted_in[code]) == 1)


def assert_counted_is_there(book: Book) -> None:
    """At the end of the day of a recount that stands, a lot holds what was counted, by the last of that day."""
    with book.reading() as reading:
        told = entries.of_lots(reading)
        noted = {stored.code: stored.body for stored in records.many(reading, "stock-entries")}
        shelf = stored_lots(reading)
    wrong = {body["reverses"] for body in noted.values() if "reverses" in body}
    counted = {
        (body["lot"], body["on"]): body["amount"]
        for code, body in sorted(noted.items())
        if body.get("kind") == "recount" and code not in wrong
    }
    for (lot_code, day), amount in counted.items():
        until = [line for line in told if line.lot == lot_code and (line.on is None or line.on <= day)]
        if any(line.quantity is None for line in until):
            continue
        number, unit = amount.split()
        if {"g": "mass", "mL": "volume"}[unit] == shelf[lot_code].lot.dimension:
            scale = 10**9 if unit == "g" else 10**6
            assert sum(line.quantity or 0 for line in until) == Fraction(number) * scale


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_the_order_of_entry_within_a_day_changes_no_line(first_steps: Database, data: st.DataObject) -> None:
    entry = st.builds(note, st.just(0), st.just("malachite-1"), noted, st.just("2026-04-25"),
                      st.sampled_from(["1.5 g", "2 g", "0.25 g"]), assays)  # fmt: skip
    notes = data.draw(st.lists(entry, min_size=2, max_size=6))
    written = [(kind, f"E-{i}", body) for i, (kind, _, body) in enumerate(notes)]
    roasted = roast(5, "malachite-1", "3.00 g")
    roasted[2]["finished_on"] = "2026-04-25"
    told = []
    for order in ([*written, roasted], data.draw(st.permutations([*written, roasted]))):
        book = Book(first_steps, f"law-{secrets.token_hex(8)}")
        book.fill_with_runs()
        assert follow(book, order) == len(order)
        with book.reading() as reading:
            strength = stored_lots(reading)["malachite-1"].lot.strength
            told.append((entries.of_lots(reading), balances(reading), strength, book.outcome("C-1").row))
    assert told[0] == told[1]
