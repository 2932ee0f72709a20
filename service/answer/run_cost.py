"""What one run cost: what it took and paid, what each lot that it made carries, and where the rest of it went."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any, Final

from service.analytics.money.ledger import Kind
from service.analytics.money.traced import events_behind, unpriced_in
from service.answer.book import Book
from service.answer.ledger_events import on_shelf
from service.answer.ledger_words import amount_of, money, unpriced_lines
from service.answer.lot_ledger import RunLedger, run_ledger
from service.store.outcomes import stored_outcomes

METHOD: Final = "run-cost/1"
_NO_SIZE: Final = "how much there was of it is not known"
_UNPRICED: Final = "something that it used is unpriced"


def run_cost_of(
    book: Book, code: str, *, as_of: dt.date, currency: str | None = None, labour: bool = False
) -> dict[str, Any]:
    """Return what a run took from lots and paid beside them, and where that went by ``as_of``.

    ``cost_per_g`` is what its product carries, a gram dry as it was isolated; no failure of another run is in it.
    ``made`` is what its lots carry, and of a run that failed, was abandoned or is not finished the rest stands in the
    line of its own. Where anything behind it is unpriced the figures are null, and those that end in ``_at_least``
    hold the part that is known. Only the ancestors of the run are read. Raises UnknownRecord where there is no such
    run.
    """
    found = run_ledger(book, code, currency, labour=labour)
    ledger, event, shown = found.ledger, found.number, found.currency
    takes, made = _takes(found), _made(found)
    taken = [int(ledger.take_lot[take]) for take in takes]
    behind = events_behind(ledger, taken)
    values = {lot: int(found.traced.lot_micro[lot]) for lot in made}
    unpriced = unpriced_in(ledger, [event, *behind])
    worth = {take: int(found.traced.take_micro[take]) for take in takes}
    total, known, reasons = int(found.traced.total_micro[event]), not unpriced, dict[str, str]()
    row, facts = stored_outcomes(book.reading, [code])[code].row, found.facts(event)
    answer: dict[str, Any] = {
        "run": code,
        **{name: row[name] for name in ("route", "step", "status", "project", "operator")},
        "day": row["finished_on"] or row["started_on"],
        "currency": shown,
        "as_of": as_of.isoformat(),
        **_per_gram(found, row, made, values, known, reasons),
        "total": money(total, shown) if known else None,
        "total_at_least": money(total, shown),
        **_became(found, total, sum(values.values()), as_of),
    }
    if not known:
        reasons["total"] = _UNPRICED
    return answer | {
        "inputs": [_input(found, take, micro, bool(unpriced)) for take, micro in worth.items()],
        "direct": [_direct(each, shown) for each in facts.direct],
        "outturns": [_outturn(found, lot, values[lot], known) for lot in made],
        "unpriced": unpriced_lines(unpriced, found.columns.reasons),
        "not_counted": sorted({name for each in (event, *behind) for name in found.facts(each).not_counted}),
        "notes": list(facts.notes),
        "reasons": reasons,
        "rests_on": book.rests_on(
            as_of, METHOD, filters={"run": code, "currency": shown, "labour": labour}, events=len(behind) + 1
        ),
    }


def cost_in_short(book: Book, code: str, *, as_of: dt.date) -> tuple[dict[str, Any], float | None, dict[str, str]]:
    """Return what a run cost by its parts, a gram of its product, and why a figure is null, as its record tells it."""
    found = run_cost_of(book, code, as_of=as_of)
    names = ("total", "total_at_least", "made", "failures", "abandoned", "work_in_progress", "unpriced", "not_counted")
    cost = {name: found[name] for name in names}
    reasons = {name: found["reasons"][name] for name in ("cost_per_g", "total") if name in found["reasons"]}
    return cost, found["cost_per_g"], reasons


def _takes(found: RunLedger) -> range:
    return range(*found.ledger.order.event_bounds[found.number : found.number + 2].tolist())


def _made(found: RunLedger) -> list[int]:
    order = found.ledger.order
    first = int(order.first_lot[found.number])
    lots: list[int] = order.lots[first : first + int(order.lot_count[found.number])].tolist()
    return lots


def _per_gram(
    found: RunLedger,
    row: Mapping[str, Any],
    made: list[int],
    values: Mapping[int, int],
    known: bool,
    reasons: dict[str, str],
) -> dict[str, float | None]:
    """What the product carries, a gram of it dry and a gram of its content."""
    product = [lot for lot in made if found.ledger.product[lot]]
    carried = sum(values[lot] for lot in product) / 10**6
    answer: dict[str, float | None] = {}
    for name, grams in (("cost_per_g", row["dry_g"]), ("cost_per_contained_g", row["contained_g"])):
        per = carried / grams if product and grams else None
        answer |= {name: per if known else None, f"{name}_at_least": per}
        if per is None:
            reasons[name] = reasons[f"{name}_at_least"] = _NO_SIZE if product else "it has given no product"
        elif not known:
            reasons[name] = _UNPRICED
    return answer


def _became(found: RunLedger, total: int, carried: int, as_of: dt.date) -> dict[str, dict[str, str]]:
    """Say where the money of the run went by the day; a run that gave nothing that carries cost counts as failed."""
    became = dict.fromkeys(("made", "failures", "abandoned", "work_in_progress"), 0)
    if found.ledger.ended[found.number] > as_of.toordinal():
        became["work_in_progress"] = total
    else:
        became["made"] = carried
        became["abandoned" if found.ledger.kind[found.number] == Kind.ABANDONED else "failures"] = total - carried
    return {name: money(micro, found.currency) for name, micro in became.items()}


def _input(found: RunLedger, take: int, micro: int, doubtful: bool) -> dict[str, Any]:
    ledger, lot = found.ledger, int(found.ledger.take_lot[take])
    row = found.row(lot)
    quantity: int | None = int(ledger.take_quantity[take])
    if not quantity and row.code in ledger.unpriced.get(found.number, ()):
        quantity = None
    names = unpriced_in(ledger, events_behind(ledger, [lot])) if doubtful else ()
    known = not names and quantity is not None and (not quantity or bool(ledger.quantity[lot]))
    return {
        "lot": row.code,
        "material": row.material,
        **amount_of(quantity, row.dimension),
        "cost": money(micro, found.currency) if known else None,
    }


def _direct(each: Any, currency: str) -> dict[str, Any]:
    sized = {} if each.dimension is None else amount_of(each.quantity, each.dimension)
    of = "material" if each.of == "charge" else each.of
    cost = None if each.micro is None else money(each.micro, currency)
    return {"of": of, "material": each.material, **sized, "cost": cost}


def _outturn(found: RunLedger, lot: int, micro: int, known: bool) -> dict[str, Any]:
    """What one lot carries; what went on no shelf was handed over and has no lot."""
    row = found.row(lot)
    shared = dict(found.facts(found.number).shared_by)
    return {
        "lot": row.code if on_shelf(row) else None,
        "material": row.material,
        "product": bool(found.ledger.product[lot]),
        **amount_of(int(found.ledger.quantity[lot]) or None, row.dimension),
        "shared_by": shared.get(row.code),
        "cost": money(micro, found.currency) if known else None,
        "cost_at_least": money(micro, found.currency),
    }
