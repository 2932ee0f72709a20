"""Purchases: lots by a receipt, shipping and tax shared to the last millionth, and what is refused."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.analytics.money.exact_parts import dealt
from service.errors import Conflict, InvalidInput
from service.store import entries
from tests.store.book import CARBONATE_RUN, VITRIOL_LOT, Book, altered


def eur(amount: str) -> dict[str, str]:
    return {"amount": amount, "currency": "EUR"}


PURCHASE: dict[str, Any] = {
    "supplier": "shop",
    "bought_on": "2026-03-02",
    "received_on": "2026-03-04",
    "shipping": eur("4.90"),
    "tax": eur("0.10"),
    "lines": [
        {"lot": "vitriol-2", "offer": "vitriol-500g", "packs": 3, "assay": "0.98"},
        {"lot": "ash-1", "material": "soda-ash", "amount": "1 kg", "price": eur("3.50"), "project": "pigments"},
        {"lot": "ash-2", "material": "soda-ash", "amount": "10 g", "price": eur("0")},
    ],
}

OUTTURNS = [{"material": "malachite", "net": "20 g"}]


@pytest.fixture
def shop(filled: Book) -> Book:
    filled.put("suppliers", "shop", {"name": "corner shop"})
    offer = {"material": "blue-vitriol", "supplier": "shop", "pack": "500 g", "price": eur("6.50"), "assay": "0.9"}
    filled.put("offers", "vitriol-500g", offer)
    return filled


def faults_of(refused: pytest.ExceptionInfo[InvalidInput]) -> dict[str | None, str]:
    return {fault.pointer: fault.code for fault in refused.value.faults}


def landed(book: Book, code: str = "P-1") -> dict[str, int | None]:
    with book.reading() as reading:
        return {line.lot or "": line.price_micro for line in entries.of_sources(reading, "purchases", [code])}


def test_its_lines_make_lots(shop: Book) -> None:
    shop.put("purchases", "P-1", PURCHASE)
    stored = shop.lot("vitriol-2")
    assert (stored.lot.source_kind, stored.lot.source_code, stored.origin) == ("purchases", "P-1", "bought")
    assert (stored.amount, stored.supplier, stored.lot.material) == (1500 * 10**9, "shop", "blue-vitriol")
    assert stored.lot.strength.assay is not None
    assert stored.lot.strength.assay.value == 0.98  # what the line states, over what the pack prints
    assert str(stored.lot.received_on) == "2026-03-04"
    assert shop.lot("ash-1").lot.project == "pigments"
    with shop.reading() as reading:
        line = entries.of_sources(reading, "purchases", ["P-1"])[0]
    assert (line.kind, line.line, line.on, line.quantity) == ("purchase", 0, "2026-03-04", 1500 * 10**9)
    assert (line.price_micro, line.currency) == (stored.value_micro, stored.currency)


def test_shipping_and_tax_are_shared_to_the_last_millionth(shop: Book) -> None:
    shop.put("purchases", "P-1", PURCHASE)
    # 19.50 and 3.50 of 23.00 share 5.00: 4.2391304… and 0.7608695…; a gift of 0 carries none.
    assert landed(shop) == {"vitriol-2": 23_739_130, "ash-1": 4_260_870, "ash-2": 0}
    shop.put("purchases", "P-1", altered(PURCHASE, share_by="mass"))
    # By 1500, 1000 and 10 g of 2510: what was rounded at one line is put right at the next.
    assert landed(shop) == {"vitriol-2": 22_488_048, "ash-1": 5_492_032, "ash-2": 19_920}
    assert sum(filter(None, landed(shop).values())) == 28_000_000


@given(st.integers(0, 10**12), st.lists(st.integers(0, 10**15), min_size=1, max_size=20).filter(any))
def test_parts_come_to_the_whole(total: int, weights: list[int]) -> None:
    parts = dealt(total, weights, sum(weights))
    assert sum(parts) == total
    assert all(part == 0 for part, weight in zip(parts, weights, strict=True) if weight == 0)


def test_a_line_without_a_price_makes_a_lot_without_a_value(shop: Book) -> None:
    lines = [{"lot": "ash-1", "material": "soda-ash", "amount": "1 kg"}]
    body = {"supplier": "shop", "bought_on": "2026-03-02", "lines": lines}
    shop.put("purchases", "P-1", body)
    assert (shop.lot("ash-1").value_micro, shop.lot("ash-1").currency) == (None, None)
    with pytest.raises(InvalidInput) as refused:
        shop.put("purchases", "P-1", altered(body, shipping=eur("1")))
    assert faults_of(refused) == {"/lines/0/price": "missing"}


@pytest.mark.parametrize(
    ("changes", "pointer", "code"),
    [
        ({"supplier": "other"}, "/lines/0/offer", "another-supplier"),
        ({"shipping": None, "tax": {"amount": "1", "currency": "USD"}, "lines": PURCHASE["lines"][:1]},
         "/lines/0/offer", "mixed-currencies"),
        ({"lines": PURCHASE["lines"][2:]}, "/share_by", "cannot-be-shared"),
        ({"lines": [{"lot": "l", "material": "soda-ash", "amount": "1 L", "price": eur("1")}], "share_by": "mass"},
         "/lines/0", "cannot-be-shared"),
        ({"lines": [{"lot": "vitriol-1", "material": "soda-ash", "amount": "1 kg", "price": eur("1")}]},
         "/lines/0/lot", "lot-exists"),
    ],
)  # fmt: skip
def test_refused(shop: Book, changes: dict[str, Any], pointer: str, code: str) -> None:
    shop.put("suppliers", "other", {"name": "another"})
    before = shop.rows()
    with pytest.raises(InvalidInput) as refused:
        shop.put("purchases", "P-1", altered(PURCHASE, **changes))
    assert (pointer, code) in faults_of(refused).items()
    assert shop.rows() == before


def test_an_offer_in_another_currency_than_the_receipt(shop: Book) -> None:
    shop.put("exchange-rates", "usd", {"base": "USD", "quote": "EUR", "rate": "0.9", "valid_from": "2026-01-01"})
    offer = {"material": "soda-ash", "supplier": "shop", "pack": "1 kg", "price": {"amount": "4", "currency": "USD"}}
    shop.put("offers", "ash-usd", offer)
    lines = [*PURCHASE["lines"], {"lot": "ash-3", "offer": "ash-usd"}]
    with pytest.raises(InvalidInput) as refused:
        shop.put("purchases", "P-1", altered(PURCHASE, lines=lines))
    assert faults_of(refused) == {"/lines/3/offer": "mixed-currencies"}


def test_its_lots_are_written_through_it(shop: Book) -> None:
    shop.put("purchases", "P-1", PURCHASE)
    with pytest.raises(Conflict) as refused:
        shop.put("lots", "vitriol-2", VITRIOL_LOT)
    assert refused.value.code == "written-through"
    assert refused.value.extra["written_through"] == {"kind": "purchases", "code": "P-1"}


def test_what_rests_on_it_keeps_it(shop: Book) -> None:
    shop.put("purchases", "P-1", PURCHASE)
    charges = [
        {"lot": "vitriol-2", "amount": "50 g"},
        {"lot": "ash-1", "amount": "23 g"},
        *CARBONATE_RUN["charges"][2:],
    ]
    shop.put(
        "runs", "C-2", altered(CARBONATE_RUN, charges=charges, outturns=[{"material": "malachite", "net": "20 g"}])
    )
    with pytest.raises(Conflict, match="run C-2"):
        shop.remove("purchases", "P-1")
    with pytest.raises(Conflict, match="run C-2"):
        shop.put("purchases", "P-1", altered(PURCHASE, lines=PURCHASE["lines"][1:]))
    with pytest.raises(Conflict, match="purchase P-1"):
        shop.remove("offers", "vitriol-500g")
    shop.remove("runs", "C-2")
    shop.remove("purchases", "P-1")
    with shop.reading() as reading:
        assert entries.of_sources(reading, "purchases") == []
    assert "P-1" not in str(shop.rows()["lots"])


def test_a_corrected_line_derives_the_runs_again(shop: Book) -> None:
    shop.put("purchases", "P-1", PURCHASE)
    charges = [{"lot": "vitriol-2", "amount": "50 g"}, *CARBONATE_RUN["charges"][1:]]
    shop.put(
        "runs", "C-2", altered(CARBONATE_RUN, charges=charges, outturns=[{"material": "malachite", "net": "20 g"}])
    )
    lines = [altered(PURCHASE["lines"][0], assay="0.49"), *PURCHASE["lines"][1:]]
    before = shop.outcome("C-2").row["theoretical_g"]
    assert shop.put("purchases", "P-1", altered(PURCHASE, lines=lines)).moved == ("C-2",)
    assert shop.outcome("C-2").row["theoretical_g"] == pytest.approx(before / 2, rel=1e-12)


def test_a_corrected_offer_is_bought_again(shop: Book) -> None:
    shop.put("purchases", "P-1", altered(PURCHASE, lines=PURCHASE["lines"][:1]))
    offer = {"material": "blue-vitriol", "supplier": "shop", "pack": "1 kg", "price": eur("7")}
    shop.put("offers", "vitriol-500g", offer)
    assert shop.lot("vitriol-2").amount == 3000 * 10**9
    assert landed(shop) == {"vitriol-2": 26_000_000}
    shop.put("suppliers", "other", {"name": "another"})
    before = shop.rows()
    with pytest.raises(Conflict) as refused:
        shop.put("offers", "vitriol-500g", altered(offer, supplier="other"))
    assert refused.value.code == "contradicts-purchase"
    assert shop.rows() == before
