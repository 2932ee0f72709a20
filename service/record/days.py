"""Nothing is used before it exists: what a record takes is there on its day, and what it makes is not used earlier.

A run without a day has that of the latest lot that it takes from: it never breaches, and hands the day on.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from typing import Any

from service.domain.ledger_day import came_on, exists_from, latest, made_on, taken_on
from service.domain.lot import Lot, Pool
from service.domain.purchase import Purchase
from service.domain.run import Run
from service.domain.stock_entry import StockEntry
from service.errors import Fault
from service.record.bench import Bench
from service.record.derive import made_lots
from service.schemas.kinds import singular
from service.store import entries, shelf
from service.store.shelf import StoredLot
from service.store.stock import uses_of


def day_faults(bench: Bench, kind: str, record: Any, before: Any) -> Iterator[Fault]:
    """Yield what is used before it exists if ``record`` is written in the place of ``before``."""
    yield from _taken_too_early(bench, record)
    if before is None or not isinstance(record, Lot | Purchase | Pool | Run):
        return
    now, was = _makes_on(bench, record), _makes_on(bench, before)
    if now is not None and (was is None or now > was):
        made = {record.code} if isinstance(record, Lot) else made_lots(record) & made_lots(before)
        yield from _used_earlier(bench, (kind, record.code), made, now, _place_of_day(record))


def day_of(bench: Bench, run: Run) -> dt.date | None:
    """The day on which a run takes what it charges: its own, else that of the latest lot that it takes from."""
    return taken_on(run) or _latest(bench, (charge.lot for charge in run.charges if charge.lot is not None))


def day_of_making(bench: Bench, run: Run) -> dt.date | None:
    """The day on which a run makes what comes out, as :func:`day_of` has it."""
    return made_on(run) or day_of(bench, run)


def _taken_too_early(bench: Bench, record: Any) -> Iterator[Fault]:
    for lot, pointer, day in _takes(record):
        stored = bench.lots([lot]).get(lot)
        since = None if stored is None else _since(bench, stored)
        if since is not None and day < since:
            detail = f"lot {lot} exists from {since} on, and this takes from it on {day}: look at both days"
            yield Fault("before-it-existed", detail, day.isoformat(), f"{since} or a later day", pointer)


def _takes(record: Any) -> Iterator[tuple[str, str, dt.date]]:
    """What a record takes from: lot, pointer, day; nothing where it has no day."""
    if isinstance(record, Run) and (day := taken_on(record)) is not None:
        for i, charge in enumerate(record.charges):
            if charge.lot is not None:
                yield charge.lot, f"/charges/{i}/lot", day
    elif isinstance(record, Pool):
        for i, part in enumerate(record.parts):
            yield part.lot, f"/from/{i}/lot", record.made_on
    elif isinstance(record, StockEntry) and record.lot is not None:
        yield record.lot, "/on", record.on


def _makes_on(bench: Bench, record: Lot | Purchase | Pool | Run) -> dt.date | None:
    if isinstance(record, Lot):
        return record.received_on
    if isinstance(record, Purchase):
        return came_on(record)
    return record.made_on if isinstance(record, Pool) else day_of_making(bench, record)


def _place_of_day(record: Lot | Purchase | Pool | Run) -> str:
    if isinstance(record, Pool):
        return "/made_on"
    if isinstance(record, Purchase):
        return "/received_on" if record.received_on is not None else "/bought_on"
    if isinstance(record, Run):
        days = ("finished_on", "started_on")
        return next((f"/{name}" for name in days if getattr(record, name) is not None), "/charges")
    return "/received_on"


def _used_earlier(
    bench: Bench, own: tuple[str, str], made: Iterable[str], day: dt.date, pointer: str
) -> Iterator[Fault]:
    """The uses before ``day`` of the lots ``made``, through runs without a day too."""
    waiting, seen = set(made), set(made)
    while waiting:
        uses = uses_of(bench.writing, waiting)
        waiting = set()
        for use in uses:
            if use.on is None and use.kind == "runs":
                undated = {lot for lot, of in shelf.made_by(bench.writing, "runs", use.code).items() if _undated(of)}
                waiting |= undated - seen
                seen |= undated
            elif use.on is not None and use.on < day.isoformat() and (use.kind, use.code) != own:
                user = f"{singular(use.kind)} {use.code}"
                detail = f"{user} takes from lot {use.lot} on {use.on}: it cannot have come into being on {day}"
                yield Fault("before-it-existed", detail, day.isoformat(), f"{use.on} or an earlier day", pointer)


def _undated(stored: StoredLot) -> bool:
    return exists_from(stored.lot) is None


def _since(bench: Bench, stored: StoredLot) -> dt.date | None:
    """The day from which on a lot exists; through runs without a day, that of the latest lot behind it."""
    days: list[dt.date | None] = []
    waiting, seen = [stored], {stored.lot.code}
    while waiting:
        of = waiting.pop()
        days.append(exists_from(of.lot))
        if of.lot.source_kind != "runs" or not _undated(of):
            continue
        lines = entries.of_sources(bench.writing, "runs", [of.lot.source_code])
        taken = {line.lot for line in lines if line.kind == "charge" and line.lot is not None} - seen
        seen |= taken
        waiting += bench.lots(taken).values()
    return latest(days)


def _latest(bench: Bench, lots: Iterable[str]) -> dt.date | None:
    return latest(_since(bench, stored) for stored in bench.lots(lots).values())
