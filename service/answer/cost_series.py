"""A flat series for people who plot: what every finished run cost, a gram of its product, traced to the receipts."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

import numpy as np

from service.answer.book import Book
from service.answer.ledger import TracedLedger, traced_ledger
from service.answer.ledger_events import source_key
from service.answer.nulls import why_null
from service.answer.run_columns import Places
from service.answer.run_filter import RunFilter
from service.answer.series import days_of, not_too_many
from service.domain.run import FINISHED

METHOD: Final = "cost-series/1"
_UNPRICED: Final = "something behind it is unpriced"
_NO_SIZE: Final = "how much product it gave is not known"
_NO_PRODUCT: Final = "no product of it carries its cost"


def cost_series_of(
    book: Book, *, asked: RunFilter, as_of: dt.date, currency: str | None = None, labour: bool = False
) -> dict[str, Any]:
    """Return what every finished run that passes the filter cost, by step and day.

    ``cost`` is all that it took and paid, ``cost_per_g`` what its product carries of that, a gram as isolated, dry,
    without the failures of any step; both are null, with a ``reason``, where something behind them is unpriced, and
    those that end in ``_at_least`` hold the part that is known. ``product_lot`` is the largest lot of product that it
    made. Raises MalformedInput where there are more than 50,000.
    """
    columns = book.columns
    places = not_too_many(np.flatnonzero(asked.passing(book, as_of) & columns.is_word("status", FINISHED)))
    whole = traced_ledger(book, currency, labour=labour)
    groups = [columns.groups[number] for number in columns.group[places].tolist()]
    lines: dict[str, list[Any]] = {
        "run": columns.run[places].tolist(),
        "route": [group.route for group in groups],
        "step": [group.step for group in groups],
        "day": days_of(columns, places),
        "left_out": columns.excluded[places].tolist(),
        **{name: columns.coded[name].at(places).texts().tolist() for name in ("operator", "project")},
    }
    names = tuple(lines)
    told = [dict(zip(names, line, strict=True)) for line in zip(*lines.values(), strict=True)]
    for line, figures in zip(told, _figures(book, whole, places), strict=True):
        line.update(figures)
    return {
        "as_of": as_of.isoformat(),
        "currency": whole.basis.currency,
        "runs": told,
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={**asked.told(), "currency": whole.basis.currency, "labour": labour},
            runs=len(places),
            unpriced=sum(line["cost"] is None for line in told),
        ),
    }


def _figures(book: Book, whole: TracedLedger, places: Places) -> list[dict[str, Any]]:
    ledger, traced, columns = whole.ledger, whole.traced, book.columns
    keys = np.array([source_key("runs", run) for run in columns.run[places].tolist()], dtype=object)
    events = np.searchsorted(whole.columns.events, keys)
    carried: dict[int, int] = {}
    largest: dict[int, int] = {}
    wanted = np.zeros(len(ledger.events) + 1, dtype=np.bool_)
    wanted[events] = True
    for lot in np.flatnonzero((ledger.product > 0) & wanted[ledger.made_by]).tolist():
        event = int(ledger.made_by[lot])
        carried[event] = carried.get(event, 0) + int(traced.lot_micro[lot])
        if event not in largest or ledger.product[lot] > ledger.product[largest[event]]:
            largest[event] = lot
    dry_g, contained_g = columns.dry_g[places].tolist(), columns.contained_g[places].tolist()
    return [
        _line(whole, int(event), carried.get(int(event)), largest.get(int(event)), dry, contained)
        for event, dry, contained in zip(events, dry_g, contained_g, strict=True)
    ]


def _line(
    whole: TracedLedger, event: int, carried: int | None, lot: int | None, dry_g: float, contained_g: float
) -> dict[str, Any]:
    known = not whole.traced.unknown_events[event]
    total = int(whole.traced.total_micro[event]) / 10**6
    # A mass that is not known is not a number, which is not above 0.
    per_g = carried / 10**6 / dry_g if carried is not None and dry_g > 0 else None
    per_contained_g = carried / 10**6 / contained_g if carried is not None and contained_g > 0 else None
    code = None if lot is None else whole.columns.lots[lot]
    reason = None
    if not known:
        reason = _UNPRICED
    elif per_g is None or per_contained_g is None:
        reason = _NO_PRODUCT if carried is None else _NO_SIZE
    figures = {
        "cost": total if known else None,
        "cost_per_g": per_g if known else None,
        "cost_per_contained_g": per_contained_g if known else None,
        "cost_at_least": total,
        "cost_per_g_at_least": per_g,
    }
    product_lot = None if code is None or "/" in code else code
    return {"product_lot": product_lot, **figures, "reasons": why_null(figures, reason)}
