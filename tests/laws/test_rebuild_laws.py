"""Laws of the book: what is derived can be made again from the revisions, equal to the last row; balances are sums.

Random sequences of writes, changes and removals over a small route. What a write story refuses, it refuses whole.
"""

from __future__ import annotations

import secrets
from collections import defaultdict
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.errors import Conflict, InvalidInput, UnknownRecord
from service.record.rebuild import rebuild
from service.store import entries
from service.store.session import Database
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


def roast(number: int, source: str, amount: str) -> Step:
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


made = st.builds("{}-{}".format, st.sampled_from(["malachite", "pooled"]), numbers)
codes = st.sampled_from(["C-0", "C-1", "R-0", "R-1", "P-0", "P-1", "vitriol-1", "vitriol-2"])
steps: st.SearchStrategy[Step] = st.one_of(
    st.builds(lot, numbers, assays),
    st.builds(carbonate, numbers, numbers, assays, st.sampled_from(["once", "again"])),
    st.builds(pool, numbers, made, made, st.none() | assays),
    st.builds(roast, numbers, made, st.sampled_from(["3.00 g", "1 mL"])),
    st.builds(material, st.sampled_from(["Cu2CO3(OH)2", "Cu2CO5H2"]), st.sampled_from(["3.8 g/mL", "4.0 g/mL"])),
    st.builds(route, st.sampled_from(["stoichiometric", "mass-ratio"]), st.sampled_from(["revision", "correction"])),
    codes.map(lambda code: ({"C": "runs", "R": "runs", "P": "pools"}.get(code[0], "lots"), code, None)),
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
    assert follow(book, [lot(0, "0.90"), *(carbonate(i, 0, "0.96", "once") for i in range(3)), *taken]) >= 4
    before = book.rows()
    assert rebuild(first_steps, book.workshop_id) == len(before["revisions"])
    after = book.rows()
    for table, rows in before.items():
        assert after[table] == rows, table
    assert_the_ledger_adds_up(book)


def assert_the_ledger_adds_up(book: Book) -> None:
    """A lot's balance is the sum of its lines; what a pool takes, in one dimension, is what it gives."""
    lines = book.rows()["entries"]
    assert len({line[:5] for line in lines}) == len(lines)
    with book.reading() as reading:
        told, balances = entries.of_lots(reading), entries.balances(reading)
    sums: dict[str, int] = defaultdict(int)
    pools: dict[str, int] = defaultdict(int)
    for line in told:
        assert line.lot is not None
        sums[line.lot] += line.quantity or 0
        if line.source_kind == "pools":
            pools[line.source_code] += line.quantity or 0
    assert {lot: found.quantity for lot, found in balances.items()} == {lot: sums[lot] for lot in balances}
    assert not any(pools.values())
