"""Where a lot came from and where it went: the graph up and down, and what of every bought lot is behind a gram."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from functools import partial
from itertools import groupby
from operator import attrgetter
from typing import Any, Final

import numpy as np

from service.analytics.money.ancestry import Ancestry, Node, behind, generations_of, lineage
from service.analytics.money.traced import events_behind, takes_of, unpriced_behind
from service.answer.book import Book
from service.answer.ledger_events import on_shelf
from service.answer.ledger_words import UNIT, amount_of, unpriced_lines
from service.answer.lot_ledger import LotLedger, lot_ledger
from service.domain.shelf_amount import UNITS_PER_BASE
from service.errors import NotComputable
from service.schemas.kinds import singular
from service.store import ledger_rows
from service.store.ledger_lines import Line, LotRow

METHOD: Final = "ancestry/1"
MOST_NODES: Final = 200
MOST_COUNTED: Final = 1000
"""Lots that are counted beyond those that are shown."""

Edges = list[dict[str, Any]]


def ancestry_of(
    book: Book,
    code: str,
    *,
    as_of: dt.date,
    currency: str | None = None,
    labour: bool = False,
    most: int = MOST_NODES,
) -> dict[str, Any]:
    """Return what is behind a gram of a lot as isolated, dry, and at most ``most`` lots and events either way.

    ``behind_a_gram`` names the bought and opened lots, ``beside_lots`` what runs used without a lot. Where the grams of
    the lot are not known, the same is behind a mL or a mol, as ``per`` says. Raises UnknownRecord where there is no
    such lot.
    """
    found = lot_ledger(book, code, currency, labour=labour)
    reasons: dict[str, str] = {}
    answer: dict[str, Any] = {"lot": code, "material": found.lot.material, "currency": found.currency}
    try:
        told = behind(found.ledger, found.number)
    except NotComputable as error:
        reasons["behind_a_gram"] = str(error)
        answer |= {"per": None, "behind_a_gram": [], "beside_lots": [], "direct_cost": None, "waste_g": None}
    else:
        answer |= _behind(found, told, reasons)
    return answer | {
        "as_of": as_of.isoformat(),
        "unpriced": unpriced_lines(unpriced_behind(found.ledger, found.number), found.columns.reasons),
        "up": _up(found, most),
        "down": _down(book, found, most, reasons),
        "reasons": reasons,
        "rests_on": book.rests_on(as_of, METHOD, filters={"lot": code, "currency": found.currency, "most": most}),
    }


def _behind(found: LotLedger, told: Ancestry, reasons: dict[str, str]) -> dict[str, Any]:
    """Lay out what is behind a gram; ``scale`` is how many of the lot's own units a gram of it is."""
    units = int(found.ledger.quantity[found.number])
    if found.dry_g:
        per, scale = "g", units / found.dry_g
    else:
        per, scale = UNIT[found.lot.dimension], float(UNITS_PER_BASE[found.lot.dimension])
        reasons["per"] = "its grams are not known"
    lines = []
    for each in told.bought:
        row = found.row(each.lot)
        amount = each.amount * scale
        line = {"lot": row.code, "material": row.material, **amount_of(amount, row.dimension)}
        priced = not unpriced_behind(found.ledger, each.lot)
        lines.append({**line, "cost": each.micro * scale / 10**6 if priced else None})
    waste_g = _embodied_waste(found, told, scale, reasons)
    return {
        "per": per,
        "behind_a_gram": lines,
        "beside_lots": _beside_lots(found, told, scale),
        "direct_cost": told.direct_micro * scale / 10**6,
        "waste_g": waste_g,
    }


def _beside_lots(found: LotLedger, told: Ancestry, scale: float) -> list[dict[str, Any]]:
    """Everything that runs used without a lot, summed by what it is of: materials, labour, energy, waste, consumables.

    What cost nothing that is known has no cost there.
    """
    amounts: dict[tuple[str, str | None, str | None], tuple[float, float, bool]] = {}
    for event, part in told.events.items():
        for each in found.facts(event).direct:
            key = ("material" if each.of == "charge" else each.of, each.material, each.dimension)
            amount, micro, known = amounts.get(key, (0.0, 0.0, True))
            amounts[key] = (
                amount + part * (each.quantity or 0),
                micro + part * (each.micro or 0),
                known and each.micro is not None,
            )
    lines = []
    for (of, material, dimension), (amount, micro, known) in sorted(amounts.items(), key=str):
        sized = {} if dimension is None else amount_of(amount * scale, dimension)
        lines.append({"of": of, "material": material, **sized, "cost": micro * scale / 10**6 if known else None})
    return lines


def _embodied_waste(found: LotLedger, told: Ancestry, scale: float, reasons: dict[str, str]) -> float:
    grams: dict[int, float] = {}
    for event in told.events:
        for each in found.facts(event).direct:
            if each.of == "waste" and each.dimension == "mass":
                grams[event] = grams.get(event, 0.0) + (each.quantity or 0) / UNITS_PER_BASE["mass"]
            elif each.of == "waste":
                reasons["waste_g"] = "waste that was measured by volume is not in it"
    return told.embodied(grams) * scale


# ---- the graph


