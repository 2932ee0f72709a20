"""Count a whole shelf: one recount for each lot, all of them or none."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from service.domain.shelf_amount import UNIT_KEYS, UNITS_PER_BASE
from service.domain.stock_count import StockCount
from service.errors import Fault, InvalidInput
from service.record.bench import Bench
from service.record.put import write
from service.record.stock import STOCK_ENTRIES, counted_units
from service.schemas.kinds import load_record
from service.schemas.stock_count import load_stock_count
from service.store import records
from service.store.entries import of_sources
from service.store.records import same_body
from service.store.session import Database
from service.store.stock import codes_like

_SHOWN = {"mass": "g", "volume": "mL", "amount": "mol"}


@dataclass(frozen=True, slots=True)
class Counted:
    """What a count came to, as it is answered; ``replayed`` where its idempotency key was used for it before."""

    told: Mapping[str, Any]
    replayed: bool


def count_shelf(
    database: Database,
    workshop_id: int,
    body: Any,
    *,
    idempotency_key: str | None = None,
    by: str,
    at: dt.datetime,
    token: str | None = None,
) -> Counted:
    """Write one recount for each lot that was counted, in one transaction, and tell what each was booked at.

    The codes of the entries bear the mark of an ``idempotency_key``: the same count finds them again, and nothing is
    written twice. Raises :class:`InvalidInput` with every fault of every line, and for another count under a used key.
    """
    count = load_stock_count(body)
    bodies = [*_bodies(count, body)]

    def story() -> Counted:
        with database.writing(workshop_id, by, at, token) as writing:
            bench = Bench(writing)
            mark, first = "", None
            if idempotency_key is not None:
                told = json.dumps([workshop_id, "stock-counts", idempotency_key]).encode()
                mark = "-" + hashlib.sha256(told).hexdigest()[:20]
                first = next(iter(codes_like(writing, f"count-%{mark}-1")), None)
            stem = f"count-{writing.state:012d}{mark}" if first is None else first.removesuffix("-1")
            codes = [f"{stem}-{i}" for i in range(1, len(bodies) + 1)]
            replayed = first is not None
            if idempotency_key is not None and replayed:
                _check_same(bench, stem, codes, bodies, idempotency_key)
            if replayed:
                writing.abandon()
            else:
                _write(bench, codes, bodies)
            return Counted(_told(bench, count, codes, bodies), replayed)

    return database.retrying(story)


def _bodies(count: StockCount, body: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """The bodies of the entries, with the amounts as they were written."""
    for line in body["counted"]:
        more = {key: body[key] for key in ("operator", "note") if body.get(key) is not None}
        yield {"lot": line["lot"], "kind": "recount", "on": body["on"], "amount": line["amount"], **more}


def _check_same(bench: Bench, stem: str, codes: Sequence[str], bodies: Sequence[Mapping[str, Any]], key: str) -> None:
    """Refuse a key that was used for another count."""
    next_code = f"{stem}-{len(codes) + 1}"
    found = {stored.code: stored for stored in records.many(bench.writing, STOCK_ENTRIES, [*codes, next_code])}
    same = all(code in found and same_body(found[code].text, body) for code, body in zip(codes, bodies, strict=True))
    if next_code in found or not same:
        detail = "the key was used for another count: take a new key for a new one"
        fault = Fault("idempotency-key-reused", detail, key[:64], "a key that was not used before")
        raise InvalidInput([fault], code="idempotency-key-reused")


def _write(bench: Bench, codes: Sequence[str], bodies: Sequence[Mapping[str, Any]]) -> None:
    faults: list[Fault] = []
    for i, (code, body) in enumerate(zip(codes, bodies, strict=True)):
        try:
            write(bench, STOCK_ENTRIES, code, body)
        except InvalidInput as refused:
            faults += [replace(fault, pointer=_place(i, fault.pointer)) for fault in refused.faults]
    if faults:
        raise InvalidInput(faults)


def _place(i: int, pointer: str | None) -> str:
    return f"/counted/{i}{pointer}" if pointer in ("/lot", "/amount") else f"/counted/{i}/lot"


def _told(bench: Bench, count: StockCount, codes: Sequence[str], bodies: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    lines = {line.source_code: line for line in of_sources(bench.writing, STOCK_ENTRIES, codes)}
    told = []
    for code, line, body in zip(codes, count.counted, bodies, strict=True):
        entry = load_record(STOCK_ENTRIES, code, body)
        counted, lot = counted_units(bench, entry), bench.lots([line.lot])[line.lot].lot
        found = lines[code].quantity
        booked = None if found is None or counted is None else counted - found
        told.append(
            {
                "lot": line.lot,
                "entry": code,
                "booked": _text(booked, lot.dimension),
                "counted": line.amount.text(),
                "difference": _text(found, lot.dimension),
                **{
                    f"{name}_{UNIT_KEYS[lot.dimension]}": None
                    if units is None
                    else units / UNITS_PER_BASE[lot.dimension]
                    for name, units in (("booked", booked), ("counted", counted), ("difference", found))
                },
                "reasons": {} if found is not None else {"difference": lines[code].reason},
            }
        )
    return {"on": count.on.isoformat(), "state": bench.writing.state, "counted": told}


def _text(units: int | None, dimension: str) -> str | None:
    """An exact amount as text in g, mL or mol."""
    if units is None:
        return None
    base = Decimal(units) / UNITS_PER_BASE[dimension]
    return f"{base.normalize():f} {_SHOWN[dimension]}"
