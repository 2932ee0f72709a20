"""What a purchase puts on the shelf and in the ledger: its lots, landed with their share of shipping and tax."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from service.analytics.money.exact_parts import dealt
from service.domain.ledger_day import came_on
from service.domain.lot import ShelfLot
from service.domain.material import Material
from service.domain.money import to_micro
from service.domain.offer import Offer
from service.domain.purchase import BY_MASS, BoughtLine, Purchase, bought_lines, money_of
from service.domain.shelf_amount import base_in_dimension, in_units
from service.errors import Conflict, Fault
from service.record.bench import Bench
from service.record.shelf_moves import shelve
from service.store import entries, records
from service.store.entries import Entry
from service.store.shelf import StoredLot
from service.store.types import iso

MOST_BASE: Final = 10**9
"""Grams, millilitres or moles of one lot: as much as any amount may be."""


def offers_of(bench: Bench, purchase: Purchase) -> dict[str, Offer]:
    """The offers that the lines of a purchase name, as they stand."""
    named = {line.offer for line in purchase.lines if line.offer is not None}
    found = {}
    for stored in records.many(bench.writing, "offers", named) if named else ():
        offer = bench.loaded(stored)
        assert isinstance(offer, Offer)
        found[offer.code] = offer
    return found


def lots_of_purchase(bench: Bench, purchase: Purchase) -> list[StoredLot]:
    """The lots that a purchase makes, in the order of its lines, each worth what it cost with its share of the rest."""
    bought = bought_lines(purchase, offers_of(bench, purchase))
    landed = _landed_micro(purchase, bought, bench.materials(line.material for line in bought))
    day = came_on(purchase)
    made = []
    for line, of, value in zip(purchase.lines, bought, landed, strict=True):
        lot = ShelfLot(
            line.lot, of.material, of.dimension, of.strength, "purchases", purchase.code,
            line.project, day, line.expires_on, line.hazards,
        )  # fmt: skip
        amount = in_units(of.base, of.dimension)
        currency = None if value is None else _currency(purchase, bought)
        made.append(StoredLot(lot, amount, "bought", purchase.supplier, value, currency))
    return made


def lines_of_purchase(purchase: Purchase, made: Sequence[StoredLot]) -> list[Entry]:
    """The lines of a purchase in the ledger, each with its landed value."""
    return [
        Entry(
            "purchases", purchase.code, "purchase", i, stored.lot.code, stored.lot.material,
            iso(stored.lot.received_on), stored.lot.dimension, stored.amount,
            price_micro=stored.value_micro, currency=stored.currency,
        )
        for i, stored in enumerate(made)
    ]  # fmt: skip


def purchases_of(bench: Bench, lots: list[str]) -> set[str]:
    """The purchases through which some of ``lots`` came."""
    return {stored.lot.source_code for stored in bench.lots(lots).values() if stored.lot.source_kind == "purchases"}


def purchase_of(bench: Bench, code: str) -> Purchase:
    """The purchase of a code, as it stands."""
    (stored,) = records.many(bench.writing, "purchases", [code])
    purchase = bench.loaded(stored)
    assert isinstance(purchase, Purchase)
    return purchase


def buy_again(bench: Bench, purchase: Purchase, refuse: bool) -> list[str]:
    """Derive a purchase again whose offers or materials are others now; return the lots that are."""
    for fault in purchase_faults(bench, purchase) if refuse else ():
        raise Conflict(
            f"purchase {purchase.code} rests on this, and would no longer hold: {fault.detail}",
            code="contradicts-purchase",
            extra={"referred_to_by": [{"kind": "purchases", "code": purchase.code}]},
        )
    return derive_purchase(bench, purchase, is_new=False)


def derive_purchase(bench: Bench, purchase: Purchase, *, is_new: bool) -> list[str]:
    """Put the lots of a purchase on the shelf and its lines in the ledger; return the lots that are others now."""
    made = lots_of_purchase(bench, purchase)
    moved = shelve(bench, bench.lots(stored.lot.code for stored in made), made)
    kept = [] if is_new else entries.of_sources(bench.writing, "purchases", [purchase.code])
    bench.replace_lines(kept, lines_of_purchase(purchase, made))
    return moved


def purchase_faults(bench: Bench, purchase: Purchase) -> Iterator[Fault]:
    """What the offers and materials that a purchase names have to say about it."""
    offers = offers_of(bench, purchase)
    bought = bought_lines(purchase, offers)
    for i, line in enumerate(purchase.lines):
        if line.offer is not None and offers[line.offer].supplier != purchase.supplier:
            other = offers[line.offer].supplier
            detail = f"offer {line.offer} is of {other}, and the receipt of {purchase.supplier}"
            yield Fault("another-supplier", detail, line.offer, f"an offer of {purchase.supplier}", f"/lines/{i}/offer")
    for i, of in enumerate(bought):
        if of.base > MOST_BASE:
            detail = "so many packs are more than a ledger counts: check how many there are"
            yield Fault("out-of-range", detail, str(purchase.lines[i].packs), "fewer packs", f"/lines/{i}/packs")
    stated = money_of(purchase, bought)
    written = [money for pointer, money in stated if not pointer.endswith("/offer")]
    for pointer, money in stated:
        if money.currency != (one := (written or [stated[0][1]])[0].currency):
            detail = f"one receipt is in one currency: the offer's price is in {money.currency}; state what was paid"
            yield Fault("mixed-currencies", detail, money.currency, one, pointer)
    unpriced = [i for i, line in enumerate(bought) if line.price is None]
    if _shared_micro(purchase) and unpriced:
        for i in unpriced:
            detail = "shipping and tax are shared over lines that state what was paid: 0 is a price"
            yield Fault("missing", detail, expected="the price of the line", pointer=f"/lines/{i}/price")
    elif _shared_micro(purchase):
        yield from _sharing_faults(purchase, bought, bench.materials(line.material for line in bought))


def _sharing_faults(
    purchase: Purchase, bought: Sequence[BoughtLine], materials: Mapping[str, Material]
) -> Iterator[Fault]:
    weights = _weights(purchase, bought, materials)
    for i, weight in enumerate(weights):
        if isinstance(weight, str):
            detail = f"shipping and tax are shared by {purchase.share_by}, and that of lot {bought[i].lot} is not known"
            yield Fault("cannot-be-shared", f"{detail}: {weight}", bought[i].lot, "lines to share by", f"/lines/{i}")
    if not any(isinstance(weight, str) for weight in weights) and not any(weights):
        detail = f"shipping and tax are shared by {purchase.share_by}, and every line has 0: share by mass"
        yield Fault("cannot-be-shared", detail, purchase.share_by, "mass", "/share_by")


def _landed_micro(
    purchase: Purchase, bought: Sequence[BoughtLine], materials: Mapping[str, Material]
) -> list[int | None]:
    """What each line cost with its share of shipping and tax, in 10⁻⁶: they sum to the receipt, to the last one."""
    prices = [None if line.price is None else to_micro(line.price.amount) for line in bought]
    rest = _shared_micro(purchase)
    if not rest:
        return prices
    weights = [weight for weight in _weights(purchase, bought, materials) if isinstance(weight, int)]
    assert len(weights) == len(bought), f"purchase {purchase.code} has nothing to share by"
    parts = dealt(rest, weights, sum(weights))
    return [None if price is None else price + part for price, part in zip(prices, parts, strict=True)]


def _weights(purchase: Purchase, bought: Sequence[BoughtLine], materials: Mapping[str, Material]) -> list[int | str]:
    if purchase.share_by != BY_MASS:
        return [0 if line.price is None else to_micro(line.price.amount) for line in bought]
    found: list[int | str] = []
    for line in bought:
        material = materials[line.material]
        analyte = materials.get(material.analyte_code)
        grams = base_in_dimension(line.base, line.dimension, "mass", line.strength, material, analyte)
        found.append(grams if isinstance(grams, str) else in_units(grams, "mass"))
    return found


def _shared_micro(purchase: Purchase) -> int:
    return sum(to_micro(money.amount) for money in (purchase.shipping, purchase.tax) if money is not None)


def _currency(purchase: Purchase, bought: Sequence[BoughtLine]) -> str:
    return money_of(purchase, bought)[0][1].currency
