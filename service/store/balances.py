"""What is left of every lot: the sum of its lines, kept with them and moved by whatever moves them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from sqlalchemy import ColumnElement, Select, and_, bindparam, or_, select

from service.store.prepared import fetched
from service.store.rows import among, code_list, remove, upsert
from service.store.session import Reading, Writing
from service.store.tables import balances as table
from service.store.tables import lots

GIGA: Final = 10**9
"""A sum of lines may be beyond 64 bits: it is kept in two parts, what is whole in 10⁹ and the rest."""


@dataclass(frozen=True, slots=True)
class Balance:
    """What is left of a lot, in ng, nL or nmol: the sum of its lines; ``unknown`` counts those that no sum can hold."""

    dimension: str
    quantity: int
    unknown: int

    def moved(self, quantity: int, unknown: int) -> Balance:
        """Return the balance after lines that come to so much more, so many of them unknown.

        >>> Balance("mass", 5, 1).moved(-7, 0)
        Balance(dimension='mass', quantity=-2, unknown=1)
        """
        return Balance(self.dimension, self.quantity + quantity, self.unknown + unknown)


def whole(giga: Any, rest: Any) -> int:
    """What was kept or summed in two parts; 0 where there was nothing to sum.

    >>> whole(-3, 999_999_999), whole(None, None)
    (-2000000001, 0)
    """
    return int(giga or 0) * GIGA + int(rest or 0)


def balance_of(dimension: str, giga: int, rest: int, unknown: int) -> Balance:
    """A balance from the columns that keep it."""
    return Balance(dimension, whole(giga, rest), unknown)


def balances(reading: Reading, codes: Collection[str] | None = None) -> dict[str, Balance]:
    """What is left of each lot, all or those of ``codes``; below zero where more was taken than put there."""
    values = {"workshop": reading.workshop_id} | ({} if codes is None else {"codes": code_list(reading, codes)})
    return _found(reading, _balances(reading.dialect, "all" if codes is None else "some"), values)


def below_zero(reading: Reading) -> dict[str, Balance]:
    """The balance of each lot of which more was taken than was put there."""
    return _found(reading, _balances(reading.dialect, "below zero"), {"workshop": reading.workshop_id})


def put_balances(writing: Writing, moved: Mapping[str, Balance]) -> None:
    """Keep what is left of lots."""
    upsert(writing, table, [_row(lot, balance) for lot, balance in moved.items()])


def remove_balances(writing: Writing, lots_gone: Iterable[str]) -> None:
    """Forget what is left of lots that are taken off the shelf."""
    remove(writing, table, [{"lot": lot} for lot in sorted(lots_gone)])


def above_zero() -> ColumnElement[bool]:
    """The condition that something is left of a lot."""
    return or_(table.c.giga > 0, and_(table.c.giga == 0, table.c.rest > 0))


def _found(reading: Reading, statement: Select[Any], values: Mapping[str, Any]) -> dict[str, Balance]:
    return {lot: balance_of(*row) for lot, *row in fetched(reading.connection, statement, values)}


def _row(lot: str, balance: Balance) -> dict[str, Any]:
    giga, rest = divmod(balance.quantity, GIGA)
    return {"lot": lot, "giga": giga, "rest": rest, "unknown": balance.unknown}


@cache
def _balances(dialect: str, which: str) -> Select[Any]:
    """The balances: of ``all`` lots, of ``some``, those in the list ``codes``, or those ``below zero``; built once."""
    own = and_(lots.c.workshop == table.c.workshop, lots.c.code == table.c.lot)
    statement = (
        select(table.c.lot, lots.c.dimension, table.c.giga, table.c.rest, table.c.unknown)
        .join_from(table, lots, own)
        .where(table.c.workshop == bindparam("workshop"))
        .order_by(table.c.lot)
    )
    if which == "some":
        return statement.where(among(table.c.lot, "codes", dialect))
    return statement.where(table.c.giga < 0) if which == "below zero" else statement
