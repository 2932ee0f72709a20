"""What a gram of a material costs on a day: by the offers that stand, else by what was last paid or is in the books."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal

from service.analytics.money.packs import OrderTerms, PackOffer
from service.answer.book import Book
from service.answer.shelf import lots_put
from service.domain.bill import need_of, unit_holding
from service.domain.lot import Strength, strength_of
from service.domain.material import Material
from service.domain.money import Money, to_micro
from service.domain.offer import Offer
from service.domain.quantity import Quantity
from service.domain.route import BillLine, Step
from service.errors import NotComputable
from service.store.entries import priced_charges
from service.store.shelf import stored_lots

NEWEST_CHARGES = 50
"""How many charges that state a price are looked through, the newest first, for one that tells what a gram costs."""
MADE_HERE = ("made", "pooled")
"""Where a lot comes from that costs what went into it, whatever a charge of it states."""


@dataclass(frozen=True, slots=True)
class GramPrice:
    """Money a gross gram, in the currency asked for.

    ``source`` is ``offer``, ``lot`` or ``charge`` and ``code`` which; ``strength`` is what that gram holds.
    """

    material: str
    per_g: float
    source: str
    code: str
    strength: Strength


class Exchange:
    """Money in one currency on one day. Raises NotComputable for a currency without a rate, naming it."""

    def __init__(self, book: Book, currency: str, as_of: dt.date) -> None:
        self.currency, self.as_of = currency, as_of
        self._book = book

    def of(self, money: Money) -> Decimal:
        """Return an amount in the currency asked for."""
        return money.amount * self.factor(money.currency)

    def factor(self, source: str) -> Decimal:
        """Return what one unit of ``source`` is worth: by the newest rate of that day or before, either way round."""
        if source == self.currency:
            return Decimal(1)
        for rate in reversed(self._book.exchange_rates):
            if rate.valid_from > self.as_of:
                continue
            if (rate.base, rate.quote) == (source, self.currency):
                return rate.rate
            if (rate.quote, rate.base) == (source, self.currency):
                return 1 / rate.rate
        raise NotComputable(
            f"there is no exchange rate from {source} to {self.currency} on {self.as_of.isoformat()}: record one under "
            "exchange-rates, or ask for another currency",
            code="no-exchange-rate",
        )


class Shop:
    """The prices of one day in one currency; of the materials in ``by_volume`` a millilitre stands for a gram."""

    def __init__(
        self, book: Book, materials: Mapping[str, Material], exchange: Exchange, by_volume: Collection[str]
    ) -> None:
        self._book, self._materials, self.exchange, self._by_volume = book, materials, exchange, by_volume
        self.offers = standing_offers(book.offers, exchange.as_of)

    def price(self, material: str) -> GramPrice | None:
        """Return the price of a gross gram, None where there is none.

        The offer that is cheapest for what it contains; else the newest lot with a value; else the newest price that a
        charge stated. Shipping is not in it: it belongs to an order.
        """
        return self.offered(material) or self._booked(material) or self._charged(material)

    def offered(self, material: str) -> GramPrice | None:
        """Return the price by the offer that is cheapest for what it contains, None where none stands."""
        found: list[tuple[float, str, GramPrice]] = []
        for offer in self.offers:
            if offer.material == material and (price := self._price_of(offer)) is not None:
                held = unit_holding(material, self._materials, price.strength).contained_g or 1.0
                found.append((price.per_g / held, price.code, price))
        return min(found, key=lambda each: each[:2])[2] if found else None

    def _price_of(self, offer: Offer) -> GramPrice | None:
        pack_g = self.pack_g(offer)
        if not pack_g:
            return None
        per_g = float(self.exchange.of(offer.price)) / pack_g
        strength = strength_of(assay=offer.assay, density=offer.density)
        return GramPrice(offer.material, per_g, "offer", offer.code, strength)

    def _booked(self, material: str) -> GramPrice | None:
        worth = [
            each
            for each in lots_put(self._book, [material], self._materials)
            if each.stored.value_micro is not None and each.put_g
            and (each.lot.received_on is None or each.lot.received_on <= self.exchange.as_of)
        ]  # fmt: skip
        if not worth:
            return None
        newest = max(worth, key=lambda each: (each.lot.received_on or dt.date.min, each.lot.code))
        value = Decimal(newest.stored.value_micro or 0) / 10**6 * self.exchange.factor(newest.stored.currency or "")
        return GramPrice(material, float(value) / (newest.put_g or 1.0), "lot", newest.lot.code, newest.lot.strength)

    def _charged(self, material: str) -> GramPrice | None:
        """By the newest charge that states a price: of no lot, or of one that was put there and has no value."""
        lines = priced_charges(self._book.reading, material, self.exchange.as_of.isoformat(), NEWEST_CHARGES)
        lots = stored_lots(self._book.reading, {line.lot for line in lines if line.lot is not None})
        for line in lines:
            if line.lot is not None and (lots[line.lot].value_micro is not None or lots[line.lot].origin in MADE_HERE):
                continue
            charge = self._book.records("runs", [line.source_code])[line.source_code].charges[line.line]
            if charge.price is None or (material in self._by_volume and charge.price.per.dimension == "mass"):
                continue
            strength = charge.strength if line.lot is None else charge.strength.over(lots[line.lot].lot.strength)
            per_g = self._grams(charge.price.per, material, strength)
            if per_g:
                money = float(self.exchange.of(charge.price.price)) / per_g
                return GramPrice(material, money, "charge", line.source_code, strength)
        return None

    def pack_g(self, offer: Offer) -> float | None:
        """Return the gross grams of a pack, None for a volume without a density or moles without a molar mass."""
        return self._grams(offer.pack, offer.material, strength_of(assay=offer.assay, density=offer.density))

    def _grams(self, amount: Quantity, material: str, strength: Strength) -> float | None:
        line = BillLine(material, per_batch=amount)
        step = Step(code="", name="", basis="", key_input=material, product=material)
        return need_of(step, line, self._materials, {material: strength}).per_batch_g

    def pack_offers(self, materials: Collection[str], worth: Callable[[str, Strength], float]) -> list[PackOffer]:
        """Return the packs of ``materials`` that can be bought, at today's prices in the currency asked for.

        ``worth`` says of a material how many grams of need a gram at a strength stands for.
        """
        found = []
        for offer in self.offers:
            if offer.material in materials and (price := self._price_of(offer)) is not None:
                pack_g = (self.pack_g(offer) or 0.0) * worth(offer.material, price.strength)
                micro = to_micro(self.exchange.of(offer.price))
                found.append(PackOffer(offer.code, offer.material, offer.supplier, pack_g, micro))
        return found

    def terms(self) -> dict[str, OrderTerms]:
        """Return every supplier's terms of an order, in the currency asked for."""
        return {
            code: OrderTerms(
                shipping_micro=self._micro(supplier.shipping) or 0,
                free_from_micro=self._micro(supplier.free_from),
                minimum_micro=self._micro(supplier.minimum_order) or 0,
            )
            for code, supplier in self._book.suppliers.items()
        }

    def _micro(self, money: Money | None) -> int | None:
        return None if money is None else to_micro(self.exchange.of(money))


def standing_offers(offers: Iterable[Offer], as_of: dt.date) -> list[Offer]:
    """Return the offers that stand on a day: of one supplier's offers of one pack, the newest that is valid.

    A price that rises is often written as a new offer without an end being set to the old one.
    """
    newest: dict[tuple[str, str, object, object], Offer] = {}
    for offer in offers:
        if not offer.valid_on(as_of):
            continue
        assay = None if offer.assay is None else offer.assay.base()
        key = (offer.supplier, offer.material, (offer.pack.dimension, offer.pack.base()), assay)
        held = newest.get(key)
        if held is None or _since(held) < _since(offer):
            newest[key] = offer
    return sorted(newest.values(), key=lambda offer: offer.code)


def _since(offer: Offer) -> tuple[dt.date, str]:
    return (offer.valid_from or dt.date.min, offer.code)
