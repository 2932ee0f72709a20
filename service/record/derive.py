"""Derive what follows from one revision: its typed row, links, lots, outcome and lines, and those of what rests on it.

Used alike by every story that writes, and by the rebuild that replays the revisions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from service.domain.lot import Lot, Pool
from service.domain.material import Material
from service.domain.reference import references
from service.domain.route import Route
from service.domain.run import Run
from service.errors import Conflict
from service.record.bench import Bench
from service.record.runs import RunToDerive, derive_runs, link_run, runs_to_derive
from service.record.shelving import lines_of_lot, lines_of_pool, lot_of, lot_of_pool, lots_of_run
from service.store import entries, links, outcomes, records, shelf, standing
from service.store.shelf import StoredLot

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
        return ()
    moved = _WRITES.get(change.kind, _write_plain)(bench, change, refuse)
    return tuple(sorted(set(moved) - ({change.code} if change.kind == "runs" else set())))


def altered_steps(before: Route, after: Route) -> set[str]:
    """The steps of a route that another revision of it computes otherwise, or no longer has."""
    found = set()
    for step in before.steps:
        now = after.step(step.code)
        if now is None or now.computes_as() != step.computes_as():
            found.add(step.code)
    return found


def _write_plain(bench: Bench, change: Change, refuse: bool) -> list[str]:
    standing.put_row(bench.writing, change.kind, change.record, change.revision)
    _link(bench, change)
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
    users, pools = _users(bench, lots)
    return _settle(bench, runs | users, pools, refuse)


def _write_lot(bench: Bench, change: Change, refuse: bool) -> list[str]:
    assert isinstance(change.record, Lot)
    stored = lot_of(change.record, change.revision)
    known = bench.lots([change.code]).get(change.code)
    _link(bench, change)
    bench.put_lots([replace(stored, state=bench.writing.state)])
    kept = [] if known is None else entries.of_sources(bench.writing, "lots", [change.code])
    entries.replace_entries(bench.writing, kept, lines_of_lot(stored))
    return _settle(bench, *_users(bench, _otherwise([known], [stored])), refuse)


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
    altered = altered_steps(before, route)
    runs = standing.runs_of_route(bench.writing, [route.code], altered)
    went_by = bench.routes({(route.code, revision) for _, _, revision in runs.values()})
    corrected = []
    for code, (_, step, revision) in runs.items():
        by, was = went_by[route.code, revision].step(step), before.step(step)
        if (
            by is not None
            and was is not None
            and by.computes_as() == was.computes_as()
            and route.step(step) is not None
        ):
            corrected.append(code)
    return sorted(corrected)


def _write_pool(bench: Bench, change: Change, refuse: bool) -> list[str]:
    pool, before = change.record, change.before
    assert isinstance(pool, Pool)
    _write_plain(bench, change, refuse)
    moved_lots = _derive_pool(bench, pool, is_new=before is None)
    if before is not None and before.lot != pool.lot:
        bench.remove_lots([before.lot])
    return _settle(bench, *_users(bench, moved_lots), refuse)


def _write_run(bench: Bench, change: Change, refuse: bool) -> list[str]:
    run, before = change.record, change.before
    assert isinstance(run, Run)
    todo = RunToDerive(run, route_revision_for(bench, run, before), before is None, is_written=True)
    standing.put_row(bench.writing, "runs", run, change.revision, route_revision=todo.route_revision)
    link_run(bench, todo)
    made = lots_of_run(run)
    gone = set() if before is None else made_lots(before) - made_lots(run)
    known = bench.lots(stored.lot.code for stored in made)
    moved_lots = _shelve(bench, known, made)
    moved = derive_runs(bench, [todo], refuse=refuse)
    bench.remove_lots(gone)
    return [*moved, *_settle(bench, *_users(bench, moved_lots), refuse)]


def route_revision_for(bench: Bench, run: Run, before: Run | None) -> int:
    """The revision of its route that a run goes by: the one that it had where its step is the same, else the newest."""
    if before is not None and (before.route, before.step) == (run.route, run.step):
        return standing.route_revisions(bench.writing, [run.code])[run.code]
    return bench.standing_routes([run.route])[run.route]


_WRITES = {
    "materials": _write_material,
    "lots": _write_lot,
    "routes": _write_route,
    "pools": _write_pool,
    "runs": _write_run,
}


def _remove(bench: Bench, change: Change) -> None:
    """Take away everything that a record, to which nothing refers, left behind."""
    writing, kind, code = bench.writing, change.kind, change.code
    links.put_links(writing, kind, code, links.links_from(writing, kind, code), ())
    if kind in ("lots", "pools", "runs"):
        entries.replace_entries(writing, entries.of_sources(writing, kind, [code]), ())
    if kind == "runs":
        outcomes.remove_outcome(writing, code)
    if kind in ("pools", "runs"):
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
        more_runs, more_pools = _users(bench, _derive_pool(bench, pool, is_new=False))
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
    made = lot_of_pool(pool, lots, materials)
    moved = _shelve(bench, bench.lots([pool.lot]), [made])
    kept = [] if is_new else entries.of_sources(bench.writing, "pools", [pool.code])
    entries.replace_entries(bench.writing, kept, lines_of_pool(pool, lots, made, materials))
    return moved


def _shelve(bench: Bench, known: dict[str, StoredLot], made: list[StoredLot]) -> list[str]:
    """Put lots on the shelf, but for those that stand there already; return those that are used otherwise now."""
    state = bench.writing.state
    bench.put_lots([replace(lot, state=state) for lot in made if not _stands(known.get(lot.lot.code), lot)])
    return _otherwise([known.get(lot.lot.code) for lot in made], made)


def _stands(known: StoredLot | None, stored: StoredLot) -> bool:
    return known is not None and replace(known, state=None) == replace(stored, state=None)


def _otherwise(before: list[StoredLot | None], after: list[StoredLot]) -> list[str]:
    """The lots, among those that were there before, of which an amount now holds something else."""
    return [
        now.lot.code
        for was, now in zip(before, after, strict=True)
        if was is not None
        and (was.lot.material, was.lot.dimension, was.lot.strength)
        != (now.lot.material, now.lot.dimension, now.lot.strength)
    ]


def _users(bench: Bench, lots: list[str]) -> tuple[set[str], set[str]]:
    """The runs that charge one of ``lots``, and the pools that one of them went into."""
    found = links.links_to(bench.writing, "lots", lots) if lots else []
    return {code for kind, code in found if kind == "runs"}, {code for kind, code in found if kind == "pools"}


def made_lots(record: Run | Pool) -> set[str]:
    """The lots that are written through a record."""
    if isinstance(record, Pool):
        return {record.lot}
    return {outturn.lot for outturn in record.outturns if outturn.lot is not None}


def _computes_as(material: Material) -> tuple[object, ...]:
    """What sums over a material rest on."""
    return (material.formula, material.stated_molar_mass, material.density, dict(material.contents), material.analyte)
