"""Derive what follows from one revision: its typed row, links, lots, outcome and lines, and those of what rests on it.

Used alike by every story that writes, and by the rebuild that replays the revisions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from service.domain.lot import Lot, Pool
from service.domain.material import Material
from service.domain.money import Money
from service.domain.offer import Offer
from service.domain.purchase import BY_MASS, Purchase
from service.domain.reference import references
from service.domain.route import Route
from service.domain.run import Run
from service.domain.stock_entry import StockEntry
from service.errors import Conflict
from service.record.bench import Bench
from service.record.purchasing import buy_again, derive_purchase, purchase_of, purchases_of
from service.record.runs import RunToDerive, derive_runs, link_run, runs_to_derive
from service.record.shelf_moves import otherwise, shelve, users_of
from service.record.shelving import as_found, lines_of_lot, lines_of_pool, lot_of, lot_of_pool, lots_of_run
from service.record.stock import note_on_lot, reversed_by, settle_stock, subject_of
from service.store import entries, links, outcomes, records, shelf, standing

CORRECTION = "correction"


@dataclass(frozen=True, slots=True)
class Change:
    """One revision of a record: what it is now and what it was before, each None where there is (was) none.

    ``reason`` says of a route whether an altered step is a revision of the old or a correction of it.
    """

    kind: str
    code: str
    revision: int
    record: Any
    before: Any
    reason: str | None = None


def apply(bench: Bench, change: Change, *, refuse: bool = True) -> tuple[str, ...]:
    """Bring everything derived in line with one revision; return the other runs whose outcome moved.

    With ``refuse`` False nothing is checked: the revision was accepted once. Raises as
    :func:`service.record.runs.derive_runs` does.
    """
    if change.record is None:
        _remove(bench, change)
        settle_stock(bench)
        return ()
    moved = _WRITES.get(change.kind, _write_plain)(bench, change, refuse)
    settle_stock(bench)
    return tuple(sorted(set(moved) - ({change.code} if change.kind == "runs" else set())))


def altered_steps(before: Route, after: Route) -> set[str]:
    """The steps of a route that another revision of it computes otherwise, or no longer has."""
    found = set()
    for step in before.steps:
        now = after.step(step.code)
        if now is None or now.computes_as() != step.computes_as():
            found.add(step.code)
    return found


def _rebilled(before: Route, after: Route) -> set[str]:
    """The steps whose bill asks for other amounts: no outcome is another, but what is found of a run may be."""
    now = {step.code: step.bill for step in after.steps}
    return {step.code for step in before.steps if now.get(step.code, step.bill) != step.bill}


def _write_plain(bench: Bench, change: Change, refuse: bool) -> list[str]:
    standing.put_row(bench.writing, change.kind, change.record, change.revision)
    _link(bench, change)
    if change.kind in ("workshop", "exchange-rates"):
        bench.currencies.forget()
    return []


def _write_material(bench: Bench, change: Change, refuse: bool) -> list[str]:
    _write_plain(bench, change, refuse)
    bench.wrote_material(change.code, change.record)
    if change.before is None or _computes_as(change.before) == _computes_as(change.record):
        return []
    writing = bench.writing
    forms = {code for _, code in links.links_to(writing, "materials", [change.code], from_kind="materials")}
    forms.add(change.code)
    lots = shelf.of_material(writing, forms)
    runs = {code for _, code in links.links_to(writing, "materials", forms, from_kind="runs")}
    by_mass = {code for code in purchases_of(bench, lots) if purchase_of(bench, code).share_by == BY_MASS}
    for code in sorted(by_mass):
        lots += buy_again(bench, purchase_of(bench, code), refuse)
    users, pools = users_of(bench, lots)
    return _settle(bench, runs | users, pools, refuse)


def _write_lot(bench: Bench, change: Change, refuse: bool) -> list[str]:
    assert isinstance(change.record, Lot)
    known = bench.lots([change.code]).get(change.code)
    stored = as_found(lot_of(change.record, change.revision), known)
    _link(bench, change)
    bench.put_lots([replace(stored, state=bench.writing.state)])
    kept = [] if known is None else entries.of_sources(bench.writing, "lots", [change.code])
    bench.replace_lines(kept, lines_of_lot(stored))
    return _settle(bench, *users_of(bench, otherwise([known], [stored])), refuse)


def _write_route(bench: Bench, change: Change, refuse: bool) -> list[str]:
    route, before = change.record, change.before
    _write_plain(bench, change, refuse)
    standing.put_steps(bench.writing, route, before)
    bench.wrote_route(change.code, change.revision, route)
    if before is None or change.reason != CORRECTION:
        return []
    corrected = _runs_corrected(bench, route, before)
    standing.move_runs(bench.writing, corrected, change.revision)
    todo = runs_to_derive(bench, set(corrected))
    for run in todo:
        link_run(bench, run)
    return derive_runs(bench, todo, refuse=refuse)


def _runs_corrected(bench: Bench, route: Route, before: Route) -> list[str]:
    """The runs of altered steps that went by the step as it was; those of still older, other steps stay with them."""
    computed = altered_steps(before, route)
    paid = {step.code for step in route.steps if _consumables(before, step.code) != step.consumables}
    altered = computed | paid | _rebilled(before, route)
    runs = standing.runs_of_route(bench.writing, [route.code], altered)
    went_by = bench.routes({(route.code, revision) for _, _, revision in runs.values()})
    corrected = []
    for code, (_, step, revision) in runs.items():
        by, was = went_by[route.code, revision].step(step), before.step(step)
        if (
            by is not None
            and was is not None
            and by.computes_as() == was.computes_as()
            and (step in computed or by.consumables == was.consumables)
            and route.step(step) is not None
        ):
            corrected.append(code)
    return sorted(corrected)


def _consumables(route: Route, code: str) -> Money | None:
    step = route.step(code)
    return None if step is None else step.consumables


def _write_pool(bench: Bench, change: Change, refuse: bool) -> list[str]:
    pool, before = change.record, change.before
    assert isinstance(pool, Pool)
    _write_plain(bench, change, refuse)
    moved_lots = _derive_pool(bench, pool, is_new=before is None)
    if before is not None and before.lot != pool.lot:
        bench.remove_lots([before.lot])
    return _settle(bench, *users_of(bench, moved_lots), refuse)


def _write_offer(bench: Bench, change: Change, refuse: bool) -> list[str]:
    before, now = change.before, change.record
    _write_plain(bench, change, refuse)
    if before is None or _sells_as(before) == _sells_as(now):
        return []
    moved: list[str] = []
    for _, code in links.links_to(bench.writing, "offers", [change.code], from_kind="purchases"):
        moved += buy_again(bench, purchase_of(bench, code), refuse)
    return _settle(bench, *users_of(bench, moved), refuse)


def _write_purchase(bench: Bench, change: Change, refuse: bool) -> list[str]:
    purchase, before = change.record, change.before
    assert isinstance(purchase, Purchase)
    _write_plain(bench, change, refuse)
    moved_lots = derive_purchase(bench, purchase, is_new=before is None)
    if before is not None:
        bench.remove_lots(made_lots(before) - made_lots(purchase))
    return _settle(bench, *users_of(bench, moved_lots), refuse)


def _write_stock_entry(bench: Bench, change: Change, refuse: bool) -> list[str]:
    entry = change.record
    assert isinstance(entry, StockEntry)
    lot, kind = subject_of(bench, entry)
    standing.put_row(bench.writing, change.kind, entry, change.revision, lot=lot, kind=kind)
    _link(bench, change)
    of = entry if entry.reverses is None else reversed_by(bench, entry)
    if not note_on_lot(bench, lot, of.on):
        return []
    source = bench.lots([lot])[lot].lot
    runs, pools = users_of(bench, _make_again(bench, source.source_kind, source.source_code))
    return _settle(bench, runs | ({source.source_code} if source.source_kind == "runs" else set()), pools, refuse)


def _make_again(bench: Bench, kind: str, code: str) -> list[str]:
    """Put the lots of a record on the shelf again, as strong as they are found now; return those that are others."""
    (stored,) = records.many(bench.writing, kind, [code])
    record = bench.loaded(stored)
    if isinstance(record, Pool):
        return _derive_pool(bench, record, is_new=False)
    if isinstance(record, Purchase):
        return derive_purchase(bench, record, is_new=False)
    made = lots_of_run(record) if isinstance(record, Run) else []
    if isinstance(record, Lot):
        made = [lot_of(record, stored.revision)]
    return shelve(bench, bench.lots(each.lot.code for each in made), made)


def _write_run(bench: Bench, change: Change, refuse: bool) -> list[str]:
    run, before = change.record, change.before
    assert isinstance(run, Run)
    todo = RunToDerive(run, route_revision_for(bench, run, before), before is None, is_written=True)
    standing.put_row(bench.writing, "runs", run, change.revision, route_revision=todo.route_revision)
    link_run(bench, todo)
    made = lots_of_run(run)
    gone = set() if before is None else made_lots(before) - made_lots(run)
    known = bench.lots(stored.lot.code for stored in made)
    moved_lots = shelve(bench, known, made)
    moved = derive_runs(bench, [todo], refuse=refuse)
    bench.remove_lots(gone)
    return [*moved, *_settle(bench, *users_of(bench, moved_lots), refuse)]


def route_revision_for(bench: Bench, run: Run, before: Run | None) -> int:
    """The revision of its route that a run goes by: the one that it had where its step is the same, else the newest."""
    if before is not None and (before.route, before.step) == (run.route, run.step):
        return standing.route_revisions(bench.writing, [run.code])[run.code]
    return bench.standing_routes([run.route])[run.route]


_WRITES = {
    "materials": _write_material,
    "offers": _write_offer,
    "purchases": _write_purchase,
    "lots": _write_lot,
    "routes": _write_route,
    "pools": _write_pool,
    "runs": _write_run,
    "stock-entries": _write_stock_entry,
}


def _remove(bench: Bench, change: Change) -> None:
    """Take away everything that a record, to which nothing refers, left behind."""
    writing, kind, code = bench.writing, change.kind, change.code
    links.put_links(writing, kind, code, links.links_from(writing, kind, code), ())
    if kind in ("lots", "purchases", "pools", "runs"):
        bench.replace_lines(entries.of_sources(writing, kind, [code]), ())
    if kind == "runs":
        outcomes.remove_outcome(writing, code)
    if kind in ("purchases", "pools", "runs"):
        bench.remove_lots(made_lots(change.before))
    if kind == "routes":
        standing.remove_steps(writing, code)
        bench.wrote_route(code, change.revision, None)
    if kind == "materials":
        bench.wrote_material(code, None)
    if kind == "lots":
        bench.remove_lots([code])
    else:
        standing.remove_row(writing, kind, code)


def _link(bench: Bench, change: Change) -> None:
    now, was = (
        {(found.kind, found.code) for found in references(change.kind, record)} if record is not None else set()
        for record in (change.record, change.before)
    )
    links.put_links(bench.writing, change.kind, change.code, was, now)


def _settle(bench: Bench, runs: set[str], pools: set[str], refuse: bool) -> list[str]:
    """Derive again what rests on lots or materials that changed: pools and the lots of pools first, then runs."""
    waiting = set(pools)
    while waiting:
        code = min(waiting)
        waiting.remove(code)
        (stored,) = records.many(bench.writing, "pools", [code])
        pool = bench.loaded(stored)
        assert isinstance(pool, Pool)
        more_runs, more_pools = users_of(bench, _derive_pool(bench, pool, is_new=False))
        if refuse:
            _check_parts(bench, pool)
        runs |= more_runs
        waiting |= more_pools
    return derive_runs(bench, runs_to_derive(bench, runs), refuse=refuse) if runs else []


def _check_parts(bench: Bench, pool: Pool) -> None:
    of = {stored.lot.material for stored in bench.lots([part.lot for part in pool.parts]).values()}
    if len(of) > 1:
        raise Conflict(
            f"pool {pool.code} unites these lots as one material: {' and '.join(sorted(of))} cannot be pooled",
            code="contradicts-pool",
            extra={"referred_to_by": [{"kind": "pools", "code": pool.code}]},
        )


def _derive_pool(bench: Bench, pool: Pool, *, is_new: bool) -> list[str]:
    """Put the lot of a pool on the shelf and its lines in the ledger; return the lot if it is another than before."""
    lots = bench.lots([part.lot for part in pool.parts])
    materials = bench.materials(stored.lot.material for stored in lots.values())
    known = bench.lots([pool.lot])
    made = lot_of_pool(pool, lots, materials)
    moved = shelve(bench, known, [made])
    kept = [] if is_new else entries.of_sources(bench.writing, "pools", [pool.code])
    bench.replace_lines(kept, lines_of_pool(pool, lots, made, materials))
    return moved


def made_lots(record: object) -> set[str]:
    """The lots that are written through a record; a lot that was written as such is not."""
    if isinstance(record, Pool):
        return {record.lot}
    if isinstance(record, Purchase):
        return {line.lot for line in record.lines}
    return {each.lot for each in record.outturns if each.lot is not None} if isinstance(record, Run) else set()


def _sells_as(offer: Offer) -> tuple[object, ...]:
    """What purchases by an offer rest on."""
    return (offer.material, offer.supplier, offer.pack, offer.price, offer.assay, offer.density)


def _computes_as(material: Material) -> tuple[object, ...]:
    """What sums over a material rest on."""
    return (material.formula, material.stated_molar_mass, material.density, dict(material.contents), material.analyte)
