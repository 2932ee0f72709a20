"""What findings are looked for in, each in one question: runs with something in them, charges, lots, replies."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from typing import Any, Final, NamedTuple

from sqlalchemy import ColumnElement, Select, and_, case, func, or_, select

from service.store.rows import chunks, of_workshop
from service.store.session import Reading
from service.store.tables import entries, finding_replies, lots, outcomes, revisions, steps, stock_entries

_NOTHING: Final = '%"findings":[]%'
"""How a detail reads in which nothing was found."""


class RunLine(NamedTuple):
    """Whose a run is, and when it was: ``day`` is that on which it was finished, else begun, as ISO text."""

    run: str
    route: str
    step: str
    day: str | None
    project: str | None
    operator: str | None


class Reply(NamedTuple):
    """A reply to a finding; ``state`` wrote it, when the record was at ``given_at``; it is at ``stands_at`` now.

    Both None for a record without revisions of its own: a lot that a run, a pool or a purchase makes.
    """

    code: str
    finding: str
    kind: str
    record: str
    answer: str
    reason: str
    operator: str | None
    by: str
    at: str
    state: int
    given_at: int | None
    stands_at: int | None


def _run_columns() -> tuple[ColumnElement[Any], ...]:
    o = outcomes.c
    return o.run, o.route, o.step, func.coalesce(o.finished_on, o.started_on), o.project, o.operator


def runs_with_findings(reading: Reading) -> Iterator[tuple[RunLine, list[dict[str, Any]]]]:
    """The runs whose outcome found something, by code, each with that."""
    statement = (
        select(*_run_columns(), outcomes.c.detail)
        .where(of_workshop(reading, outcomes), outcomes.c.detail.not_like(_NOTHING))
        .order_by(outcomes.c.run)
    )
    for *line, detail in reading.connection.execute(statement):
        yield RunLine(*line), json.loads(detail)["findings"]


def run_lines(reading: Reading, runs: Collection[str]) -> dict[str, RunLine]:
    """Whose some runs are, by code."""
    found: dict[str, RunLine] = {}
    for chunk in chunks(runs):
        statement = select(*_run_columns()).where(of_workshop(reading, outcomes), outcomes.c.run.in_(chunk or []))
        found |= {row[0]: RunLine(*row) for row in reading.connection.execute(statement)}
    return found


def runs_without_end(reading: Reading) -> set[str]:
    """The finished runs that state no day on which they were."""
    o = outcomes.c
    statement = select(o.run).where(of_workshop(reading, outcomes), o.status == "finished", o.finished_on.is_(None))
    return set(reading.connection.scalars(statement))


def unlinked_charges(reading: Reading) -> list[tuple[str, int, str]]:
    """Run, place and material of each charge without a lot of a material that some step of the workshop makes."""
    e = entries.c
    made = select(steps.c.product).where(of_workshop(reading, steps))
    statement = select(e.source_code, e.line, e.material).where(
        of_workshop(reading, entries),
        e.source_kind == "runs",
        e.kind == "charge",
        e.lot.is_(None),
        e.material.in_(made),
    )
    return [(run, line, material) for run, line, material in reading.connection.execute(
        statement.order_by(e.source_code, e.line)
    )]  # fmt: skip


def credited_runs(reading: Reading) -> list[str]:
    """The runs of which an outturn carries a credit."""
    e = entries.c
    statement = select(e.source_code).distinct().where(of_workshop(reading, entries), e.credit_micro.is_not(None))
    return list(reading.connection.scalars(statement.order_by(e.source_code)))


def priced_charges(reading: Reading) -> list[tuple[str, str, str | None, float, str]]:
    """Material, run, day, money per unit of the ledger and currency of each charge that states a price, in time."""
    e = entries.c
    statement = select(e.material, e.source_code, e.on, e.price_micro, e.quantity, e.currency).where(
        of_workshop(reading, entries), e.source_kind == "runs", e.kind == "charge", e.price_micro.is_not(None)
    )
    rows = reading.connection.execute(statement.order_by(e.material, func.coalesce(e.on, ""), e.source_code, e.line))
    return [
        (material, run, on, price / -quantity, currency)
        for material, run, on, price, quantity, currency in rows
        if quantity
    ]


def lots_that_limit(reading: Reading) -> list[tuple[str, str, str, RunLine]]:
    """Lot, its material and strength, and a run of a stoichiometric or content step whose yield rests on it.

    The lot is one of the step's key input, or of what limited the run; by lot, a lot's runs in time.
    """
    e, o, s, lot = entries.c, outcomes.c, steps.c, lots.c
    day = func.coalesce(o.finished_on, o.started_on)
    statement = (
        select(e.lot, lot.material, lot.strength, *_run_columns())
        .distinct()
        .join_from(entries, lots, and_(lot.workshop == e.workshop, lot.code == e.lot))
        .join(outcomes, and_(o.workshop == e.workshop, o.run == e.source_code))
        .join(steps, and_(s.workshop == o.workshop, s.route == o.route, s.code == o.step))
        .where(
            of_workshop(reading, entries),
            e.source_kind == "runs",
            e.kind == "charge",
            or_(
                and_(o.basis == "stoichiometric", lot.strength.not_like('%"assay":%'),
                     lot.strength.not_like('%"molarity":%'), lot.strength.not_like('%"mass_concentration":%')),
                and_(o.basis == "content", lot.strength.not_like('%"contents":%')),
            ),
            or_(lot.material == s.key_input, lot.material == o.limiting_reagent),
        )
        .order_by(e.lot, day, o.run)
    )  # fmt: skip
    return [
        (code, material, strength, RunLine(*line))
        for code, material, strength, *line in reading.connection.execute(statement)
    ]


class StatedLot(NamedTuple):
    """A lot that was bought or stood on the shelf, as it stands."""

    code: str
    material: str
    strength_text: str
    received_on: str | None
    project: str | None


def stated_lots(reading: Reading) -> list[StatedLot]:
    """The lots that no run and no pool makes, by material and code."""
    c = lots.c
    statement = select(c.code, c.material, c.strength, c.received_on, c.project).where(
        of_workshop(reading, lots), c.source_kind.in_(("lots", "purchases"))
    )
    return [StatedLot(*row) for row in reading.connection.execute(statement.order_by(c.material, c.code))]


def lots_given_up(reading: Reading) -> list[str]:
    """The lots of which something was disposed of or written off."""
    e = entries.c
    statement = select(e.lot).distinct().where(of_workshop(reading, entries), e.kind.in_(("disposal", "write-off")))
    return list(reading.connection.scalars(statement.order_by(e.lot)))


class CountedLot(NamedTuple):
    """A recount that stands: of what, on which day as ISO text, and its code."""

    lot: str
    on: str
    code: str


def counted_again(reading: Reading) -> list[CountedLot]:
    """The recounts that stand of lots that were counted more than once on that day, by lot, day and code."""
    s, back = stock_entries.c, stock_entries.alias("back").c
    taken_back = select(back.code).where(back.workshop == s.workshop, back.reverses == s.code).exists()
    own = (of_workshop(reading, stock_entries), s.kind == "recount", s.reverses.is_(None), ~taken_back)
    often = select(s.lot, s.on).where(*own).group_by(s.lot, s.on).having(func.count() > 1).subquery()
    again = stock_entries.join(often, and_(often.c.lot == s.lot, often.c.on == s.on))
    statement = select(s.lot, s.on, s.code).select_from(again).where(*own).order_by(s.lot, s.on, s.code)
    return [CountedLot(*row) for row in reading.connection.execute(statement)]


def strengths_of(reading: Reading, materials: Collection[str]) -> dict[str, list[str]]:
    """The different strengths, as text, that the lots of some materials state, by material."""
    found: dict[str, list[str]] = {}
    for chunk in chunks(materials):
        statement = select(lots.c.material, lots.c.strength).distinct()
        statement = statement.where(of_workshop(reading, lots), lots.c.material.in_(chunk or []))
        for material, strength in reading.connection.execute(statement.order_by(lots.c.material, lots.c.strength)):
            found.setdefault(material, []).append(strength)
    return found


def replies(reading: Reading, kind: str | None = None, records: Collection[str] | None = None) -> list[Reply]:
    """The replies to findings on some records of a kind, or on all of every kind, the newest first."""
    found: list[Reply] = []
    for chunk in chunks(records):
        statement = _replies(reading)
        if kind is not None:
            statement = statement.where(finding_replies.c.kind == kind)
        if chunk is not None:
            statement = statement.where(finding_replies.c.record.in_(chunk))
        found += [Reply(*row) for row in reading.connection.execute(statement)]
    return sorted(found, key=lambda reply: (reply.state, reply.code), reverse=True)


def reply_revisions(reading: Reading, codes: Collection[str]) -> dict[str, Reply]:
    """The replies of some codes."""
    found: dict[str, Reply] = {}
    for chunk in chunks(codes):
        statement = _replies(reading).where(finding_replies.c.code.in_(chunk or []))
        found |= {row[0]: Reply(*row) for row in reading.connection.execute(statement)}
    return found


def _replies(reading: Reading) -> Select[Any]:
    r = finding_replies.c
    own, of = revisions.alias("own"), revisions.alias("of")
    its = and_(
        own.c.workshop == r.workshop, own.c.kind == "finding-replies", own.c.code == r.code,
        own.c.revision == r.revision,
    )  # fmt: skip
    about = and_(of.c.workshop == r.workshop, of.c.kind == r.kind, of.c.code == r.record)
    columns = (r.code, r.finding, r.kind, r.record, r.answer, r.reason, r.operator, own.c.by, own.c.at, r.state)
    return (
        select(*columns, func.max(case((of.c.state <= r.state, of.c.revision))), func.max(of.c.revision))
        .join_from(finding_replies, own, its)
        .outerjoin(of, about)
        .where(of_workshop(reading, finding_replies))
        .group_by(*columns)
    )
