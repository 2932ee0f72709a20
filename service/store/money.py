"""The book currency, from which day on each other currency has a rate to it, and who is paid in one."""

from __future__ import annotations

from sqlalchemy import exists, func, or_, select

from service.store.rows import of_workshop
from service.store.session import Reading
from service.store.tables import KINDS, entries, revisions, workshops


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
