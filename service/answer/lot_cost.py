"""What one lot cost, traced to the receipts: all of it, per gram, and what of it is not known."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

from service.analytics.money.traced import events_behind, unpriced_behind, unpriced_in
from service.answer.book import Book
from service.answer.ledger import traced_ledger
from service.answer.ledger_words import amount_of, money, unpriced_lines
from service.answer.lot_ledger import LotLedger, lot_ledger
from service.domain.shelf_amount import UNITS_PER_BASE
from service.errors import NotComputable
from service.schemas.kinds import singular

METHOD: Final = "lot-cost/1"


def lot_cost_of(
    book: Book,
    code: str,
    *,
    as_of: dt.date,
    currency: str | None = None,
    labour: bool = False,
    loaded: bool = False,
) -> dict[str, Any]:
    """Return what a lot cost when it was made, per gram of it as isolated, dry.

    ``cost_per_g`` is what was traced into it, which no failed run is part of; with ``loaded`` the failures of the steps
    behind it, of runs that ended up to ``as_of``, stand beside: for these the whole ledger is traced. A lot that is
    counted by volume has its cost per mL, and per g where its density is known. Where anything behind it is unpriced
    the figures are null, and those that end in ``_at_least`` hold the part that is known.

    Raises UnknownRecord where there is no such lot.
    """
    found = lot_ledger(book, code, currency, labour=labour)
    ledger, event = found.ledger, int(found.ledger.made_by[found.number])
    total = int(found.traced.lot_micro[found.number])
    behind = events_behind(ledger, [found.number])
    unpriced = unpriced_lines(unpriced_in(ledger, behind), found.columns.reasons)
    reasons: dict[str, str] = {}
    answer: dict[str, Any] = {
        "lot": code,
        "material": found.lot.material,
        "currency": found.currency,
        "as_of": as_of.isoformat(),
        "made_on": _day(int(ledger.ended[event])),
        "from": {"kind": singular(found.facts(event).source_kind), "code": found.facts(event).source_code},
        **amount_of(found.lot.amount, found.lot.dimension),
        **_shared(found, event, reasons),
    }
    known = not unpriced
    answer |= per_amount(found, "", total if known else None)
    answer["cost_per_g_good_runs"] = answer["cost_per_g"]
    answer |= _loaded(book, found, as_of, labour, reasons) if loaded else {"cost_per_g_loaded": None}
    answer["total"] = money(total, found.currency) if known else None
    answer |= {f"{name}_at_least": value for name, value in per_amount(found, "", total).items()}
    answer["total_at_least"] = money(total, found.currency)
    _say_why(answer, found, loaded, known, reasons)
    share = total / whole if (whole := int(found.traced.total_micro[event])) else 0.0
    return answer | {
        "unpriced": unpriced,
        "inputs": [
            _input(found, take, share, known)
            for take in range(*ledger.order.event_bounds[event : event + 2].tolist())
        ],
        "direct": money(round(int(ledger.cost[event]) * share), found.currency),
        "not_counted": sorted({name for each in behind for name in found.facts(each).not_counted}),
        "reasons": reasons,
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={"lot": code, "currency": found.currency, "labour": labour, "loaded": loaded},
            lots=int(ledger.order.lot_count[behind].sum()),
        ),
    }


def _shared(found: LotLedger, event: int, reasons: dict[str, str]) -> dict[str, str | None]:
    """Say by which rule the lot carries its part of what its run cost."""
    facts = found.facts(event)
    rule = dict(facts.shared_by).get(found.lot.code)
    if rule is None:
        alone = int(found.ledger.order.lot_count[event]) == 1
        reasons["shared_by"] = "nothing else carries any of it" if alone else "nothing told how to share it"
        if facts.source_kind != "runs":
            reasons["shared_by"] = "no run made it"
        elif not alone and not found.ledger.weight[found.number]:
            reasons["shared_by"] = "it carries nothing"
    return {"shared_by": rule}


def per_amount(found: LotLedger, suffix: str, micro: float | None) -> dict[str, float | None]:
    """Return a sum a dry gram, a gram of content, and a unit of the lot's own dimension where that is no mass."""
    currency_units = None if micro is None else micro / 10**6

    def over(amount: float | None) -> float | None:
        return None if currency_units is None or not amount else currency_units / amount

    per = {f"cost_per_g{suffix}": over(found.dry_g), f"cost_per_contained_g{suffix}": over(found.contained_g)}
    for dimension, unit in (("volume", "ml"), ("amount", "mol")):
        if found.lot.dimension == dimension:
            base = None if found.lot.amount is None else found.lot.amount / UNITS_PER_BASE[dimension]
            per[f"cost_per_{unit}{suffix}"] = over(base)
    return per


def _loaded(
    book: Book, found: LotLedger, as_of: dt.date, labour: bool, reasons: dict[str, str]
) -> dict[str, float | None]:
    whole = traced_ledger(book, found.currency, labour=labour)
    number = whole.columns.lot(found.lot.code)
    assert number is not None, "what is in the part is in the whole"
    try:
        load = whole.loaded(as_of)
    except NotComputable as error:
        reasons["cost_per_g_loaded"] = str(error)
        return dict.fromkeys(per_amount(found, "_loaded", None))
    if whole.traced.unknown_lots[number]:
        return dict.fromkeys(per_amount(found, "_loaded", None))
    if load.unspread:
        lost = ", ".join(whole.ledger.steps[step] for step in sorted(load.unspread))
        reasons["not_loaded"] = f"failures of {lost} found no product to be spread over"
    return per_amount(found, "_loaded", float(load.lot_micro[number]))


def _say_why(answer: dict[str, Any], found: LotLedger, loaded: bool, known: bool, reasons: dict[str, str]) -> None:
    if not loaded:
        reasons["cost_per_g_loaded"] = "ask with loaded=true: failures are spread by the whole ledger"
    size = "how much there was of it is not known"
    if found.lot.amount is not None and found.gross_g is None:
        size = f"it is counted by {found.lot.dimension}, and its grams are not known"
    for name in [name for name, value in answer.items() if value is None and name not in reasons]:
        if name.startswith(("cost_per", "total")):
            reasons[name] = size if known or name.endswith("_at_least") else "something behind it is unpriced"
        elif name.startswith("amount"):
            reasons[name] = "how much there was of it is not known"


def _input(found: LotLedger, take: int, share: float, known: bool) -> dict[str, Any]:
    """What went into the run or pool from one lot, and which part of its cost this lot carries.

    ``known``: nothing behind the whole is unpriced, so that no single input has to be looked at.
    """
    ledger, lot = found.ledger, int(found.ledger.take_lot[take])
    row = found.row(lot)
    priced = known or not unpriced_behind(ledger, lot)
    return {
        "lot": row.code,
        "material": row.material,
        **amount_of(int(ledger.take_quantity[take]), row.dimension),
        "cost": int(found.traced.take_micro[take]) * share / 10**6 if priced else None,
    }


def _day(ordinal: int) -> str | None:
    return dt.date.fromordinal(ordinal).isoformat() if 0 < ordinal <= dt.date.max.toordinal() else None
