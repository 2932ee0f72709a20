"""What the other records of the workshop have to say about a record before it is written."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from typing import Any, Final

from service.domain.graph import route_faults
from service.domain.lot import Pool
from service.domain.purchase import Purchase
from service.domain.reference import Reference, references
from service.domain.route import Route
from service.domain.run import Run
from service.domain.stock_entry import StockEntry
from service.errors import Conflict, Fault, InvalidInput
from service.record.bench import Bench
from service.record.derive import altered_steps, made_lots, route_revision_for
from service.record.ledger_checks import ledger_faults
from service.record.purchasing import purchase_faults
from service.record.stock import entry_faults
from service.schemas.kinds import singular
from service.store import links, shelf, standing

MOST_SUGGESTED: Final = 5
MOST_CODES_SEARCHED: Final = 2000
MOST_REFERRERS: Final = 20


def check(bench: Bench, kind: str, record: Any, before: Any, change: str | None) -> None:
    """Check a record against the others.

    ``before`` is the record as it stands, None where there is none; ``change`` what the body of a route says about
    altered steps. Raises :class:`InvalidInput` with every fault found, :class:`Conflict` where the record cannot be
    written so while others refer to it.
    """
    if isinstance(record, Run):
        bench.look_up_for_run(record)
    faults = [*_unknown_references(bench, kind, record)]
    if faults:
        raise InvalidInput(faults)
    if isinstance(record, Run):
        faults += [*_run_faults(bench, record, before)]
    elif isinstance(record, Pool):
        faults += [*_pool_faults(bench, record)]
    elif isinstance(record, Route):
        faults += [*_route_faults(bench, record, before, change)]
    elif isinstance(record, Purchase):
        faults += [*_purchase_faults(bench, record, before)]
    elif isinstance(record, StockEntry):
        faults += [*entry_faults(bench, record)]
    faults = [*faults, *ledger_faults(bench, kind, record, before)]
    if faults:
        raise InvalidInput(faults)
    if isinstance(record, Run | Pool | Purchase) and before is not None:
        refuse_if_referred_to(bench, "lots", made_lots(before) - made_lots(record), "is no longer made, but")


def check_written_here(bench: Bench, code: str) -> None:
    """Refuse to write or remove a lot by itself that a run, a pool or a purchase makes."""
    stored = bench.lots([code]).get(code)
    if stored is not None and stored.lot.source_kind != "lots":
        source, of_kind = stored.lot.source_code, singular(stored.lot.source_kind)
        raise Conflict(
            f"lot {code} comes by {of_kind} {source}: write it through that",
            code="written-through",
            extra={"written_through": {"kind": stored.lot.source_kind, "code": source}},
        )


def refuse_if_referred_to(bench: Bench, kind: str, codes: Iterable[str], what: str) -> None:
    """Refuse where another record names one of ``codes``; ``what`` says in the sentence what is to happen to it."""
    for code in sorted(codes):
        found = links.links_to(bench.writing, kind, [code], limit=MOST_REFERRERS + 1)
        others = [{"kind": of_kind, "code": other} for of_kind, other in found if (of_kind, other) != (kind, code)]
        if others:
            named = ", ".join(f"{singular(each['kind'])} {each['code']}" for each in others[:3])
            more = " and others" if len(others) > 3 else ""
            raise Conflict(
                f"{singular(kind)} {code} {what} {named}{more} refers to it",
                code="referred-to",
                extra={"referred_to_by": others[:MOST_REFERRERS]},
            )


def _unknown_references(bench: Bench, kind: str, record: Any) -> Iterator[Fault]:
    named: dict[str, list[Reference]] = {}
    for reference in references(kind, record):
        named.setdefault(reference.kind, []).append(reference)
    for of_kind, several in named.items():
        codes = {reference.code for reference in several}
        missing = codes - bench.known(of_kind, codes)
        near = _nearest(bench, of_kind, sorted(missing)[:MOST_SUGGESTED]) if missing else {}
        for reference in several:
            if reference.code in missing:
                meant = near.get(reference.code)
                one = singular(of_kind)
                yield Fault(
                    "unknown-reference",
                    f"there is no {one} {reference.code!r}" + (f": did you mean {meant!r}?" if meant else ""),
                    reference.code,
                    f"the code of a {one} that is recorded" + (f", such as {meant!r}" if meant else ""),
                    reference.pointer,
                )


def _nearest(bench: Bench, kind: str, missing: list[str]) -> dict[str, str]:
    """The code that each missing one was probably meant to be, among the first couple of thousand."""
    known = standing.some_codes(bench.writing, kind, MOST_CODES_SEARCHED)
    return {code: near[0] for code in missing if (near := difflib.get_close_matches(code, known, n=1))}


def _run_faults(bench: Bench, run: Run, before: Run | None) -> Iterator[Fault]:
    revision = route_revision_for(bench, run, before)
    (route,) = bench.routes([(run.route, revision)]).values()
    if route.step(run.step) is None:
        steps = [step.code for step in route.steps]
        near = difflib.get_close_matches(run.step, steps, n=1)
        yield Fault(
            "unknown-reference",
            f"route {run.route} has no step {run.step!r}" + (f": did you mean {near[0]!r}?" if near else ""),
            run.step,
            f"one of {', '.join(steps)}",
            "/step",
        )
    lots = bench.lots([charge.lot for charge in run.charges if charge.lot is not None])
    for i, charge in enumerate(run.charges):
        if charge.lot is None or charge.material is None:
            continue
        of_lot = lots[charge.lot].lot.material
        if of_lot != charge.material:
            yield Fault(
                "another-material",
                f"lot {charge.lot} is of {of_lot}, not of {charge.material}: leave the material out, or take another",
                charge.material,
                of_lot,
                f"/charges/{i}/material",
            )
    places = {outturn.lot: f"/outturns/{i}/lot" for i, outturn in enumerate(run.outturns) if outturn.lot is not None}
    taken = {charge.lot for charge in run.charges if charge.lot is not None}
    yield from _lot_faults(bench, "runs", run.code, places, taken, before)


def _purchase_faults(bench: Bench, purchase: Purchase, before: Purchase | None) -> Iterator[Fault]:
    yield from purchase_faults(bench, purchase)
    places = {line.lot: f"/lines/{i}/lot" for i, line in enumerate(purchase.lines)}
    yield from _lot_faults(bench, "purchases", purchase.code, places, set(), before)


def _pool_faults(bench: Bench, pool: Pool) -> Iterator[Fault]:
    lots = bench.lots([part.lot for part in pool.parts])
    of_first = lots[pool.parts[0].lot].lot.material
    for i, part in enumerate(pool.parts):
        of_part = lots[part.lot].lot.material
        if of_part != of_first:
            yield Fault(
                "another-material",
                f"lot {part.lot} is of {of_part}, the others of {of_first}: a pool unites lots of one material",
                part.lot,
                f"a lot of {of_first}",
                f"/from/{i}/lot",
            )
    yield from _lot_faults(bench, "pools", pool.code, {pool.lot: "/lot"}, {part.lot for part in pool.parts}, pool)


def _lot_faults(
    bench: Bench, kind: str, code: str, made: dict[str, str], taken: set[str], before: Run | Pool | Purchase | None
) -> Iterator[Fault]:
    """What is wrong with the lots ``made`` (lot to pointer): there through another record, or made from themselves."""
    standing_lots = bench.lots(made)
    for lot, pointer in made.items():
        if lot in taken:
            yield _own_ancestor(lot, pointer)
        found = standing_lots.get(lot)
        if found is not None and (found.lot.source_kind, found.lot.source_code) != (kind, code):
            source = f"{singular(found.lot.source_kind)} {found.lot.source_code}"
            detail = f"lot {lot} is there already, written through {source}: what comes out is a new lot"
            yield Fault("lot-exists", detail, lot, "a code that no lot has", pointer)
    if before is not None and standing_lots and taken:
        below = shelf.descendants(bench.writing, standing_lots)
        for lot in sorted(below & taken):
            yield _own_ancestor(lot, next(iter(made.values())))


def _own_ancestor(lot: str, pointer: str) -> Fault:
    detail = f"lot {lot} would be made from itself: something of what is made here went into it"
    return Fault("own-ancestor", detail, lot, "lots that were not made from this one", pointer)


def _route_faults(bench: Bench, route: Route, before: Route | None, change: str | None) -> Iterator[Fault]:
    materials = bench.materials(found.code for found in references("routes", route) if found.kind == "materials")
    yield from route_faults(route, materials)
    for reference in references("routes", route):
        if reference.kind == "routes" and route.code in links.names_through(bench.writing, "routes", reference.code):
            detail = f"route {reference.code} itself takes from {route.code}: each would wait for the other"
            yield Fault("circle", detail, reference.code, "a route that does not take from this one", reference.pointer)
    altered = set() if before is None else altered_steps(before, route)
    runs = standing.count_runs(bench.writing, route.code, altered) if altered else 0
    if not runs:
        return
    steps = ", ".join(sorted(altered))
    if change is None:
        yield Fault(
            "change-needed",
            f"steps with runs are altered ({steps}; {runs} runs): say whether that is a revision, and the runs keep "
            "the step that they went by, or a correction, and they are computed again",
            None,
            '"revision" or "correction"',
            "/change",
        )
    gone = sorted(code for code in altered if route.step(code) is None)
    if change == "correction" and gone and standing.count_runs(bench.writing, route.code, gone):
        detail = f"there are runs of {', '.join(gone)}: a step that was run can be left out by a revision only"
        yield Fault("step-has-runs", detail, "correction", '"revision"', "/change")
