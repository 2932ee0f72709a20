"""Purchases and stock entries in an import: in any order, and a file sent again adds nothing."""

from __future__ import annotations

import random
from typing import Any

import pytest

from service.errors import Conflict, InvalidInput
from service.store.balances import balances
from tests.record.import_lines import SMALL, Line, line, send
from tests.store.book import CARBONATE_RUN, Book, altered

EUR = {"amount": "6.50", "currency": "EUR"}
OFFER = {"material": "blue-vitriol", "supplier": "shop", "pack": "500 g", "price": EUR}
PURCHASE = {"supplier": "shop", "bought_on": "2026-03-04", "lines": [{"lot": "vitriol-2", "offer": "vitriol-500g"}]}
FROM_BOUGHT = altered(
    CARBONATE_RUN,
    charges=[{"lot": "vitriol-2", "amount": "50.0 g"}, *CARBONATE_RUN["charges"][1:]],
    outturns=[{"material": "malachite", "lot": "malachite-2", "net": "20.4 g"}],
)


def noted(code: str, kind: str, **more: Any) -> Line:
    return line("stock-entry", code, {"lot": "malachite-2", "kind": kind, "on": "2026-05-02", **more})


STOCK: list[Line] = [
    *SMALL,
    line("supplier", "shop", {"name": "corner shop"}),
    line("offer", "vitriol-500g", OFFER),
    line("purchase", "P-1", PURCHASE),
    line("run", "C-2", FROM_BOUGHT),
    noted("E-1", "sample", amount="1 g"),
    noted("E-2", "recount", amount="15 g"),
    noted("E-3", "assay", assay="0.9"),
    line("stock-entry", "E-0", {"reverses": "E-1", "on": "2026-05-03", "reason": "the other jar"}),
]


@pytest.mark.parametrize("seed", range(4))
def test_in_any_order_and_ten_times(book: Book, seed: int) -> None:
    lines = STOCK.copy()
    random.Random(seed).shuffle(lines)
    assert send(book, lines)["created"] == len(lines)
    with book.reading() as reading:
        found = balances(reading)
    assert (found["vitriol-2"].quantity, found["malachite-2"].quantity) == (450 * 10**9, 15 * 10**9)
    assert book.outcome("C-2").row["contained_g"] == pytest.approx(20.4 * 0.9)
    before = book.rows()
    for _ in range(9):
        assert send(book, lines)["unchanged"] == len(lines)
    assert book.rows() == before


def test_an_entry_is_written_over_by_no_import(book: Book) -> None:
    send(book, STOCK)
    before = book.rows()
    for replace in (False, True):
        with pytest.raises(Conflict) as refused:
            send(book, [noted("E-1", "sample", amount="2 g")], replace=replace)
        (fault,) = refused.value.extra["faults"]
        assert fault["code"] == "never-edited"
    assert book.rows() == before


def test_a_refused_entry_hides_nothing_of_its_lot(book: Book) -> None:
    lines = [*STOCK, noted("E-9", "sample"), noted("E-8", "theft", amount="1 g")]
    with pytest.raises(InvalidInput) as refused:
        send(book, lines)
    at = len(STOCK)
    assert {fault.pointer for fault in refused.value.faults} == {f"/{at}/record/amount", f"/{at + 1}/record/kind"}
