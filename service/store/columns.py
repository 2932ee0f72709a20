"""Outcomes by column: what statistics count, read as arrays, whole or only what is newer than a state."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from sqlalchemy import select

from service.store.rows import of_workshop
from service.store.session import Reading
from service.store.tables import outcomes, revisions

Texts = npt.NDArray[np.object_]
Numbers = npt.NDArray[np.float64]
Days = npt.NDArray[np.int32]

NO_DAY: Final = 0
"""In a column of days, which are proleptic Gregorian ordinals: no day was written."""

_TEXTS: Final = ("run", "route", "step", "pooled_as", "basis", "status", "operator", "project", "key_lot", "tags")
_DAYS: Final = ("started_on", "finished_on")
_NUMBERS: Final = {
    "batch_g": "batch_g",
    "key_contained_g": "key_contained_g",
    "theoretical_g": "theoretical_g",
    "net_g": "net_g",
    "dry_g": "dry_g",
    "contained_g": "contained_g",
    "yields": "yield_fraction",
    "yield_u": "yield_u",
}
_NAMES: Final = (*_TEXTS, *_DAYS, "excluded", *_NUMBERS)
_COLUMNS: Final = [outcomes.c[_NUMBERS.get(name, name)] for name in _NAMES]


@dataclass(frozen=True, slots=True, eq=False)
class OutcomeRows:
    """Outcomes of runs by column, one row a run, at one ``state`` of the workshop.

    Texts are objects, None where nothing was written, the tags of a run in order with a new line between. Days are
    ordinals, :data:`NO_DAY` where none was; masses are in g, ``yields`` fractions with their standard uncertainty
    ``yield_u``, NaN where unknown. ``removed`` names the runs that are no longer there.
    """

    state: int
    removed: tuple[str, ...]
    run: Texts
    route: Texts
    step: Texts
    pooled_as: Texts
    basis: Texts
    status: Texts
    operator: Texts
    project: Texts
    key_lot: Texts
    tags: Texts
    started_on: Days
    finished_on: Days
    excluded: npt.NDArray[np.bool_]
    batch_g: Numbers
    key_contained_g: Numbers
    theoretical_g: Numbers
    net_g: Numbers
    dry_g: Numbers
    contained_g: Numbers
    yields: Numbers
    yield_u: Numbers

    def __len__(self) -> int:
        return len(self.run)


def read_columns(reading: Reading, since_state: int = 0) -> OutcomeRows:
    """Return the outcomes that moved after ``since_state``, by run code, and which runs were removed since."""
    statement = select(*_COLUMNS).where(of_workshop(reading, outcomes)).order_by(outcomes.c.run)
    removed: set[str] = set()
    if since_state > 0:
        statement = statement.where(outcomes.c.state > since_state)
        removed = _removed(reading, since_state)
    # Plain tuples straight from the driver: nothing in them needs to be converted, and there may be many.
    cursor: Any = reading.connection.execute(statement).cursor
    rows: list[tuple[Any, ...]] = cursor.fetchall()
    cursor.close()
    columns: Sequence[Sequence[Any]] = list(zip(*rows, strict=True)) if rows else [()] * len(_NAMES)
    found = {name: _array(name, column) for name, column in zip(_NAMES, columns, strict=True)}
    return OutcomeRows(state=reading.state, removed=tuple(sorted(removed.difference(columns[0]))), **found)


def _removed(reading: Reading, since_state: int) -> set[str]:
    statement = select(revisions.c.code).where(
        of_workshop(reading, revisions),
        revisions.c.kind == "runs",
        revisions.c.state > since_state,
        revisions.c.body.is_(None),
    )
    return set(reading.connection.scalars(statement))


def _array(name: str, column: Sequence[Any]) -> Any:
    if name in _TEXTS:
        array = np.empty(len(column), dtype=object)
        array[:] = column
        return array
    if name in _DAYS:
        ordinals = {text: NO_DAY if text is None else dt.date.fromisoformat(text).toordinal() for text in set(column)}
        return np.fromiter(map(ordinals.__getitem__, column), dtype=np.int32, count=len(column))
    return np.array(column, dtype=np.bool_ if name == "excluded" else np.float64)
