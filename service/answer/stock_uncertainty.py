"""How well the amount left of a lot is known: the uncertainties of the weighings behind it, combined.

u² of what is left is the sum of u² of what was put there and of every amount taken: each was weighed for itself. What
was bought or opened has an uncertainty only where it states one; a weighing has that of its last digit, a volume 1 % or
its last digit; what a pool holds is as uncertain as its parts together. A recount begins anew: from it on, the amount
is that of the count. An entry that was taken back, and the one that takes it back, count nothing.
(JCGM 100:2008, 5.1.2, independent inputs.)
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from typing import Any, Final

from service.answer.book import Book
from service.domain.charge import amount_u
from service.domain.quantity import Quantity
from service.domain.shelf_amount import UNITS_PER_BASE, net_of
from service.domain.weighed import net_u
from service.store import entries
from service.store.entries import Entry

MOST_RECORDS: Final = 2000
"""Records that are read for it; more are said to be too many."""
RECOUNT: Final = "recount"
_ORDER: Final = ("lots", "purchases", "pools", "runs", "stock-entries")


def left_u(book: Book, lots: Collection[str], until: str) -> dict[str, float] | None:
    """Return the standard uncertainty of what is left of each lot at the end of a day, in ng, nL or nmol.

    None where more than :data:`MOST_RECORDS` records would have to be read.
    """
    lines = [line for line in entries.of_lots(book.reading, lots) if line.on is None or line.on <= until]
    named: dict[str, set[str]] = {}
    for line in lines:
        named.setdefault(line.source_kind, set()).add(line.source_code)
    if sum(map(len, named.values())) > MOST_RECORDS:
        return None
    known = {kind: book.records(kind, codes) for kind, codes in named.items() if kind != "purchases"}
    by_lot: dict[str, list[Entry]] = {}
    for line in lines:
        assert line.lot is not None, "only lines on lots are read"
        by_lot.setdefault(line.lot, []).append(line)
    void = _taken_back(known.get("stock-entries", {}))
    return {lot: math.sqrt(_square(sorted(mine, key=_place), known, void)) for lot, mine in by_lot.items()}


def _square(lines: Iterable[Entry], known: Mapping[str, Mapping[str, Any]], void: Collection[str]) -> float:
    total = 0.0
    for line in lines:
        if line.source_kind == "stock-entries" and line.source_code in void:
            continue
        square = _line_u(line, known) ** 2
        total = square if line.kind == RECOUNT else total + square
    return total


def _place(line: Entry) -> tuple[str, int, str, str, int]:
    """Where a line stands in the history of its lot: a recount is of the end of its day."""
    return line.on or "", _ORDER.index(line.source_kind), line.source_code, line.kind, line.line


def _taken_back(records: Mapping[str, Any]) -> set[str]:
    pairs = [(code, entry.reverses) for code, entry in records.items() if entry.reverses is not None]
    return {code for pair in pairs for code in pair}


def _line_u(line: Entry, known: Mapping[str, Mapping[str, Any]]) -> float:
    """Return the uncertainty of one line in the units of its lot; 0 where what was written carries none."""
    record = known.get(line.source_kind, {}).get(line.source_code)
    if record is None or line.quantity is None:
        return 0.0
    if line.kind == "outturn":
        outturn = record.outturns[line.line]
        dimension, net = net_of(outturn)
        return _scaled(net_u(outturn), float(net), dimension, line)
    if line.kind == "pool-out":
        parts = [_of_amount(part.amount, line) for part in record.parts]
        return math.sqrt(math.fsum(u * u for u in parts))
    if line.kind == "charge":
        return _of_amount(record.charges[line.line].amount, line)
    if line.kind == "pool-in":
        return _of_amount(record.parts[line.line].amount, line)
    if line.kind == "opening":
        return (record.amount.stated_u_base() or 0.0) * UNITS_PER_BASE[record.amount.dimension]
    return 0.0 if record.amount is None else _of_amount(record.amount, line)


def _of_amount(amount: Quantity, line: Entry) -> float:
    u = amount_u(amount, readings=1 if amount.dimension == "volume" else 2)
    if line.kind in (RECOUNT, "pool-out"):
        return (u or 0.0) * UNITS_PER_BASE[amount.dimension] if amount.dimension == line.dimension else 0.0
    return _scaled(u, amount.base(), amount.dimension, line)


def _scaled(u: float | None, base: float, dimension: str, line: Entry) -> float:
    """Turn an uncertainty of the amount as written into the lot's units, at the ratio that the ledger counted it by."""
    if not u or not base:
        return 0.0
    if dimension == line.dimension:
        return u * UNITS_PER_BASE[dimension]
    return u * abs(line.quantity or 0) / base
