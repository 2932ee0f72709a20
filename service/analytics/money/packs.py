"""Whole packs: the cheapest order that covers what is needed, shipping and minimum orders included.

Prices are integers and amounts are compared in whole micrograms, so that an answer never hangs on a rounding. Most
needs fall apart into one small problem a material once it is settled which suppliers are ordered from and which of
them ship free; where that does not settle it, the whole is handed to an integer programme.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np

MOST_SUPPLIERS = 5
"""Suppliers with terms of their own whose orders are gone through one by one; three states each."""

MOST_NODES = 20_000
"""Nodes of a search after which the best order found so far is given, and said to be unproven."""


@dataclass(frozen=True, slots=True)
class PackOffer:
    """A pack that can be bought: grams of gross material in it, and its price in millionths of the report currency."""

    code: str
    material: str
    supplier: str
    pack_g: float
    price_micro: int


@dataclass(frozen=True, slots=True)
class OrderTerms:
    """A supplier's terms for one order, in millionths of the report currency.

    ``shipping_micro`` is paid on goods below ``free_from_micro`` (always, where that is None); an order of goods
    below ``minimum_micro`` is not taken.
    """

    shipping_micro: int = 0
    free_from_micro: int | None = None
    minimum_micro: int = 0

    def shipping(self, goods_micro: int) -> int:
        """Return what shipping costs on an order of goods worth ``goods_micro``."""
        free = self.free_from_micro is not None and goods_micro >= self.free_from_micro
        return 0 if free else self.shipping_micro


@dataclass(frozen=True, slots=True)
class Purchase:
    """What to buy. ``packs``: offer to number of packs. Money in millionths of the report currency.

    ``shipping_micro`` has every supplier ordered from, at 0 where shipping is free. ``left_over_g``: grams beyond the
    need, a material. ``not_offered``: materials that no usable offer covers; the rest is solved without them.
    ``proven`` is False where the search was cut short: the order covers the need, a cheaper one may exist.
    """

    packs: Mapping[str, int]
    goods_micro: int
    shipping_micro: Mapping[str, int]
    cash_micro: int
    left_over_g: Mapping[str, float]
    not_offered: tuple[str, ...] = ()
    proven: bool = True


_PLAIN = OrderTerms()
_Counts = tuple[int, ...]


def cheapest_packs(
    needs_g: Mapping[str, float], offers: Sequence[PackOffer], terms: Mapping[str, OrderTerms]
) -> Purchase:
    """Return the cheapest order of whole packs that covers ``needs_g``: grams of gross material, a material.

    ``offers``: all that stand on the day; those of materials that are not needed are passed over, so that nothing
    unneeded is bought to reach a threshold, but more of what is needed may be. ``terms``: by supplier; one without
    terms ships free. Needs of 0 or less are covered. One order a supplier; packs are not split.

    Raises ``ValueError`` for a need that is not finite, a pack of less than a microgram or a negative price.

    >>> soda = [PackOffer("soda-1kg", "soda", "corner", 1000.0, 3_500_000),
    ...         PackOffer("soda-250g", "soda", "corner", 250.0, 1_200_000)]
    >>> found = cheapest_packs({"soda": 1100.0}, soda, {"corner": OrderTerms(4_000_000, free_from_micro=5_000_000)})
    >>> dict(found.packs), found.cash_micro, found.left_over_g["soda"]
    ({'soda-1kg': 1, 'soda-250g': 2}, 5900000, 400.0)
    """
    if not all(math.isfinite(need) for need in needs_g.values()):
        raise ValueError(f"needs are finite amounts in grams, received {dict(needs_g)!r}")
    needs = {material: need for material, grams in needs_g.items() if (need := _micrograms(grams)) > 0}
    wanted = [offer for offer in offers if offer.material in needs]
    if any(_micrograms(offer.pack_g) < 1 or offer.price_micro < 0 for offer in wanted):
        raise ValueError("a pack holds something and has a price of 0 or more")
    spendable = {offer.supplier for offer in wanted if offer.price_micro > 0}
    usable = [o for o in wanted if o.supplier in spendable or terms.get(o.supplier, _PLAIN).minimum_micro <= 0]
    offered = {offer.material for offer in usable}
    order = _Order({m: need for m, need in needs.items() if m in offered}, usable, terms)
    counts, proven = order.cheapest()
    bought = {offer.code: count for offer, count in zip(usable, counts, strict=True) if count}
    goods = order.goods(counts)
    shipping = {supplier: terms.get(supplier, _PLAIN).shipping(value) for supplier, value in goods.items()}
    held = order.held(counts)
    return Purchase(
        packs=bought,
        goods_micro=sum(goods.values()),
        shipping_micro=shipping,
        cash_micro=sum(goods.values()) + sum(shipping.values()),
        left_over_g={material: (held[material] - need) / 1e6 for material, need in order.needs.items()},
        not_offered=tuple(material for material in needs if material not in offered),
        proven=proven,
    )


def _micrograms(grams: float) -> int:
    return round(grams * 1e6)


class _Cover(NamedTuple):
    """What covers one material by itself: its price, packs by the offers' places, and the places it was chosen from."""

    cost_micro: int
    packs: Mapping[int, int]
    places: tuple[int, ...]


