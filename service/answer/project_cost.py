"""Who used what on a project: materials, amounts and money by month and operator, with what was bought and is left."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import numpy as np

from service.analytics.money.identity import stock_on
from service.analytics.money.ledger import Kind
from service.answer.book import Book
from service.answer.ledger import TracedLedger, traced_ledger
from service.answer.ledger_events import Facts
from service.answer.ledger_words import amount_of, money, unpriced_lines
from service.store.ledger_lines import LotRow

METHOD: Final = "project-cost/1"
_OUTCOMES: Final = {Kind.FINISHED: "finished", Kind.FAILED: "failed", Kind.ABANDONED: "abandoned", Kind.OPEN: "open"}


class _Used(NamedTuple):
    """What one line of the answer is of."""

    month: str | None
    operator: str | None
    of: str
    material: str | None
    dimension: str | None


@dataclass(slots=True)
class _Sum:
    quantity: int = 0
    micro: int = 0
    known: bool = True
    runs: set[int] = field(default_factory=set)


def project_cost_of(
    book: Book,
    code: str,
    *,
    as_of: dt.date,
    since: dt.date | None = None,
    currency: str | None = None,
    labour: bool = False,
) -> dict[str, Any]:
    """Return what the runs of a project that began from ``since`` to ``as_of`` used, whatever became of them.

    ``cost`` is all that they took and paid; the same sum is what their lots carry, what failed, what was abandoned and
    what is not finished. ``cash`` is what was paid in that time for lots of the project, ``leftovers`` what is left of
    all its bought lots. A run without a day counts where ``since`` is not asked for. Raises UnknownRecord where there
    is no such project.
    """
    book.stored("projects", code)
    found = traced_ledger(book, currency, labour=labour)
    runs = list(_runs(found, code, as_of, since))
    used, shown = _used(found, runs), found.basis.currency
    unknown = bool(found.traced.unknown_events[runs].any())
    total = sum(int(micro) for micro in found.traced.total_micro[runs])
    unpriced = _unpriced(found, runs)
    return {
        "project": code,
        "currency": shown,
        "as_of": as_of.isoformat(),
        "from": None if since is None else since.isoformat(),
        "cost": None if unknown else money(total, shown),
        "cost_at_least": money(total, shown),
        **_became(found, runs, as_of, shown),
        "used": [_line(key, each, shown) for key, each in sorted(used.items(), key=lambda item: _order(item[0]))],
        "by_month": _totals(found, runs, "month"),
        "by_operator": _totals(found, runs, "operator"),
        "cash": money(_cash(found, code, as_of, since), shown),
        "leftovers": _leftovers(found, code, as_of),
        "unpriced": unpriced_lines(unpriced, found.columns.reasons),
        "not_counted": sorted({name for run in runs for name in _facts(found, run).not_counted}),
        "reasons": {"cost": "something that was used is unpriced"} if unknown else {},
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={
                "project": code,
                "from": None if since is None else since.isoformat(),
                "currency": shown,
                "labour": labour,
            },
            runs=len(runs),
        ),
    }


def _facts(found: TracedLedger, event: int) -> Facts:
    facts: Facts = found.columns.facts[event]
    return facts


def _runs(found: TracedLedger, code: str, as_of: dt.date, since: dt.date | None) -> Iterator[int]:
    begun = found.ledger.begun
    within = (begun <= as_of.toordinal()) & np.isin(found.ledger.kind, list(_OUTCOMES))
    if since is not None:
        within &= begun >= since.toordinal()
    for event in np.flatnonzero(within).tolist():
        if _facts(found, event).project == code and _facts(found, event).source_kind == "runs":
            yield event


def _month(found: TracedLedger, event: int) -> str | None:
    day = int(found.ledger.begun[event])
    return dt.date.fromordinal(day).isoformat()[:7] if day else None


def _used(found: TracedLedger, runs: list[int]) -> dict[_Used, _Sum]:
    """Sum what runs took from lots and used beside them, by month, operator and what it is."""
    sums: dict[_Used, _Sum] = {}
    ledger, traced = found.ledger, found.traced
    for event in runs:
        facts, month = _facts(found, event), _month(found, event)
        for take in range(*ledger.order.event_bounds[event : event + 2].tolist()):
            lot = int(ledger.take_lot[take])
            row: LotRow = found.columns.rows[lot]
            key = _Used(month, facts.operator, "material", row.material, row.dimension)
            known = not traced.unknown_lots[lot]
            _add(sums, key, event, int(ledger.take_quantity[take]), int(traced.take_micro[take]), known)
        for each in facts.direct:
            of = "material" if each.of == "charge" else each.of
            material = each.material if of in ("material", "waste") else None
            key = _Used(month, facts.operator, of, material, each.dimension)
            _add(sums, key, event, each.quantity or 0, each.micro or 0, each.micro is not None)
    return sums


def _add(sums: dict[_Used, _Sum], key: _Used, event: int, quantity: int, micro: int, known: bool) -> None:
    each = sums.setdefault(key, _Sum())
    each.quantity += quantity
    each.micro += micro
    each.known = each.known and known
    each.runs.add(event)


def _line(key: _Used, each: _Sum, currency: str) -> dict[str, Any]:
    sized = {} if key.dimension is None else amount_of(each.quantity, key.dimension)
    return {
        "month": key.month,
        "operator": key.operator,
        "of": key.of,
        "material": key.material,
        **sized,
        "cost": money(each.micro, currency) if each.known else None,
        "runs": len(each.runs),
    }


def _order(key: _Used) -> tuple[str, ...]:
    return tuple(part or "" for part in key)


def _totals(found: TracedLedger, runs: list[int], by: str) -> list[dict[str, Any]]:
    """Sum all that runs took and paid by one side, and how they ended."""
    grouped: dict[str | None, list[int]] = {}
    for event in runs:
        name = _month(found, event) if by == "month" else _facts(found, event).operator
        grouped.setdefault(name, []).append(event)
    return [
        {
            by: name,
            "runs": len(mine),
            **{word: int((found.ledger.kind[mine] == kind).sum()) for kind, word in _COUNTED.items()},
            "cost": None
            if found.traced.unknown_events[mine].any()
            else money(sum(int(micro) for micro in found.traced.total_micro[mine]), found.basis.currency),
        }
        for name, mine in sorted(grouped.items(), key=lambda item: item[0] or "")
    ]


_COUNTED: Final[Mapping[Kind, str]] = {Kind.FAILED: "failed", Kind.ABANDONED: "abandoned"}


def _became(found: TracedLedger, runs: list[int], as_of: dt.date, currency: str) -> dict[str, dict[str, str]]:
    """Say where the money of the runs went by the day: their lots, failures, abandoned, not finished."""
    became = dict.fromkeys(("made", "failures", "abandoned", "work_in_progress"), 0)
    for event in runs:
        total, rest = int(found.traced.total_micro[event]), int(found.traced.rest_micro[event])
        if found.ledger.ended[event] > as_of.toordinal():
            became["work_in_progress"] += total
            continue
        became["abandoned" if found.ledger.kind[event] == Kind.ABANDONED else "failures"] += rest
        became["made"] += total - rest
    return {name: money(micro, currency) for name, micro in became.items()}


def _unpriced(found: TracedLedger, runs: list[int]) -> set[str]:
    """Return what has no known cost: of the runs themselves, and the unpriced lots that they took from."""
    names: set[str] = set()
    for event in runs:
        names.update(found.ledger.unpriced.get(event, ()))
        taken = found.ledger.take_lot[slice(*found.ledger.order.event_bounds[event : event + 2].tolist())]
        names.update(found.columns.lots[lot] for lot in taken[found.traced.unknown_lots[taken]].tolist())
    return names


def _cash(found: TracedLedger, code: str, as_of: dt.date, since: dt.date | None) -> int:
    """Return what was paid for lots of the project that came in that time."""
    ledger, first = found.ledger, 0 if since is None else since.toordinal()
    bought = (ledger.kind == Kind.PURCHASE) & (ledger.begun <= as_of.toordinal()) & (ledger.begun >= first)
    lots = np.flatnonzero(bought[ledger.made_by]).tolist()
    return sum(int(found.traced.lot_micro[lot]) for lot in lots if found.columns.rows[lot].project == code)


def _leftovers(found: TracedLedger, code: str, as_of: dt.date) -> list[dict[str, Any]]:
    left = stock_on(found.ledger, found.traced, as_of.toordinal())
    lines = []
    for lot in np.flatnonzero(left.quantity).tolist():
        row: LotRow = found.columns.rows[lot]
        if row.project == code and found.ledger.kind[found.ledger.made_by[lot]] in (Kind.PURCHASE, Kind.OPENING):
            priced = not found.traced.unknown_lots[lot]
            lines.append(
                {
                    "lot": row.code,
                    "material": row.material,
                    **amount_of(int(left.quantity[lot]), row.dimension),
                    "value": money(int(left.micro[lot]), found.basis.currency) if priced else None,
                    "expires_on": row.expires_on,
                }
            )
    return lines
