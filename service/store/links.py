"""Links: which record names which, kept both ways, so that what rests on a record is found by index."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from sqlalchemy import select

from service.store.rows import chunks, of_workshop, remove, upsert
from service.store.session import Reading, Writing
from service.store.tables import links

Target = tuple[str, str]
"""Kind and code of a record."""


def links_from(reading: Reading, kind: str, code: str) -> set[Target]:
    """What a record names."""
    statement = select(links.c.to_kind, links.c.to_code).where(
        of_workshop(reading, links), links.c.from_kind == kind, links.c.from_code == code
    )
    return {(to_kind, to_code) for to_kind, to_code in reading.connection.execute(statement)}


def links_to(
    reading: Reading, kind: str, codes: Collection[str], *, from_kind: str | None = None, limit: int | None = None
) -> list[Target]:
    """What names records of a kind: all, or those of ``from_kind``, at most ``limit``, by kind and code."""
    found: set[Target] = set()
    for chunk in chunks(codes):
        statement = select(links.c.from_kind, links.c.from_code).distinct()
        statement = statement.where(
            of_workshop(reading, links), links.c.to_kind == kind, links.c.to_code.in_(chunk or [])
        )
        if from_kind is not None:
            statement = statement.where(links.c.from_kind == from_kind)
        statement = statement.order_by(links.c.from_kind, links.c.from_code).limit(limit)
        found |= {(of_kind, code) for of_kind, code in reading.connection.execute(statement)}
    return sorted(found)[:limit]


def put_links(writing: Writing, kind: str, code: str, before: Collection[Target], after: Iterable[Target]) -> None:
    """Turn what a record named ``before`` into what it names ``after``; a link that stays keeps its state."""
    wanted = set(after)
    gone, new = set(before) - wanted, wanted - set(before)
    own = {"from_kind": kind, "from_code": code}
    remove(writing, links, [{**own, "to_kind": to_kind, "to_code": to_code} for to_kind, to_code in sorted(gone)])
    upsert(writing, links, [{**own, "to_kind": to_kind, "to_code": to_code} for to_kind, to_code in sorted(new)])


def names_through(reading: Reading, kind: str, code: str) -> set[str]:
    """The codes of a kind that a record of that kind names, through any number of records of that kind."""
    own = (of_workshop(reading, links), links.c.from_kind == kind, links.c.to_kind == kind)
    below = select(links.c.to_code).where(*own, links.c.from_code == code).cte("below", recursive=True)
    below = below.union(select(links.c.to_code).join(below, links.c.from_code == below.c.to_code).where(*own))
    return set(reading.connection.scalars(select(below.c.to_code)))
