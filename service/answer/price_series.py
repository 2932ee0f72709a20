"""Costs and prices over time, for plotting: what each lot cost when it came to the shelf, and what was asked for it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping
from typing import Any, Final

import numpy as np

from service.analytics.money.ledger import Kind
from service.answer.book import Book
from service.answer.ledger import TracedLedger, traced_ledger
from service.answer.ledger_words import UNIT, amount_of, money
from service.answer.shelf import grams_of
from service.domain.lot import ShelfLot
from service.domain.material import Material
from service.domain.offer import Offer
from service.domain.shelf_amount import UNITS_PER_BASE
from service.errors import Fault, MalformedInput
from service.store.ledger_lines import LotRow
from service.store.strengths import strength_from

METHOD: Final = "price-series/1"
MOST_LOTS: Final = 50_000
_WAYS: Final = {Kind.OPENING: "opening", Kind.PURCHASE: "purchase", Kind.POOL: "pool", Kind.FINISHED: "run"}


def price_series_of(
    book: Book,
    *,
    as_of: dt.date,
    materials: Collection[str] = (),
    route: str | None = None,
    first: dt.date | None = None,
    last: dt.date | None = None,
    currency: str | None = None,
    labour: bool = False,
) -> dict[str, Any]:
    """Return what every lot cost that came to the shelf up to ``as_of``, by day; and every offer of the materials.

    ``materials`` and ``route`` narrow it, and the days ``first`` and ``last``, both included; a lot without a day is
    left out where a day is asked for. Costs are per gram as isolated, dry, at the rates of the lots' own days, loaded
    with no failure; offers are in their own currency. Raises UnknownRecord for a material or a route that there is not,
    and MalformedInput for more than 50,000 lots.
    """
    book.require("materials", materials)
    book.require("routes", [route])
    found = traced_ledger(book, currency, labour=labour)
    ledger = found.ledger
    ended = ledger.ended[ledger.made_by]
    low = -1 if first is None else first.toordinal()
    high = min(as_of, last or as_of).toordinal()
    if first is not None or last is not None:
        low = max(low, 1)  # what nobody dated lies on no day
    shown = [lot for lot in np.flatnonzero((ended <= high) & (ended >= low)).tolist()
             if _asked(found, lot, materials, route)]  # fmt: skip
    if len(shown) > MOST_LOTS:
        detail = f"these are {len(shown)} lots: narrow them by material, route or days"
        expected = f"a filter that at most {MOST_LOTS} lots pass"
        raise MalformedInput([Fault("too-many-lots", detail, len(shown), expected, parameter="from")])
    known = dict(book.materials({found.columns.rows[lot].material for lot in shown}))
    shown.sort(key=lambda lot: (int(ended[lot]), found.columns.lots[lot]))
    offered = set(materials) or set(known)
    offers = [] if route is not None else [_offer(offer) for offer in book.offers if offer.material in offered]
    filters = {"material": sorted(materials), "route": route, "currency": found.basis.currency, "labour": labour}
    filters |= {"from": None if first is None else first.isoformat(), "to": None if last is None else last.isoformat()}
    return {
        "as_of": as_of.isoformat(),
        "currency": found.basis.currency,
        "costs": [_line(found, lot, int(ended[lot]), known) for lot in shown],
        "offers": sorted(offers, key=lambda one: (one["material"], one["valid_from"] or "", one["offer"])),
        "rests_on": book.rests_on(as_of, METHOD, filters=filters, lots=len(shown)),
    }


def _asked(found: TracedLedger, lot: int, materials: Collection[str], route: str | None) -> bool:
    row: LotRow = found.columns.rows[lot]
    by_route = route is None or found.columns.facts[int(found.ledger.made_by[lot])].route == route
    return by_route and (not materials or row.material in materials) and "/" not in row.code


def _line(found: TracedLedger, lot: int, day: int, known: Mapping[str, Material]) -> dict[str, Any]:
    row: LotRow = found.columns.rows[lot]
    event = int(found.ledger.made_by[lot])
    facts = found.columns.facts[event]
    units = int(found.ledger.quantity[lot]) or None
    micro = None if found.traced.unknown_lots[lot] else int(found.traced.lot_micro[lot])
    strength = strength_from(row.strength)
    shelved = ShelfLot(row.code, row.material, row.dimension, strength, row.source_kind, row.source_code)
    gross_g = None if units is None else grams_of(units, shelved, known)
    loss = strength.loss_on_drying
    dry_g = None if gross_g is None else gross_g * (1.0 - (0.0 if loss is None else loss.value))
    reasons = {}
    if micro is None:
        reasons["cost_per_g"] = reasons["total"] = "something behind it is unpriced"
    elif not dry_g:
        reasons["cost_per_g"] = "its grams are not known"
    line: dict[str, Any] = {
        "lot": row.code,
        "material": row.material,
        "came_by": _WAYS.get(Kind(int(found.ledger.kind[event])), "run"),
        "record": row.source_code,
        "route": facts.route,
        "step": facts.step,
        "on": dt.date.fromordinal(day).isoformat() if day > 0 else None,
        **amount_of(units, row.dimension),
        "cost_per_g": None if micro is None or not dry_g else micro / 10**6 / dry_g,
        "total": None if micro is None else money(micro, found.basis.currency),
        "reasons": reasons,
    }
    if row.dimension != "mass":
        whole = None if units is None else units / UNITS_PER_BASE[row.dimension]
        line[f"cost_per_{UNIT[row.dimension]}"] = None if micro is None or not whole else micro / 10**6 / whole
    return line


def _offer(offer: Offer) -> dict[str, Any]:
    """An offer with its price for one fixed unit of its pack, as it is sold: neither dried nor by content."""
    return {
        "offer": offer.code,
        "material": offer.material,
        "supplier": offer.supplier,
        "valid_from": None if offer.valid_from is None else offer.valid_from.isoformat(),
        "valid_to": None if offer.valid_to is None else offer.valid_to.isoformat(),
        "currency": offer.price.currency,
        "unit": UNIT[offer.pack.dimension],
        "price_per_unit": float(offer.price.amount) / offer.pack.base(),
    }
