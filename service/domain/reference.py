"""Which other records a record names, and where in it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from service.domain.finding_reply import FindingReply
from service.domain.lot import Lot, Pool
from service.domain.material import Material
from service.domain.offer import Offer
from service.domain.purchase import Purchase
from service.domain.route import Route, Step
from service.domain.run import Run
from service.domain.stock_entry import StockEntry
from service.domain.workshop import Workshop


@dataclass(frozen=True, slots=True)
class Reference:
    """One record named: its ``kind`` and ``code``, and the JSON Pointer of the place that names it."""

    kind: str
    code: str
    pointer: str


def references(kind: str, record: object) -> tuple[Reference, ...]:
    """Return every other record that ``record``, of that ``kind``, names and cannot be without, in the order written.

    A lot that a run, a pool or a purchase makes is no reference of it, nor is a record one of its own; neither are the
    substances of ``contents``, which need no record. Kinds that name nothing return nothing.

    >>> from service.domain.quantity import parse_quantity
    >>> lot = Lot("acid-07", "sulfuric-acid", parse_quantity("1 L", ("volume",)), project="pigments")
    >>> [(found.kind, found.code, found.pointer) for found in references("lots", lot)]
    [('materials', 'sulfuric-acid', '/material'), ('projects', 'pigments', '/project')]
    """
    own = (kind, getattr(record, "code", None))
    return tuple(
        Reference(to_kind, code, pointer)
        for to_kind, code, pointer in _named(record)
        if code is not None and (to_kind, code) != own
    )


def materials_of_run(run: Run) -> tuple[str, ...]:
    """Return the materials that a run itself names, in the order written.

    >>> from service.domain.quantity import parse_quantity
    >>> from service.domain.run import Charge
    >>> materials_of_run(Run("r1", "r", "dry", "open", (Charge(parse_quantity("5 g", ("mass",)), material="chalk"),)))
    ('chalk',)
    """
    charged = (charge.material for charge in run.charges if charge.material is not None)
    return (*charged, *(outturn.material for outturn in run.outturns))


def materials_of_step(step: Step) -> tuple[str, ...]:
    """Return every material that a step names, once.

    >>> materials_of_step(Step("dry", "dry", "mass-ratio", key_input="wet-chalk", product="chalk"))
    ('wet-chalk', 'chalk')
    """
    return tuple(dict.fromkeys(code for kind, code, _ in _in_step(step) if kind == "materials" and code is not None))


def _named(record: object) -> Iterator[tuple[str, str | None, str]]:
    found: Iterator[tuple[str, str | None, str]] = iter(())
    match record:
        case Material():
            found = iter([("materials", record.analyte, "/analyte")])
        case Offer():
            found = iter([("materials", record.material, "/material"), ("suppliers", record.supplier, "/supplier")])
        case Lot():
            found = iter(
                [
                    ("materials", record.material, "/material"),
                    ("suppliers", record.supplier, "/supplier"),
                    ("projects", record.project, "/project"),
                ]
            )
        case Purchase():
            found = _in_purchase(record)
        case Pool():
            found = _in_pool(record)
        case Route():
            found = _in_route(record)
        case Run():
            found = _in_run(record)
        case StockEntry():
            found = iter(
                [
                    ("lots", record.lot, "/lot"),
                    ("stock-entries", record.reverses, "/reverses"),
                    ("projects", record.project, "/project"),
                ]
            )
        case FindingReply():
            found = iter([(record.kind, record.record, "/record")])
        case Workshop():
            found = (("materials", limit.material, f"/limits/{i}/material") for i, limit in enumerate(record.limits))
    return found


def _in_purchase(purchase: Purchase) -> Iterator[tuple[str, str | None, str]]:
    yield "suppliers", purchase.supplier, "/supplier"
    for i, line in enumerate(purchase.lines):
        yield "offers", line.offer, f"/lines/{i}/offer"
        yield "materials", line.material, f"/lines/{i}/material"
        yield "projects", line.project, f"/lines/{i}/project"


def _in_pool(pool: Pool) -> Iterator[tuple[str, str | None, str]]:
    for i, part in enumerate(pool.parts):
        yield "lots", part.lot, f"/from/{i}/lot"
    yield "projects", pool.project, "/project"


def _in_route(route: Route) -> Iterator[tuple[str, str | None, str]]:
    yield "materials", route.product, "/product"
    for i, step in enumerate(route.steps):
        for kind, code, pointer in _in_step(step):
            yield kind, code, f"/steps/{i}{pointer}"


def _in_step(step: Step) -> Iterator[tuple[str, str | None, str]]:
    yield "materials", step.key_input, "/key_input"
    yield "materials", step.product, "/product"
    yield "materials", step.analyte, "/analyte"
    yield "routes", step.from_route, "/from_route"
    if step.reaction is not None:
        for side in ("reactants", "products"):
            for code in getattr(step.reaction, side):
                yield "materials", code, f"/reaction/{side}/{code}"
    for i, line in enumerate(step.bill):
        yield "materials", line.material, f"/bill/{i}/material"
        yield "routes", line.from_route, f"/bill/{i}/from_route"
    for i, code in enumerate(step.co_products):
        yield "materials", code, f"/co_products/{i}"


def _in_run(run: Run) -> Iterator[tuple[str, str | None, str]]:
    yield "routes", run.route, "/route"
    yield "projects", run.project, "/project"
    for i, charge in enumerate(run.charges):
        yield "lots", charge.lot, f"/charges/{i}/lot"
        yield "materials", charge.material, f"/charges/{i}/material"
    for i, outturn in enumerate(run.outturns):
        yield "materials", outturn.material, f"/outturns/{i}/material"
