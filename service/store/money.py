"""The book currency, from which day on each other currency has a rate to it, and who is paid in one."""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy import and_, exists, func, or_, select

from service.store.rows import of_workshop
from service.store.session import Reading
from service.store.tables import KINDS, entries, revisions, runs, workshops


def book_currency(reading: Reading) -> str:
    """The currency in which the books of the workshop are kept."""
    found = reading.connection.scalar(select(workshops.c.currency).where(workshops.c.id == reading.workshop_id))
    return str(found)


def first_rates(reading: Reading, book: str) -> dict[str, str]:
    """The currencies that have a rate to ``book``, either way round, and the first day of each as ISO text."""
    rates = KINDS["exchange-rates"]
    statement = (
        select(rates.c.base, rates.c.quote, func.min(rates.c.valid_from))
        .where(of_workshop(reading, rates), or_(rates.c.base == book, rates.c.quote == book))
        .group_by(rates.c.base, rates.c.quote)
    )
    found: dict[str, str] = {}
    for base, quote, day in reading.connection.execute(statement):
        other = quote if base == book else base
        found[other] = min(day, found.get(other, day))
    return found


def is_used(reading: Reading, currency: str) -> bool:
    """Say whether a line, an offer, a rate or a step of a route, in whichever revision, has money in a currency."""
    r, offers = revisions.c, KINDS["offers"]
    stated = r.kind.in_(("rates", "routes")), r.body.contains(f'"{currency}"', autoescape=True)
    wanted = or_(
        exists().where(of_workshop(reading, entries), entries.c.currency == currency),
        exists().where(of_workshop(reading, offers), offers.c.currency == currency),
        exists().where(of_workshop(reading, revisions), *stated),
    )
    return bool(reading.connection.scalar(select(wanted)))


def sources_paid_in(reading: Reading, currency: str, since: str, until: str | None, most: int) -> list[tuple[str, str]]:
    """Kind and code of at most ``most`` records with money in a currency on lines of days from ``since`` on.

    Only of days before ``until``; where that is None, of lines without a day too.
    """
    e = entries.c
    when = and_(e.on >= since, e.on < until) if until is not None else or_(e.on.is_(None), e.on >= since)
    statement = select(e.source_kind, e.source_code).distinct()
    statement = statement.where(of_workshop(reading, entries), e.currency == currency, when)
    rows = reading.connection.execute(statement.order_by(e.source_kind, e.source_code).limit(most))
    return [(kind, code) for kind, code in rows]


def undated_runs_paid_in(reading: Reading, currency: str) -> list[str]:
    """The runs without a day that have money in a currency."""
    e = entries.c
    own = (of_workshop(reading, entries), e.currency == currency, e.source_kind == "runs", e.on.is_(None))
    return list(reading.connection.scalars(select(e.source_code).distinct().where(*own).order_by(e.source_code)))


def runs_of_steps(reading: Reading, route: str, steps: Collection[str], since: str, until: str, most: int) -> list[str]:
    """At most ``most`` runs of some steps that began on a day from ``since`` on and before ``until``."""
    day = func.coalesce(runs.c.started_on, runs.c.finished_on)
    own = (of_workshop(reading, runs), runs.c.route == route, runs.c.step.in_(sorted(steps)))
    statement = select(runs.c.code).where(*own, day >= since, day < until).order_by(runs.c.code).limit(most)
    return list(reading.connection.scalars(statement))
