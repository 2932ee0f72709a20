"""What the events of the ledger paid beside the lots that they took, in one currency, at the prices of their day."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from service.answer.book import Book
from service.answer.prices import Exchange, standing_offers
from service.domain.bill import contained_in_one, unit_holding
from service.domain.lot import Strength, strength_of
from service.domain.material import Material
from service.domain.money import Money, to_micro
from service.domain.offer import Offer
from service.domain.route import Route
from service.domain.shelf_amount import UNITS_PER_BASE, base_in_dimension, in_dimension
from service.domain.workshop import Rate
from service.errors import NotComputable
from service.store import links, records
from service.store.ledger_lines import Line
from service.store.ledger_rows import own_made

NO_DAY = dt.date.min
"""The day of what nobody dated: before every day, so that only what has no beginning holds on it."""


@dataclass(frozen=True, slots=True)
class Unpriced:
    """Something whose cost is not known. ``name`` is a kind and a code with a colon between, or the code of a lot."""

    name: str
    reason: str


class _Cheapest(NamedTuple):
    """Micro a g, mL or mol by the offer that is cheapest for what it contains."""

    per_contained: Fraction
    code: str
    per_base: Fraction


class LedgerMoney:
    """Money of any day in ``currency``. Each question is looked up once."""

    def __init__(self, book: Book, currency: str) -> None:
        self._book, self.currency = book, currency
        self._factors: dict[tuple[str, dt.date], Fraction | Unpriced] = {}
        self._offers: dict[str, tuple[Offer, ...]] = {}
        self._materials: dict[str, Material] = {}
        self._best: dict[tuple[str, str, dt.date], _Cheapest | Unpriced] = {}
        self._consumables: dict[tuple[str, int, str], Money | None] = {}
        self._made: frozenset[str] | None = None

    def converted(self, micro: int | Fraction, currency: str, day: dt.date) -> int | Unpriced:
        """Return 10⁻⁶ of another currency at the newest rate of that day or before; a missing rate is named."""
        if currency == self.currency:
            return round(micro)
        found = self._factor(currency, day)
        return found if isinstance(found, Unpriced) else round(micro * found)

    def prepare(self, materials: Iterable[str | None]) -> None:
        """Read at once what :meth:`offered` and :meth:`worth` will be asked about."""
        wanted = {code for code in materials if code is not None} - set(self._offers)
        if not wanted:
            return
        named = links.links_to(self._book.reading, "materials", wanted, from_kind="offers")
        offers = self._book.records("offers", [code for _, code in named]) if named else {}
        for material in wanted:
            self._offers[material] = tuple(offer for offer in offers.values() if offer.material == material)
        self._materials |= self._book.materials(wanted)

    def offered(self, material: str, dimension: str, units: int, day: dt.date) -> int | Unpriced:
        """Return what so many ng, nL or nmol cost by the offer of that day that is cheapest for what it contains."""
        self._made = own_made(self._book.reading) if self._made is None else self._made
        if material in self._made:
            reason = "made here and charged without its lot: nothing tells which, and none is guessed"
            return Unpriced(f"material:{material}", reason)
        found = self._cheapest(material, dimension, day)
        if isinstance(found, Unpriced):
            return found
        return round(found.per_base * units / UNITS_PER_BASE[dimension])

    def worth(self, material: str, dimension: str, units: int, strength: Strength, day: dt.date) -> int | None:
        """Return what the content of so many ng, nL or nmol at a strength would cost by that offer; None: no offer."""
        found = self._cheapest(material, dimension, day)
        if isinstance(found, Unpriced):
            return None
        held = unit_holding(material, self._materials, strength).contained_g if dimension != "amount" else 1.0
        return None if held is None else round(found.per_contained * Fraction(held) * units / UNITS_PER_BASE[dimension])

    def contained_ng(self, material: str, dimension: str, units: int, strength: Strength) -> int | None:
        """Return how many ng of the wanted substance so many ng or nL at a strength hold; None where nothing tells."""
        if dimension != "mass" or strength.is_solution:
            self.prepare([material])
        held = contained_in_one(dimension, material, strength, self._materials)
        return None if held is None else round(held * units * (UNITS_PER_BASE["mass"] / UNITS_PER_BASE[dimension]))

    def rated(self, of: str, line: Line, strength: Strength, day: dt.date) -> int | str:
        """Return what labour, energy or waste cost at the rate of that day, or why it is not counted.

        ``strength``: of the lot that waste went to, where a rate by mass meets a volume.
        """
        rates = [rate for rate in self._book.rates if rate.of == of and rate.valid_from <= day]
        rate = _newest(rates, line.waste_class) or _newest(rates, None)
        said = of if line.waste_class is None else f"{of} of class {line.waste_class}"
        if rate is None:
            return f"{said}: no rate is recorded for the day"
        base = self._measured_by(rate.per.dimension, line, strength)
        if isinstance(base, str):
            return f"{said}: its rate is by {rate.per.dimension}, it was recorded by {line.dimension}, and {base}"
        per_base = Fraction(to_micro(rate.price.amount)) / rate.per.exact_base()
        found = self.converted(per_base * base, rate.price.currency, day)
        return f"{said}: {found.reason}" if isinstance(found, Unpriced) else found

    def _measured_by(self, dimension: str, line: Line, strength: Strength) -> Fraction | str:
        """How much a line is in the fixed unit of ``dimension``; else why it cannot be."""
        base = Fraction(line.quantity or 0) / UNITS_PER_BASE[line.dimension]
        if line.dimension == dimension:
            return base
        if line.material is None:
            return "nothing tells the one from the other"
        self.prepare([line.material])
        return base_in_dimension(base, line.dimension, dimension, strength, self._materials[line.material])

    def consumables(self, route: str, revision: int, step: str, day: dt.date) -> int | Unpriced | None:
        """Return what a batch of a step uses up, by the revision of the route that its run goes by."""
        key = (route, revision, step)
        if key not in self._consumables:
            stored = records.at_revision(self._book.reading, "routes", route, revision)
            assert stored is not None, "a run goes by a revision of its route"
            of_route: Route = self._book.recalled(stored)
            self._consumables |= {(route, revision, each.code): each.consumables for each in of_route.steps}
        found = self._consumables.setdefault(key, None)  # of a step that its route no longer had, nothing
        return None if found is None else self.converted(to_micro(found.amount), found.currency, day)

    def _factor(self, currency: str, day: dt.date) -> Fraction | Unpriced:
        key = (currency, day)
        if key not in self._factors:
            try:
                on = self._first_rate(currency) if day == NO_DAY else day
                self._factors[key] = Fraction(Exchange(self._book, self.currency, on).factor(currency))
            except NotComputable:
                when = "" if day == NO_DAY else f" on {day.isoformat()}"
                reason = f"there is no exchange rate from {currency} to {self.currency}{when}"
                self._factors[key] = Unpriced(f"exchange-rate:{currency}-{self.currency}", reason)
        return self._factors[key]

    def _first_rate(self, currency: str) -> dt.date:
        """The first day on which there is a rate: what nobody dated goes by it."""
        pair = {currency, self.currency}
        days = [rate.valid_from for rate in self._book.exchange_rates if {rate.base, rate.quote} == pair]
        return min(days, default=NO_DAY)

    def _cheapest(self, material: str, dimension: str, day: dt.date) -> _Cheapest | Unpriced:
        key = (material, dimension, day)
        if key not in self._best:
            self._best[key] = self._cheapest_of(material, dimension, day)
        return self._best[key]

    def _cheapest_of(self, material: str, dimension: str, day: dt.date) -> _Cheapest | Unpriced:
        self.prepare([material])
        own = self._materials[material]
        found: list[_Cheapest] = []
        missing: Unpriced | None = None
        for offer in standing_offers(self._offers[material], day):
            strength = strength_of(assay=offer.assay, density=offer.density)
            size = in_dimension(offer.pack, dimension, strength, own, self._materials.get(own.analyte_code))
            money = self._exact(to_micro(offer.price.amount), offer.price.currency, day)
            if isinstance(money, Unpriced):
                missing = money
            elif not isinstance(size, str) and size > 0:
                held = unit_holding(material, self._materials, strength).contained_g if dimension != "amount" else 1.0
                found.append(_Cheapest(money / size / Fraction(held or 1.0), offer.code, money / size))
        if found:
            return min(found)
        reason = "charged without a lot and without a price, and no offer stands on the day"
        return missing or Unpriced(f"material:{material}", reason)

    def _exact(self, micro: int, currency: str, day: dt.date) -> Fraction | Unpriced:
        if currency == self.currency:
            return Fraction(micro)
        factor = self._factor(currency, day)
        return factor if isinstance(factor, Unpriced) else micro * factor


def _newest(rates: Collection[Rate], waste_class: str | None) -> Rate | None:
    mine = [rate for rate in rates if rate.waste_class == waste_class]
    return max(mine, key=lambda rate: (rate.valid_from, rate.code)) if mine else None
