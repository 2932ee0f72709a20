"""What is on the shelf, by material and by lot: how much and how well known, its worth, its age, whose it is."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final

from service.analytics.money.identity import Stock, stock_on
from service.analytics.money.traced import events_behind
from service.answer.book import Book
from service.answer.ledger import TracedLedger, traced_ledger
from service.answer.ledger_words import UNIT, amount_of, money, unpriced_lines
from service.answer.stock_uncertainty import MOST_RECORDS, left_u
from service.domain.shelf_amount import UNITS_PER_BASE
from service.store.ledger_lines import LotRow

METHOD: Final = "stock/1"
COMMON: Final = "common"
"""Asks for the lots of no project."""
_TOO_MANY: Final = f"more than {MOST_RECORDS} records stand behind these lots: ask for one material or project"
_UNPRICED: Final = "something behind it is unpriced"


def stock_of(
    book: Book,
    *,
    as_of: dt.date,
    materials: Collection[str] = (),
    projects: Collection[str] = (),
    everything: bool = False,
    currency: str | None = None,
    labour: bool = False,
) -> dict[str, Any]:
    """Return what is left of every lot at the end of a day, of ``materials`` and ``projects`` where any are named.

    Lots that are used up are left out unless ``everything`` is asked for; one that is overdrawn is below zero, and says
    so. The project ``common`` stands for the lots of none. Values are traced; null where something behind is unpriced.
    Raises UnknownRecord for a material or a project that there is not.
    """
    book.require("materials", materials)
    book.require("projects", [project for project in projects if project != COMMON])
    found = traced_ledger(book, currency, labour=labour)
    left = stock_on(found.ledger, found.traced, as_of.toordinal())
    shown = [lot for lot in left.made.nonzero()[0].tolist() if _asked(found, lot, materials, projects)]
    if not everything:
        shown = [lot for lot in shown if left.quantity[lot] or not found.ledger.quantity[lot]]
    us = left_u(book, [found.columns.lots[lot] for lot in shown], as_of.isoformat()) if shown else {}
    lines = sorted((_line(found, left, lot, us, as_of) for lot in shown), key=lambda one: (one["material"], one["lot"]))
    unknown = [lot for lot in shown if found.traced.unknown_lots[lot]]
    value = sum(int(left.micro[lot]) for lot in shown)
    return {
        "as_of": as_of.isoformat(),
        "currency": found.basis.currency,
        "materials": _by_material(lines, {found.columns.lots[lot]: int(left.micro[lot]) for lot in shown}, found),
        "lots": lines,
        "value": None if unknown else money(value, found.basis.currency),
        "value_at_least": money(value, found.basis.currency),
        "unpriced": unpriced_lines(_unpriced(found, unknown), found.columns.reasons),
        "reasons": {"value": "some of it is unpriced"} if unknown else {},
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={
                "material": sorted(materials),
                "project": sorted(projects),
                "everything": everything,
                "currency": found.basis.currency,
                "labour": labour,
            },
            lots=len(lines),
        ),
    }


def _asked(found: TracedLedger, lot: int, materials: Collection[str], projects: Collection[str]) -> bool:
    """Say whether a lot was asked for. What was handed over with its run never came to the shelf."""
    row: LotRow = found.columns.rows[lot]
    of_project = not projects or (row.project or COMMON) in projects
    return of_project and (not materials or row.material in materials) and "/" not in row.code


def _line(found: TracedLedger, left: Stock, lot: int, us: Mapping[str, float] | None, as_of: dt.date) -> dict[str, Any]:
    row: LotRow = found.columns.rows[lot]
    reasons: dict[str, str] = {}
    known = bool(found.ledger.quantity[lot])
    u = None if us is None or not known else us.get(row.code)
    on_hand = amount_of(int(left.quantity[lot]) if known else None, row.dimension, "on_hand")
    unit = UNIT[row.dimension]
    if not known:
        reasons[f"on_hand_{unit}"] = "how much was put there is not known"
    if u is None:
        reasons[f"on_hand_u_{unit}"] = _TOO_MANY if known else "how much was put there is not known"
    priced = known and not found.traced.unknown_lots[lot]
    if not priced:
        reasons["value"] = _UNPRICED
    since = _day(row.received_on)
    if since is None:
        reasons["age_days"] = "no day tells since when it is there"
    return {
        "lot": row.code,
        "material": row.material,
        "project": row.project,
        "origin": row.origin,
        **on_hand,
        f"on_hand_u_{unit}": None if u is None else u / UNITS_PER_BASE[row.dimension],
        "value": money(int(left.micro[lot]), found.basis.currency) if priced else None,
        "value_at_least": money(int(left.micro[lot]), found.basis.currency),
        "received_on": row.received_on,
        "age_days": None if since is None else (as_of - since).days,
        "expires_on": row.expires_on,
        "expired": row.expires_on is not None and row.expires_on < as_of.isoformat(),
        "overdrawn": bool(known and left.quantity[lot] < 0),
        "reasons": reasons,
    }


def _by_material(
    lines: Sequence[Mapping[str, Any]], micro: Mapping[str, int], found: TracedLedger
) -> list[dict[str, Any]]:
    """Sum the lots of each material; grams, mL and mol stand apart, since they do not add."""
    grouped: dict[str, list[Mapping[str, Any]]] = {}
    for line in lines:
        grouped.setdefault(line["material"], []).append(line)
    summed = []
    for material, mine in grouped.items():
        keys = [f"on_hand_{unit}" for unit in ("g", "ml", "mol")]
        on_hand = {key: [line[key] for line in mine if key in line] for key in keys}
        value = sum(micro[line["lot"]] for line in mine)
        unpriced = any(line["value"] is None for line in mine)
        summed.append(
            {
                "material": material,
                "lots": len(mine),
                **{key: None if None in each else math.fsum(each) for key, each in on_hand.items() if each},
                "value": None if unpriced else money(value, found.basis.currency),
                "value_at_least": money(value, found.basis.currency),
                "next_to_expire": min((line["expires_on"] for line in mine if line["expires_on"]), default=None),
                "overdrawn": sum(line["overdrawn"] for line in mine),
            }
        )
    return summed


def _unpriced(found: TracedLedger, lots: Sequence[int]) -> set[str]:
    """Return the names of what has no known cost behind any of these lots."""
    names: set[str] = set()
    for event in events_behind(found.ledger, lots):
        names.update(found.ledger.unpriced.get(event, ()))
    return names | {found.columns.lots[lot] for lot in lots if not found.ledger.quantity[lot]}


def _day(text: str | None) -> dt.date | None:
    return None if text is None else dt.date.fromisoformat(text)
