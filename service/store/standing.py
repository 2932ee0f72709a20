"""Records as typed rows: the newest state of each, for constraints and for filters."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

from sqlalchemy import func, select, update

from service.domain.finding_reply import FindingReply
from service.domain.lot import Pool
from service.domain.material import Material
from service.domain.offer import Offer
from service.domain.purchase import Purchase
from service.domain.route import Route
from service.domain.run import Run
from service.domain.stock_entry import StockEntry
from service.domain.supplier import Supplier
from service.domain.workshop import ExchangeRate, Project, Rate, Workshop
from service.store.rows import chunks, of_workshop, remove, upsert
from service.store.session import Reading, Writing
from service.store.tables import DERIVED, KINDS, runs, steps, workshops
from service.store.types import iso


def put_row(writing: Writing, kind: str, record: Any, revision: int, /, **more: Any) -> None:
    """Write the typed row of a record; ``more`` are columns that its body does not hold. Lots are put on the shelf."""
    if isinstance(record, Workshop):
        statement = update(workshops).where(workshops.c.id == writing.workshop_id)
        writing.connection.execute(statement.values(currency=record.currency))
        return
    row = {"code": record.code, "revision": revision, **_ROWS[kind](record), **more}
    upsert(writing, KINDS[kind], [row])


def remove_row(writing: Writing, kind: str, code: str) -> None:
    """Remove the typed row of a record."""
    remove(writing, KINDS[kind], [{"code": code}])


def put_steps(writing: Writing, route: Route, before: Route | None) -> None:
    """Write the steps of a route; a step that stays as it was keeps its state."""
    old = {} if before is None else {row["code"]: row for row in _steps(before)}
    new = {row["code"]: row for row in _steps(route)}
    remove(writing, steps, [{"route": route.code, "code": code} for code in old if code not in new])
    upsert(writing, steps, [row for code, row in new.items() if old.get(code) != row])


def remove_steps(writing: Writing, route: str) -> None:
    """Remove the steps of a route."""
    remove(writing, steps, [{"route": route}])


def some_codes(reading: Reading, kind: str, limit: int) -> list[str]:
    """At most ``limit`` codes of a kind, in order."""
    table = KINDS[kind]
    statement = select(table.c.code).where(of_workshop(reading, table)).order_by(table.c.code).limit(limit)
    return list(reading.connection.scalars(statement))


def codes_of(reading: Reading, kind: str, codes: Collection[str]) -> set[str]:
    """Those of ``codes`` that a record of a kind has; of lots, whichever record they came through."""
    table, found = KINDS[kind], set[str]()
    for chunk in chunks(codes):
        statement = select(table.c.code).where(of_workshop(reading, table), table.c.code.in_(chunk or []))
        found |= set(reading.connection.scalars(statement))
    return found


def runs_of_route(
    reading: Reading, routes: Collection[str], step_codes: Collection[str] | None = None
) -> dict[str, tuple[str, str, int]]:
    """The runs of some routes, or of some of their steps: code to route, step and the route revision it goes by."""
    found: dict[str, tuple[str, str, int]] = {}
    for chunk in chunks(routes):
        statement = select(runs.c.code, runs.c.route, runs.c.step, runs.c.route_revision).where(
            of_workshop(reading, runs)
        )
        statement = statement.where(runs.c.route.in_(chunk or []))
        if step_codes is not None:
            statement = statement.where(runs.c.step.in_(sorted(step_codes)))
        for code, route, step, revision in reading.connection.execute(statement):
            found[code] = (route, step, revision)
    return found


def route_revisions(reading: Reading, codes: Collection[str]) -> dict[str, int]:
    """The route revisions that runs are computed by."""
    found: dict[str, int] = {}
    for chunk in chunks(codes):
        statement = select(runs.c.code, runs.c.route_revision).where(
            of_workshop(reading, runs), runs.c.code.in_(chunk or [])
        )
        found |= {row.code: row.route_revision for row in reading.connection.execute(statement)}
    return found


def move_runs(writing: Writing, codes: Sequence[str], route_revision: int) -> None:
    """Let runs be computed by another revision of their route."""
    for chunk in chunks(codes):
        statement = update(runs).where(of_workshop(writing, runs), runs.c.code.in_(chunk or []))
        writing.connection.execute(statement.values(route_revision=route_revision, state=writing.state))


def count_runs(reading: Reading, route: str, step_codes: Collection[str]) -> int:
    """How many runs there are of some steps of a route."""
    statement = select(func.count()).select_from(runs).where(of_workshop(reading, runs))
    return int(
        reading.connection.scalar(statement.where(runs.c.route == route, runs.c.step.in_(sorted(step_codes)))) or 0
    )


def clear(writing: Writing) -> None:
    """Throw away everything of the workshop that is derived from its revisions."""
    for table in reversed(DERIVED):
        writing.connection.execute(table.delete().where(of_workshop(writing, table)))


def _project(record: Project) -> dict[str, Any]:
    return {"name": record.name}


def _material(record: Material) -> dict[str, Any]:
    return {
        "name": record.name,
        "formula": None if record.formula is None else record.formula.text,
        "phase": record.phase,
        "cas": record.cas,
        "analyte": record.analyte,
        "solvent": int(record.solvent),
    }


def _supplier(record: Supplier) -> dict[str, Any]:
    return {"name": record.name}


def _exchange_rate(record: ExchangeRate) -> dict[str, Any]:
    return {"base": record.base, "quote": record.quote, "valid_from": iso(record.valid_from)}


def _rate(record: Rate) -> dict[str, Any]:
    return {"of": record.of, "class": record.waste_class, "valid_from": iso(record.valid_from)}


def _offer(record: Offer) -> dict[str, Any]:
    return {
        "material": record.material,
        "supplier": record.supplier,
        "currency": record.price.currency,
        "valid_from": iso(record.valid_from),
        "valid_to": iso(record.valid_to),
        "shelf_life": None if record.shelf_life is None else record.shelf_life.text(),
    }


def _purchase(record: Purchase) -> dict[str, Any]:
    return {
        "supplier": record.supplier,
        "bought_on": iso(record.bought_on),
        "received_on": iso(record.received_on),
    }


def _stock_entry(record: StockEntry) -> dict[str, Any]:
    own = ("lot", "kind", "reverses", "operator", "project")
    return {**{name: getattr(record, name) for name in own}, "on": iso(record.on)}


def _finding_reply(record: FindingReply) -> dict[str, Any]:
    own = ("finding", "kind", "record", "answer", "reason", "operator")
    return {name: getattr(record, name) for name in own}


def _route(record: Route) -> dict[str, Any]:
    return {"name": record.name, "product": record.product}


def _pool(record: Pool) -> dict[str, Any]:
    return {"lot": record.lot, "made_on": iso(record.made_on), "project": record.project}


def _run(record: Run) -> dict[str, Any]:
    return {
        "route": record.route,
        "step": record.step,
        "status": record.status,
        "project": record.project,
        "operator": record.operator,
        "started_on": iso(record.started_on),
        "finished_on": iso(record.finished_on),
        "excluded": int(record.excluded is not None),
    }


_ROWS: Final[Mapping[str, Callable[[Any], dict[str, Any]]]] = MappingProxyType(
    {
        "projects": _project,
        "materials": _material,
        "suppliers": _supplier,
        "exchange-rates": _exchange_rate,
        "rates": _rate,
        "offers": _offer,
        "purchases": _purchase,
        "routes": _route,
        "pools": _pool,
        "runs": _run,
        "stock-entries": _stock_entry,
        "finding-replies": _finding_reply,
    }
)


def _steps(route: Route) -> list[dict[str, Any]]:
    return [
        {
            "route": route.code,
            "code": step.code,
            "position": position,
            "name": step.name,
            "basis": step.basis,
            "key_input": step.key_input,
            "product": step.product,
        }
        for position, step in enumerate(route.steps, start=1)
    ]
