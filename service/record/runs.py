"""Runs derived: their outcomes, their lines in the ledger, and what they name, through the step that they went by."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.domain.lot import ShelfLot
from service.domain.outcome import Outcome, outcome_of
from service.domain.reference import materials_of_run, materials_of_step, references
from service.domain.route import Route, Step
from service.domain.run import Run
from service.errors import Conflict, InvalidInput
from service.record.bench import Bench
from service.record.shelving import lines_of_run, lots_of_run, run_as_found
from service.store import links, records, standing
from service.store.entries import Entry, of_sources
from service.store.outcomes import NUMBERS, StoredOutcome, put_outcomes, stored_outcomes
from service.store.types import iso


@dataclass(frozen=True, slots=True)
class RunToDerive:
    """A run and the revision of its route by whose step it is computed.

    ``is_new`` where nothing of it is kept yet; ``is_written`` where its own record is being written, so that what its
    step cannot do without refuses the write.
    """

    run: Run
    route_revision: int
    is_new: bool = False
    is_written: bool = False


def runs_to_derive(bench: Bench, codes: set[str]) -> list[RunToDerive]:
    """The runs of those codes, as they stand."""
    revisions = standing.route_revisions(bench.writing, codes)
    found = []
    for stored in records.many(bench.writing, "runs", codes):
        run = bench.loaded(stored)
        assert isinstance(run, Run)
        found.append(RunToDerive(run, revisions[run.code]))
    return found


def derive_runs(bench: Bench, runs: list[RunToDerive], *, refuse: bool = True) -> list[str]:
    """Work out the outcomes and lines of runs; what comes out equal is not touched. Return whose outcome moved.

    Raises :class:`InvalidInput` for a run that is being written and lacks what its step's basis needs, and
    :class:`Conflict` for a standing run that a change elsewhere would contradict, unless ``refuse`` is False.
    """
    writing = bench.writing
    kept = [todo.run.code for todo in runs if not todo.is_new]
    outcomes = stored_outcomes(writing, kept) if kept else {}
    lines = _by_run(of_sources(writing, "runs", kept)) if kept else {}
    lots = bench.lots(lot for todo in runs for lot in lots_of(todo.run))
    routes = bench.routes({(todo.run.route, todo.route_revision) for todo in runs})
    steps = {todo.run.code: step_of(routes[todo.run.route, todo.route_revision], todo.run) for todo in runs}
    wanted = {stored.lot.material for stored in lots.values()}
    for todo in runs:
        wanted |= set(materials_of_run(todo.run)) | set(materials_of_step(steps[todo.run.code]))
    materials = bench.materials(wanted)
    shelf = {code: stored.lot for code, stored in lots.items()}
    moved, before, after = [], [], []
    for todo in runs:
        run, step = todo.run, steps[todo.run.code]
        if refuse and not todo.is_written:
            _check_lots(run, shelf)
        outcome = outcome_of(run_as_found(run, lots), step, materials, shelf)
        if refuse and todo.is_written and outcome.faults:
            raise InvalidInput(outcome.faults)
        detail = outcome.detail()
        row, known = _row(run, step, outcome, detail), outcomes.get(run.code)
        if known is None or known.row != row:
            moved.append(row)
            if known is not None:
                first, _ = bench.moves.get(run.code, (known.row, row))
                bench.moves[run.code] = first, row
            known = StoredOutcome(run.code, writing.state, row, detail)
        bench.outcomes[run.code] = known
        before += lines.get(run.code, [])
        after += lines_of_run(run, lots, {made.lot.code: made for made in lots_of_run(run)}, materials)
    bench.replace_lines(before, after)
    put_outcomes(writing, moved)
    return [row["run"] for row in moved]


def lots_of(run: Run) -> Iterator[str]:
    """The lots that a run takes from, and those that it makes."""
    yield from (charge.lot for charge in run.charges if charge.lot is not None)
    yield from (outturn.lot for outturn in run.outturns if outturn.lot is not None)


def link_run(bench: Bench, todo: RunToDerive) -> None:
    """Keep what a run names, and every material of the step by which it is computed."""
    (route,) = bench.routes([(todo.run.route, todo.route_revision)]).values()
    named = {(found.kind, found.code) for found in references("runs", todo.run)}
    named |= {("materials", code) for code in materials_of_step(step_of(route, todo.run))}
    before = set() if todo.is_new else links.links_from(bench.writing, "runs", todo.run.code)
    links.put_links(bench.writing, "runs", todo.run.code, before, named)


def step_of(route: Route, run: Run) -> Step:
    """The step that a run executed; that there is one was checked when the run was written."""
    step = route.step(run.step)
    assert step is not None, f"run {run.code}: revision of {route.code} without {run.step}"
    return step


def _check_lots(run: Run, shelf: Mapping[str, ShelfLot]) -> None:
    for charge in run.charges:
        if charge.lot is None or charge.material is None or shelf[charge.lot].material == charge.material:
            continue
        raise Conflict(
            f"run {run.code} charges lot {charge.lot} as {charge.material}: change the run first",
            code="contradicts-run",
            extra={"referred_to_by": [{"kind": "runs", "code": run.code}]},
        )


def _by_run(lines: list[Entry]) -> dict[str, list[Entry]]:
    found: dict[str, list[Entry]] = {}
    for line in lines:
        found.setdefault(line.source_code, []).append(line)
    return found


def _row(run: Run, step: Step, outcome: Outcome, detail: Mapping[str, Any]) -> dict[str, Any]:
    """The outcome as the table keeps it."""
    return {
        "run": run.code,
        "route": run.route,
        "step": run.step,
        "pooled_as": step.pooled_as(),
        "basis": step.basis,
        "status": run.status,
        "excluded": int(run.excluded is not None),
        "started_on": iso(run.started_on),
        "finished_on": iso(run.finished_on),
        "operator": run.operator,
        "project": run.project,
        "key_lot": outcome.key_lot,
        "tags": "\n".join(sorted(set(run.tags))) or None,
        "limiting_reagent": outcome.limiting_reagent,
        **{name: getattr(outcome, name) for name in NUMBERS},
        "detail": json.dumps(detail, ensure_ascii=False, allow_nan=False, separators=(",", ":")),
    }
