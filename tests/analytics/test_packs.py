"""Whole packs against every order that could be placed, and the terms that change an order's shape."""

from __future__ import annotations

import itertools
import math
import random

import pytest

from service.analytics.money.packs import OrderTerms, PackOffer, cheapest_packs

EURO = 1_000_000


def cash_of(counts: tuple[int, ...], offers: list[PackOffer], terms: dict[str, OrderTerms]) -> float:
    """Goods and shipping of an order, counted anew; infinite where a supplier refuses it."""
    cash = 0
    for supplier in {offer.supplier for offer in offers}:
        goods = sum(n * o.price_micro for n, o in zip(counts, offers, strict=True) if o.supplier == supplier)
        ordered = any(n for n, o in zip(counts, offers, strict=True) if o.supplier == supplier)
        own = terms.get(supplier, OrderTerms())
        if ordered and goods < own.minimum_micro:
            return math.inf
        if ordered and (own.free_from_micro is None or goods < own.free_from_micro):
            cash += own.shipping_micro
        cash += goods
    return cash


def cheapest_by_trying(needs: dict[str, float], offers: list[PackOffer], terms: dict[str, OrderTerms]) -> float:
    highest = max((max(t.minimum_micro, t.free_from_micro or 0) for t in terms.values()), default=0)
    tops = [math.ceil(needs[o.material] / o.pack_g) + math.ceil(highest / o.price_micro) for o in offers]
    best = math.inf
    for counts in itertools.product(*(range(top + 1) for top in tops)):
        held = dict.fromkeys(needs, 0.0)
        for n, offer in zip(counts, offers, strict=True):
            held[offer.material] += n * offer.pack_g
        if all(held[material] >= need for material, need in needs.items()):
            best = min(best, cash_of(counts, offers, terms))
    return best


