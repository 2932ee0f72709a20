"""What the ledger refuses: a lot used before it exists, and money in a currency without a rate to the book's."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import InvalidInput
from tests.store.book import CARBONATE_RUN, ROAST_RUN, VITRIOL_LOT, Book, altered

USD = {"amount": "4", "currency": "USD"}


def refused_at(book: Book, kind: str, code: str, body: dict[str, Any]) -> dict[str | None, str]:
    """Pointers and codes of what is refused; nothing is written then."""
    before = book.rows()
    with pytest.raises(InvalidInput) as refused:
        book.put(kind, code, body)
    assert book.rows() == before
    return {fault.pointer: fault.code for fault in refused.value.faults}


# ---- days


def test_a_charge_before_its_lot_existed(filled: Book) -> None:
    run = altered(CARBONATE_RUN, started_on="2026-03-03", finished_on="2026-03-05")
    assert refused_at(filled, "runs", "C-2", altered(run, outturns=[])) == {"/outturns": "missing"}
    run = altered(run, outturns=[{"material": "malachite", "net": "20 g"}])
    assert refused_at(filled, "runs", "C-2", run) == {"/charges/0/lot": "before-it-existed"}
    filled.put("runs", "C-2", altered(run, started_on="2026-03-04"))
    filled.put("lots", "vitriol-0", {key: value for key, value in VITRIOL_LOT.items() if key != "received_on"})
    charges = [{"lot": "vitriol-0", "amount": "50 g"}, *CARBONATE_RUN["charges"][1:]]
    filled.put("runs", "C-3", altered(run, charges=charges, started_on="2020-01-01", finished_on="2020-01-01"))


def test_a_part_of_a_pool_before_it_existed(filled: Book) -> None:
    parts = [{"lot": "vitriol-1", "amount": "1 g"}]
    pool = {"made_on": "2026-03-03", "from": parts, "lot": "vitriol-p"}
    assert refused_at(filled, "pools", "P-1", pool) == {"/from/0/lot": "before-it-existed"}
    filled.put("pools", "P-1", altered(pool, made_on="2026-03-04"))


def test_what_was_used_cannot_come_later(filled: Book) -> None:
    assert refused_at(filled, "lots", "vitriol-1", altered(VITRIOL_LOT, received_on="2026-04-12")) == {
        "/received_on": "before-it-existed"
    }
    filled.put("lots", "vitriol-1", altered(VITRIOL_LOT, received_on="2026-04-11"))
    late = altered(CARBONATE_RUN, finished_on="2026-04-21")
    assert refused_at(filled, "runs", "C-1", late) == {"/finished_on": "before-it-existed"}
    filled.put("runs", "C-1", altered(CARBONATE_RUN, finished_on="2026-04-20"))
    filled.put("pools", "P-1", {"made_on": "2026-05-01", "from": [{"lot": "malachite-1", "amount": "1 g"}], "lot": "p"})
    entry = {"lot": "p", "kind": "assay", "on": "2026-05-02", "assay": "0.9"}
    filled.put("stock-entries", "E-1", entry)
    pool = {"made_on": "2026-05-03", "from": [{"lot": "malachite-1", "amount": "1 g"}], "lot": "p"}
    assert refused_at(filled, "pools", "P-1", pool) == {"/made_on": "before-it-existed"}


def test_a_receipt_moved_behind_what_took_from_it(filled: Book) -> None:
    filled.put("suppliers", "shop", {"name": "shop"})
    lines = [{"lot": "v-2", "material": "blue-vitriol", "amount": "100 g"}]
    purchase = {"supplier": "shop", "bought_on": "2026-03-02", "lines": lines}
    filled.put("purchases", "P-1", purchase)
    filled.put("stock-entries", "E-1", {"lot": "v-2", "kind": "sample", "on": "2026-03-02", "amount": "1 g"})
    moved = altered(purchase, received_on="2026-03-03")
    assert refused_at(filled, "purchases", "P-1", moved) == {"/received_on": "before-it-existed"}
    moved = altered(purchase, bought_on="2026-03-03")
    assert refused_at(filled, "purchases", "P-1", moved) == {"/bought_on": "before-it-existed"}


def test_a_run_without_a_day_has_that_of_the_latest_lot_that_it_takes(filled: Book) -> None:
    undated = {key: value for key, value in ROAST_RUN.items() if key != "finished_on"}
    filled.put("runs", "R-1", undated)  # malachite-1 exists from 2026-04-12 on
    entry = {"lot": "oxide-1", "kind": "sample", "on": "2026-04-11", "amount": "1 g"}
    assert refused_at(filled, "stock-entries", "E-1", entry) == {"/on": "before-it-existed"}
    filled.put("stock-entries", "E-1", altered(entry, on="2026-04-12"))
    # The day is handed on: what made malachite-1 cannot end later than the sample of what was roasted from it.
    late = altered(CARBONATE_RUN, finished_on="2026-04-13")
    assert refused_at(filled, "runs", "C-1", late) == {"/finished_on": "before-it-existed"}


# ---- money


def test_money_without_a_rate(filled: Book) -> None:
    lot = altered(VITRIOL_LOT, value=USD)
    assert refused_at(filled, "lots", "vitriol-2", lot) == {"/value/currency": "no-exchange-rate"}
    charges = [{"lot": "vitriol-1", "amount": "50.0 g"},
               {"material": "soda-ash", "amount": "23.5 g", "price": {**USD, "per": "1 kg"}}]  # fmt: skip
    outturns = [{"material": "malachite", "net": "20 g"},
                {"material": "sodium-sulfate", "role": "co-product", "lot": "s-1", "net": "9 g",
                 "credit": USD},
                {"material": "water", "role": "recovered", "lot": "w-1", "net": "9 g",
                 "realisable_value": USD}]  # fmt: skip
    run = altered(CARBONATE_RUN, charges=charges, outturns=outturns)
    assert refused_at(filled, "runs", "C-2", run) == {
        "/charges/1/price/currency": "no-exchange-rate",
        "/outturns/1/credit/currency": "no-exchange-rate",
        "/outturns/2/realisable_value/currency": "no-exchange-rate",
    }
    filled.put("suppliers", "shop", {"name": "shop"})
    lines = [{"lot": "v-2", "material": "blue-vitriol", "amount": "100 g", "price": USD}]
    purchase = {"supplier": "shop", "bought_on": "2026-03-02", "lines": lines}
    assert refused_at(filled, "purchases", "P-1", purchase) == {"/lines/0/price/currency": "no-exchange-rate"}

    rate = {"base": "EUR", "quote": "USD", "rate": "1.1", "valid_from": "2026-04-12"}
    filled.put("exchange-rates", "usd", rate)
    assert refused_at(filled, "runs", "C-2", run) == {"/charges/1/price/currency": "no-exchange-rate"}
    assert refused_at(filled, "lots", "vitriol-2", lot) == {"/value/currency": "no-exchange-rate"}
    filled.put("lots", "vitriol-0", {key: value for key, value in lot.items() if key != "received_on"})
    filled.put("exchange-rates", "usd", altered(rate, valid_from="2026-03-02"))
    filled.put("runs", "C-2", run)
    filled.put("lots", "vitriol-2", lot)
    filled.put("purchases", "P-1", purchase)


def test_a_sum_that_no_table_holds(filled: Book) -> None:
    lot = altered(VITRIOL_LOT, value={"amount": "999999999999999", "currency": "EUR"})
    assert refused_at(filled, "lots", "vitriol-2", lot) == {"/value/currency": "out-of-range"}


def test_sums_and_amounts_that_no_table_holds(filled: Book) -> None:
    dear = {"amount": "999999999", "currency": "EUR"}
    charges = [{"lot": "vitriol-1", "amount": "50.0 g"},
               {"material": "soda-ash", "amount": "900 t", "price": {**dear, "per": "1 mg"}}]  # fmt: skip
    run = altered(CARBONATE_RUN, charges=charges, outturns=[{"material": "malachite", "net": "20 g"}])
    assert refused_at(filled, "runs", "C-2", run) == {"/charges/1/price": "out-of-range"}
    filled.put("suppliers", "shop", {"name": "shop"})
    filled.put("offers", "heap", {"material": "malachite", "supplier": "shop", "pack": "900 t", "price": dear})
    lines = [{"lot": "v-2", "offer": "heap", "packs": 1_000_000}]
    purchase = {"supplier": "shop", "bought_on": "2026-03-02", "lines": lines}
    assert refused_at(filled, "purchases", "P-1", purchase) == {
        "/lines/0/packs": "out-of-range",
        "/lines/0/offer": "out-of-range",
    }
    tax = altered(
        purchase, lines=[{"lot": "v-2", "offer": "heap"}], tax={"amount": "99999999999999", "currency": "EUR"}
    )
    assert refused_at(filled, "purchases", "P-1", tax) == {"/tax/currency": "out-of-range"}
    filled.put("purchases", "P-1", altered(tax, tax={"amount": "999999999999", "currency": "EUR"}))