def _up(found: LotLedger, most: int) -> dict[str, Any]:
    """Lay out the ancestors, nearest first; a lot that has a record of its own is made by nothing else."""
    shown = lineage(found.ledger, found.number, "up", most, called=partial(_id, found))
    nodes: dict[str, dict[str, Any]] = {}
    for node in shown.nodes:
        nodes.setdefault(_id(found, node), _node(found, node))
    edges = []
    for edge in shown.edges:
        tail, head = _id(found, edge.tail), _id(found, edge.head)
        if tail != head:
            lot = (edge.tail if edge.tail.kind == "lot" else edge.head).number
            edges.append({"from": tail, "to": head, **amount_of(edge.quantity, found.row(lot).dimension)})
    more = 0 if shown.complete else _count_up(found) - len(nodes)
    return {"nodes": list(nodes.values()), "edges": edges, "more": more}


def _count_up(found: LotLedger) -> int:
    """How many lots and records stand behind the lot, itself among them."""
    events = np.array(events_behind(found.ledger, [found.number]), dtype=np.int64)
    lots = np.unique(found.ledger.take_lot[takes_of(found.ledger, events)])
    records = {facts[:2] for facts in found.columns.facts[events].tolist() if facts.source_kind != "lots"}
    return 1 + len(lots) + len(records)


def _id(found: LotLedger, node: Node) -> str:
    if node.kind == "lot":
        return f"lot:{found.columns.lots[node.number]}"
    facts = found.facts(node.number)
    return f"{singular(facts.source_kind)}:{facts.source_code}"


def _node(found: LotLedger, node: Node) -> dict[str, Any]:
    if node.kind == "lot":
        return _lot_node(found.row(node.number))
    facts = found.facts(node.number)
    kind = singular(facts.source_kind)
    return {"id": _id(found, node), "kind": kind, "code": facts.source_code, "what": node.kind, "step": facts.step}


def _lot_node(row: LotRow) -> dict[str, Any]:
    return {"id": f"lot:{row.code}", "kind": "lot", "code": row.code, "material": row.material, "on": row.received_on}


def _down(book: Book, found: LotLedger, most: int, reasons: dict[str, str]) -> dict[str, Any]:
    """Walk from the lot to what was made of it, a generation at a time, until there is no more or enough."""
    start = found.lot
    nodes: dict[str, dict[str, Any]] = {f"lot:{start.code}": _lot_node(start)}
    edges: Edges = []
    lots, complete = [start], True
    while lots and complete:
        # A record may take from a lot, or from lots of one generation, in more than one line.
        lines, made = ledger_rows.takes_of_lots(book.reading, [row.code for row in lots], 2 * most + 1)
        if len(lines) > 2 * most or len({line.source for line in lines}) > most:
            lines = sorted(lines)[:most]
            complete = False
        sources = {line.source for line in lines}
        made = sorted(row for row in made if (row.source_kind, row.source_code) in sources)
        before = set(nodes)
        complete = _take_in(lines, made, nodes, edges, most) and complete
        lots = [row for row in made if f"lot:{row.code}" in nodes.keys() - before]
    if complete:
        return {"nodes": list(nodes.values()), "edges": edges, "more": 0}
    shown = [node["code"] for node in nodes.values() if node["kind"] == "lot"]
    more = _count_down(found, shown) if found.whole else ledger_rows.count_made_of(book.reading, shown, MOST_COUNTED)
    if more >= MOST_COUNTED:
        reasons["down.more"] = f"at least so many lots: after {MOST_COUNTED} they are not counted"
    return {"nodes": list(nodes.values()), "edges": edges, "more": more}


def _count_down(found: LotLedger, shown: Sequence[str]) -> int:
    """How many lots were made of some beyond these, up to those that are counted; of a whole ledger in memory."""
    columns, count = found.columns, 0
    for made in generations_of(found.ledger, [number for code in shown if (number := columns.lot(code)) is not None]):
        count += sum(on_shelf(row) for row in columns.rows[made].tolist())
        if count >= MOST_COUNTED:
            break
    return min(count, MOST_COUNTED)


def _take_in(
    lines: Sequence[Line], made: Sequence[LotRow], nodes: dict[str, dict[str, Any]], edges: Edges, most: int
) -> bool:
    """Add one generation; return whether all of it found room."""
    by_source: dict[tuple[str, str], list[LotRow]] = {}
    for row in made:
        by_source.setdefault((row.source_kind, row.source_code), []).append(row)
    for source, group in groupby(sorted(lines, key=attrgetter("source")), key=attrgetter("source")):
        kind, code = singular(source[0]), source[1]
        identity = f"{kind}:{code}"
        rows = by_source.get(source, [])
        if identity not in nodes and len(nodes) + 1 + len(rows) > most:
            return False
        first = next(iter(each := list(group)))
        known = identity in nodes
        nodes.setdefault(identity, {"id": identity, "kind": kind, "code": code, "what": first.kind})
        for line in each:
            taken = None if line.quantity is None else -line.quantity
            edges.append({"from": f"lot:{line.lot}", "to": identity, **amount_of(taken, line.dimension)})
        for row in rows if not known else ():
            nodes.setdefault(f"lot:{row.code}", _lot_node(row))
            edges.append({"from": identity, "to": f"lot:{row.code}"})
    return True