def small_case(seed: int) -> tuple[dict[str, float], list[PackOffer], dict[str, OrderTerms]]:
    rng = random.Random(seed)
    suppliers = ["corner", "market", "post"][: rng.randint(1, 3)]
    needs = {material: float(rng.randint(1, 40)) for material in ["soda", "vinegar", "alum"][: rng.randint(1, 3)]}
    offers = [
        PackOffer(
            f"o{at}",
            rng.choice(list(needs)),
            rng.choice(suppliers),
            float(rng.choice([5, 10, 15, 25])),
            rng.randint(4, 20) * EURO // 2,
        )
        for at in range(rng.randint(1, 3))
    ]
    offers += [
        PackOffer(f"only-{material}", material, rng.choice(suppliers), 20.0, rng.randint(4, 20) * EURO // 2)
        for material in needs
        if material not in {offer.material for offer in offers}
    ]
    terms = {
        supplier: OrderTerms(
            shipping_micro=rng.choice([0, 2, 5]) * EURO,
            free_from_micro=rng.choice([None, 6 * EURO, 12 * EURO]),
            minimum_micro=rng.choice([0, 0, 5 * EURO, 10 * EURO]),
        )
        for supplier in suppliers
    }
    return needs, offers, terms


@pytest.mark.parametrize("block", range(10))
def test_no_order_is_cheaper(block: int) -> None:
    # Two roads to one number: 500 small cases in all, each against every order that could be placed.
    for seed in range(block * 50, block * 50 + 50):
        needs, offers, terms = small_case(seed)
        found = cheapest_packs(needs, offers, terms)
        assert found.proven
        assert not found.not_offered
        assert found.cash_micro == cheapest_by_trying(needs, offers, terms), seed
        counts = tuple(found.packs.get(offer.code, 0) for offer in offers)
        assert cash_of(counts, offers, terms) == found.cash_micro
        assert found.cash_micro == found.goods_micro + sum(found.shipping_micro.values())
        for material, need in needs.items():
            held = sum(found.packs.get(o.code, 0) * o.pack_g for o in offers if o.material == material)
            assert held - need == pytest.approx(found.left_over_g[material])
            assert held >= need


def test_one_more_pack_is_bought_where_it_saves_the_shipping() -> None:
    salt = [PackOffer("salt", "salt", "post", 100.0, 4 * EURO)]
    near = cheapest_packs({"salt": 100.0}, salt, {"post": OrderTerms(5 * EURO, free_from_micro=8 * EURO)})
    far = cheapest_packs({"salt": 100.0}, salt, {"post": OrderTerms(5 * EURO, free_from_micro=80 * EURO)})
    assert (near.packs, near.cash_micro, near.shipping_micro) == ({"salt": 2}, 8 * EURO, {"post": 0})
    assert (far.packs, far.cash_micro, far.shipping_micro) == ({"salt": 1}, 9 * EURO, {"post": 5 * EURO})


def test_free_shipping_begins_at_the_value_itself_and_a_minimum_is_kept() -> None:
    salt = [PackOffer("salt", "salt", "post", 100.0, 4 * EURO)]
    at = cheapest_packs({"salt": 200.0}, salt, {"post": OrderTerms(5 * EURO, free_from_micro=8 * EURO)})
    assert at.cash_micro == 8 * EURO
    minimum = cheapest_packs({"salt": 1.0}, salt, {"post": OrderTerms(0, minimum_micro=9 * EURO)})
    assert minimum.packs == {"salt": 3}


def test_one_supplier_for_both_beats_the_cheaper_price_at_another() -> None:
    offers = [
        PackOffer("alum-post", "alum", "post", 100.0, 5 * EURO),
        PackOffer("soda-post", "soda", "post", 100.0, 5 * EURO),
        PackOffer("soda-corner", "soda", "corner", 100.0, 3 * EURO),
    ]
    terms = {"post": OrderTerms(4 * EURO), "corner": OrderTerms(4 * EURO)}
    assert cheapest_packs({"alum": 10.0, "soda": 10.0}, offers, terms).packs == {"alum-post": 1, "soda-post": 1}


def test_what_nobody_sells_is_named_and_the_rest_is_bought() -> None:
    offers = [
        PackOffer("salt", "salt", "post", 100.0, 4 * EURO),
        PackOffer("gift", "chalk", "free-shelf", 50.0, 0),
    ]
    # The free shelf has a minimum that free goods cannot meet.
    found = cheapest_packs(
        {"salt": 1.0, "chalk": 1.0, "moonstone": 2.0}, offers, {"free-shelf": OrderTerms(0, None, 1)}
    )
    assert found.not_offered == ("chalk", "moonstone")
    assert found.packs == {"salt": 1}


def test_nothing_needed_buys_nothing() -> None:
    found = cheapest_packs({"salt": 0.0, "soda": -3.0}, [PackOffer("salt", "salt", "post", 100.0, EURO)], {})
    assert (found.packs, found.cash_micro, found.not_offered) == ({}, 0, ())


def test_a_need_met_to_the_last_rounding_takes_no_second_pack() -> None:
    tenths = sum([0.1] * 10) * 1000 + 1e-10
    assert cheapest_packs({"salt": tenths}, [PackOffer("salt", "salt", "post", 1000.0, EURO)], {}).packs == {"salt": 1}


def test_price_zero_is_a_price() -> None:
    offers = [PackOffer("salt", "salt", "post", 100.0, 4 * EURO), PackOffer("gift", "salt", "shelf", 50.0, 0)]
    assert cheapest_packs({"salt": 120.0}, offers, {}).packs == {"gift": 3}


def test_free_goods_bring_no_order_to_the_value_that_ships_free() -> None:
    gift = [PackOffer("gift", "salt", "shelf", 50.0, 0)]
    found = cheapest_packs({"salt": 120.0}, gift, {"shelf": OrderTerms(4 * EURO, free_from_micro=20 * EURO)})
    assert (found.packs, found.cash_micro, found.shipping_micro) == ({"gift": 3}, 4 * EURO, {"shelf": 4 * EURO})
    dear = PackOffer("dear", "soda", "shelf", 10.0, 19 * EURO)
    both = cheapest_packs({"salt": 120.0, "soda": 5.0}, [*gift, dear], {"shelf": OrderTerms(50 * EURO, 20 * EURO)})
    assert (both.packs, both.cash_micro) == ({"gift": 3, "dear": 2}, 38 * EURO)


def test_many_suppliers_with_terms_are_solved_too() -> None:
    offers = [PackOffer(f"salt-{at}", "salt", f"s{at}", 100.0, (20 - at) * EURO) for at in range(8)]
    found = cheapest_packs({"salt": 250.0}, offers, {f"s{at}": OrderTerms(at * EURO) for at in range(8)})
    # Three packs at s7: 3 x 13 + 7 = 46; at s0: 60; at s6: 3 x 14 + 6 = 48.
    assert (found.packs, found.cash_micro, found.proven) == ({"salt-7": 3}, 46 * EURO, True)


def test_equal_prices_a_gram_end_in_bounded_work() -> None:
    offers = [PackOffer("a", "salt", "s", 1.0, 2 * EURO), PackOffer("b", "salt", "s", 1.5, 3 * EURO)]
    found = cheapest_packs({"salt": 1_000_000.3}, offers, {})
    assert found.left_over_g["salt"] >= 0
    assert found.cash_micro == 2_000_001 * EURO


@pytest.mark.parametrize("need", [math.nan, math.inf])
def test_a_need_that_is_no_amount_is_refused(need: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        cheapest_packs({"salt": need}, [], {})
