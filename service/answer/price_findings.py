"""Findings of prices: an offer, a line of a purchase or a charge whose price jumped."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from service.analytics.money.price_jumps import DOWN, UP, price_jumps
from service.answer.book import Book
from service.answer.found import Found
from service.answer.prices import Exchange
from service.domain.bill import unit_holding
from service.domain.lot import Strength, strength_of
from service.domain.material import Material
from service.domain.money import Money
from service.domain.purchase import bought_lines
from service.domain.run import Run
from service.errors import NotComputable
from service.store.finding_rows import priced_charges, run_lines

ORDER = ("offers", "purchases", "runs")
"""Of one day: what was asked, what was paid, what was counted with."""


@dataclass(frozen=True, slots=True)
class Price:
    """Money of one day for ``base`` g, mL or mol of a material at a strength; ``is_pack`` where that was sold."""

    kind: str
    record: str
    pointer: str
    material: str
    day: str | None
    money: Money
    dimension: str
    base: float
    strength: Strength
    is_pack: bool = True


def price_findings(book: Book) -> tuple[list[Found], list[dict[str, str]]]:
    """Return the prices that jumped, and those that could not be compared, with the reason.

    Compared is the money, in the workshop's own currency at the rate of its day, for what a pack contains: by the gram,
    or by the millilitre and mole where no density or molar mass tells. Offers count from their first day, one without
    comes first; lines of purchases without shipping and tax.
    """
    prices = [*_offered(book), *_paid(book), *_charged(book)]
    materials = book.materials({price.material for price in prices})
    series: dict[tuple[str, str], list[tuple[Price, float, float]]] = {}
    aside: list[dict[str, str]] = []
    for price in sorted(prices, key=lambda each: (each.day or "", ORDER.index(each.kind), each.record, each.pointer)):
        unit, held = _contained(price, materials)
        try:
            day = dt.date.fromisoformat(price.day) if price.day else dt.date.max
            money = float(Exchange(book, book.workshop.currency, day).of(price.money))
        except NotComputable as lacking:
            aside.append({"kind": price.kind, "record": price.record, "reason": lacking.detail})
            continue
        series.setdefault((price.material, unit), []).append((price, money / held, held))
    found = []
    for (material, unit), several in series.items():
        sizes = [size if price.is_pack else None for price, _, size in several]
        for jump in price_jumps([each for _, each, _ in several], sizes):
            price, per_unit, _ = several[jump.place]
            found.append(_found(book, price, material, unit, per_unit, jump.times, jump.usual, jump.compared))
    return found, aside


def _found(
    book: Book, price: Price, material: str, unit: str, per_unit: float, times: float, usual: float, compared: int
) -> Found:
    before = "the one price" if compared == 1 else f"the median of the {compared} prices"
    detail = (
        f"{per_unit:.4g} {book.workshop.currency} a contained {unit} of {material} is {times:.3g} times {before} "
        f"before it, {usual:.4g}"
    )
    line = run_lines(book.reading, [price.record]).get(price.record) if price.kind == "runs" else None
    return Found(
        "price-jump",
        price.kind,
        price.record,
        detail,
        day=price.day,
        about=material,
        pointer=price.pointer,
        project=None if line is None else line.project,
        operator=None if line is None else line.operator,
        route=None if line is None else line.route,
        step=None if line is None else line.step,
        more={"times": times, "usual_price": usual, "compared_prices": compared},
    )


def _offered(book: Book) -> Iterator[Price]:
    for offer in book.offers:
        day = None if offer.valid_from is None else offer.valid_from.isoformat()
        strength = strength_of(assay=offer.assay, density=offer.density)
        yield Price(
            "offers", offer.code, "/price", offer.material, day, offer.price, offer.pack.dimension, offer.pack.base(),
            strength,
        )  # fmt: skip


def _paid(book: Book) -> Iterator[Price]:
    offers = {offer.code: offer for offer in book.offers}
    for code, purchase in book.records("purchases").items():
        for place, line in enumerate(bought_lines(purchase, offers)):
            # A line at its offer's own price is that offer again.
            if line.price is not None and purchase.lines[place].price is not None and line.base > 0:
                packs = purchase.lines[place].packs
                money = Money(line.price.amount / packs, line.price.currency)
                yield Price(
                    "purchases", code, f"/lines/{place}/price", line.material, purchase.bought_on.isoformat(), money,
                    line.dimension, float(line.base) / packs, line.strength,
                )  # fmt: skip


def _charged(book: Book) -> Iterator[Price]:
    """The charges that state another price than the one of their material before them did."""
    last: dict[tuple[str, str], float] = {}
    runs: set[str] = set()
    for material, code, _, per_unit, currency in priced_charges(book.reading):
        before = last.get((material, currency))
        last[material, currency] = per_unit
        if before is None or not DOWN <= (per_unit / before if before else 1.0) <= UP or (per_unit > 0) != (before > 0):
            runs.add(code)
    known: dict[str, Run] = book.records("runs", sorted(runs)) if runs else {}
    for code, run in known.items():
        begun = run.started_on or run.finished_on
        for place, charge in enumerate(run.charges):
            if charge.price is not None and charge.material is not None:
                yield Price(
                    "runs", code, f"/charges/{place}/price", charge.material,
                    None if begun is None else begun.isoformat(), charge.price.price, charge.price.per.dimension,
                    charge.price.per.base(), charge.strength, is_pack=False,
                )  # fmt: skip


def _contained(price: Price, materials: Mapping[str, Material]) -> tuple[str, float]:
    """The unit that a price is compared by, and how much of it is contained in what was sold."""
    held = unit_holding(price.material, materials, price.strength)
    share = held.contained_g or 1.0
    if price.dimension == "mass":
        return "g", price.base * share
    if price.dimension == "volume":
        return ("mL", price.base) if held.g_per_ml is None else ("g", price.base * held.g_per_ml * share)
    return ("g", price.base / held.contained_mol * share) if held.contained_mol else ("mol", price.base)