class _Order:
    """One question: needs in micrograms, the offers that may cover them, the terms. Counts follow the offers' order."""

    def __init__(self, needs: dict[str, int], offers: Sequence[PackOffer], terms: Mapping[str, OrderTerms]) -> None:
        self.needs = needs
        self.offers = offers
        self.terms = {offer.supplier: terms.get(offer.supplier, _PLAIN) for offer in offers}
        self._size = [_micrograms(offer.pack_g) for offer in offers]
        self._of_material: dict[str, list[int]] = {material: [] for material in needs}
        for place, offer in enumerate(offers):
            self._of_material[offer.material].append(place)
        self._covers: dict[tuple[int, ...], _Cover | None] = {}
        self._without: dict[frozenset[str], list[_Cover] | None] = {}
        self._nodes = 0

    def held(self, counts: Sequence[int]) -> dict[str, int]:
        """Return the micrograms of each needed material in so many packs."""
        held = dict.fromkeys(self.needs, 0)
        for offer, size, count in zip(self.offers, self._size, counts, strict=True):
            held[offer.material] += count * size
        return held

    def goods(self, counts: Sequence[int]) -> dict[str, int]:
        """Return the value of the goods a supplier, of those ordered from."""
        values: dict[str, int] = {}
        for offer, count in zip(self.offers, counts, strict=True):
            if count:
                values[offer.supplier] = values.get(offer.supplier, 0) + count * offer.price_micro
        return values

    def cheapest(self) -> tuple[_Counts, bool]:
        """Return the packs of each offer, and whether nothing cheaper exists.

        Every supplier with terms is left out, or ordered from with shipping paid, or with its order at the threshold of
        free shipping. In each such case the cheapest cover of each material by itself is a lower bound. For a supplier
        whose order must be worth L, goods beyond the sum W of the bounds of what it sells are extra, so that
        L − W joins the bound. Where the best order among these covers meets the least bound, it is the answer.
        """
        bound_by = [supplier for supplier, terms in self.terms.items() if terms.shipping_micro or terms.minimum_micro]
        few = len(bound_by) <= MOST_SUPPLIERS
        # What costs nothing brings no order to a threshold.
        paid_for = {offer.supplier for offer in self.offers if offer.price_micro > 0}
        choices = {
            s: ("out", "paid", "free")[: 2 + (self.terms[s].free_from_micro is not None and s in paid_for)]
            for s in bound_by
        }
        cases = product(*choices.values()) if few else [("paid",) * len(bound_by)]
        best: _Counts = ()
        best_cash, least_bound = math.inf, math.inf
        for case in cases:
            found = self._bounded(dict(zip(bound_by, case, strict=True)), best_cash)
            if found is None:
                continue
            counts, bound = found
            least_bound = min(least_bound, bound)
            if (cash := self._cash(counts)) < best_cash:
                best, best_cash = counts, cash
        if few and best_cash <= least_bound:
            return best, self._nodes <= MOST_NODES
        counts_found, proven = self._programme()
        if counts_found and self._cash(counts_found) < best_cash:
            best = counts_found
        return best, proven

    def _cash(self, counts: Sequence[int]) -> float:
        """Return goods and shipping, infinite where a supplier would not take the order."""
        goods = self.goods(counts)
        if any(value < self.terms[supplier].minimum_micro for supplier, value in goods.items()):
            return math.inf
        return sum(value + self.terms[supplier].shipping(value) for supplier, value in goods.items())

    def _bounded(self, state: Mapping[str, str], below: float) -> tuple[_Counts, int] | None:
        """Return an order under one state of the suppliers and a lower bound of all such; None where there is none
        whose bound lies ``below`` that."""
        covers = self._covered(frozenset(s for s, chosen in state.items() if chosen == "out"), below)
        if covers is None:
            return None
        counts, bound, extra = [0] * len(self.offers), 0, 0
        for cost_micro, packs, _ in covers:
            bound += cost_micro
            for place, count in packs.items():
                counts[place] = count
        for supplier, chosen in state.items():
            if chosen != "out":
                terms = self.terms[supplier]
                bound += terms.shipping_micro if chosen == "paid" else 0
                least = max(terms.minimum_micro, (terms.free_from_micro or 0) if chosen == "free" else 0)
                if least > 0:
                    own = {place for place, offer in enumerate(self.offers) if offer.supplier == supplier}
                    could_sell = sum(cover.cost_micro for cover in covers if not own.isdisjoint(cover.places))
                    extra = max(extra, least - could_sell)
                    self._top_up(counts, supplier, least)
        return tuple(counts), bound + extra

    def _covered(self, out: frozenset[str], below: float) -> list[_Cover] | None:
        """Return the cheapest cover of every material without some suppliers; None where there is none ``below`` that.

        Remembered: what was not below an earlier, higher bound is not below a later one.
        """
        if out not in self._without:
            self._without[out] = covers = []
            spent = 0
            for places in self._of_material.values():
                cover = self._cover(tuple([place for place in places if self.offers[place].supplier not in out]))
                if cover is None or (spent := spent + cover.cost_micro) >= below:
                    self._without[out] = None
                    break
                covers.append(cover)
        return self._without[out]

    def _top_up(self, counts: list[int], supplier: str, least_micro: int) -> None:
        """Add packs of the supplier's cheapest offer until an order from it is worth enough."""
        missing = least_micro - self.goods(counts).get(supplier, least_micro)
        if missing > 0:
            own = [place for place, o in enumerate(self.offers) if o.supplier == supplier and o.price_micro > 0]
            place = min(own, key=lambda place: self.offers[place].price_micro)
            counts[place] += -(-missing // self.offers[place].price_micro)

    def _cover(self, places: tuple[int, ...]) -> _Cover | None:
        """Return the cheapest cover of one material from the offers at ``places``; remembered."""
        if places not in self._covers:
            self._covers[places] = self._search_cover(places) if places else None
        return self._covers[places]

    def _search_cover(self, places: tuple[int, ...]) -> _Cover:
        need = self.needs[self.offers[places[0]].material]
        if len(places) == 1:
            self._nodes += 1
            count = -(-need // self._size[places[0]])
            return _Cover(count * self.offers[places[0]].price_micro, {places[0]: count}, places)
        sizes = [self._size[place] for place in places]
        prices = [self.offers[place].price_micro for place in places]
        # The best price a gram first: giving up packs of it raises the bound, so that the loop below ends early.
        ranked = sorted(range(len(places)), key=lambda at: (prices[at] / sizes[at], -sizes[at]))
        best_cost = math.inf
        best: dict[int, int] = {}

        def descend(rank: int, missing: int, spent: int, packs: dict[int, int]) -> None:
            nonlocal best_cost, best
            self._nodes += 1
            at = ranked[rank]
            most = -(-missing // sizes[at])
            if spent + most * prices[at] < best_cost:
                best_cost, best = spent + most * prices[at], {**packs, places[at]: most}
            if rank + 1 == len(ranked):
                return
            following = ranked[rank + 1]
            for count in range(most - 1, -1, -1):
                left = missing - count * sizes[at]
                cost = spent + count * prices[at]
                if cost - (-left * prices[following] // sizes[following]) >= best_cost or self._nodes > MOST_NODES:
                    return
                descend(rank + 1, left, cost, {**packs, places[at]: count} if count else packs)

        descend(0, need, 0, {})
        return _Cover(int(best_cost), best, places)

    def _programme(self) -> tuple[_Counts, bool]:
        """Return the packs that an integer programme finds for the whole, and whether it proved them cheapest.

        Unknowns: the packs of each offer; for each supplier whether it is ordered from, and whether it ships free.
        """
        from scipy.optimize import Bounds, LinearConstraint, milp

        suppliers = list(self.terms)
        offers, many = len(self.offers), len(suppliers)
        cost = np.zeros(offers + 2 * many)
        most = np.ones_like(cost)
        rows, least = [], []

        def at_least(limit: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
            rows.append(np.zeros_like(cost))
            least.append(limit)
            return rows[-1]

        for places, need in zip(self._of_material.values(), self.needs.values(), strict=True):
            covers = at_least(need)
            covers[places] = [self._size[place] for place in places]
        for at, (supplier, terms) in enumerate(self.terms.items(), start=offers):
            free = at + many
            cost[at], cost[free] = terms.shipping_micro, -terms.shipping_micro
            most[free] = terms.free_from_micro is not None
            at_least(0)[[at, free]] = 1, -1
            minimum, threshold = at_least(0), at_least(0)
            minimum[at], threshold[free] = -terms.minimum_micro, -(terms.free_from_micro or 0)
            for place, offer in enumerate(self.offers):
                if offer.supplier == supplier:
                    highest = max(terms.minimum_micro, terms.free_from_micro or 0)
                    topping = -(-highest // offer.price_micro) if offer.price_micro else 0
                    most[place] = -(-self.needs[offer.material] // self._size[place]) + topping
                    cost[place] = minimum[place] = threshold[place] = offer.price_micro
                    at_least(0)[[at, place]] = most[place], -1
        answer = milp(
            cost,
            integrality=np.ones(cost.size, dtype=np.int64),
            bounds=Bounds(0, most),
            constraints=LinearConstraint(np.array(rows), np.array(least), np.inf),
            options={"mip_rel_gap": 0.0, "node_limit": MOST_NODES},
        )
        if answer.x is None:
            return (), False
        counts = tuple(round(count) for count in answer.x[:offers])
        covered = self.held(counts)
        sound = all(covered[material] >= need for material, need in self.needs.items())
        return (counts, bool(answer.status == 0)) if sound else ((), False)
