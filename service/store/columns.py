"""Outcomes by column: what statistics count, read as arrays, whole or only what is newer than a state."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
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

STEP: Final = ("route", "step", "pooled_as", "basis")
CODED: Final = ("status", "operator", "project", "key_lot", "tags")
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
_NAMES: Final = ("run", *STEP, *CODED, *_DAYS, "excluded", *_NUMBERS)
_COLUMNS: Final = [outcomes.c[_NUMBERS.get(name, name)] for name in _NAMES]
_ROWS_A_PART: Final = 16_384
"""Rows that are held as the driver gives them before they become arrays: all at once they would take ten times more."""


@dataclass(frozen=True, slots=True, eq=False)
class Coded:
    """A column in which many lines say the same: a number a line, and the words that the numbers stand for.

    A word is None where nothing was written; no two words are equal.
    """

    numbers: npt.NDArray[np.int32]
    words: tuple[Any, ...]

    def at(self, places: npt.NDArray[Any]) -> Coded:
        """Return the column at some places, or where a flag says so."""
        return Coded(self.numbers[places], self.words)

    def texts(self) -> Texts:
        """Return the words, line by line."""
        return _texts(self.words)[self.numbers]

    def count(self, word: Any) -> int:
        """Return how many lines hold a word."""
        return int(np.count_nonzero(self.numbers == self.words.index(word))) if word in self.words else 0

    def used(self) -> set[Any]:
        """Return the words that stand in some line."""
        occurs = np.zeros(len(self.words), dtype=np.bool_)
        occurs[self.numbers] = True
        return {self.words[number] for number in np.flatnonzero(occurs).tolist()}


@dataclass(frozen=True, slots=True, eq=False)
class OutcomeRows:
    """Outcomes of runs by column, one row a run, by run code, at one ``state`` of the workshop.

    ``step`` holds routes, steps, ways of pooling and bases together; ``coded`` the other texts by name, the tags of a
    run in order with a new line between. Days are ordinals, :data:`NO_DAY` where none was; masses are in g, ``yields``
    fractions with their standard uncertainty ``yield_u``, NaN where unknown. ``removed`` names the runs that are no
    longer there.
    """

    state: int
    removed: tuple[str, ...]
    run: Texts
    step: Coded
    coded: dict[str, Coded]
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
    statement = select(*_COLUMNS).where(of_workshop(reading, outcomes))
    removed: set[str] = set()
    if since_state > 0:
        # In the order of their states, which are indexed: asked for by code, all rows would be gone through.
        statement = statement.where(outcomes.c.state > since_state).order_by(outcomes.c.state)
        removed = _removed(reading, since_state)
    else:
        statement = statement.order_by(outcomes.c.run)
    # Plain tuples straight from the driver: nothing in them needs to be converted, and there may be many.
    cursor: Any = reading.connection.execute(statement).cursor
    parts = _Parts()
    while rows := cursor.fetchmany(_ROWS_A_PART):
        parts.add(rows)
    cursor.close()
    return parts.joined(reading.state, removed, in_order=since_state == 0)


class _Parts:
    """Rows as they come, turned into arrays part by part; a text that was seen before is kept once."""

    def __init__(self) -> None:
        self._numbers: dict[str, dict[Any, int]] = {name: {} for name in ("step", *CODED, *_DAYS)}
        self._parts: dict[str, list[npt.NDArray[Any]]] = {
            name: [] for name in ("run", "step", *CODED, *_DAYS, "excluded", *_NUMBERS)
        }

    def add(self, rows: Sequence[tuple[Any, ...]]) -> None:
        """Take in rows of the columns that are asked for."""
        column = dict(zip(_NAMES, zip(*rows, strict=True), strict=True))
        self._parts["run"].append(_texts(column["run"]))
        self._code("step", zip(*(column[name] for name in STEP), strict=True), len(rows))
        for name in (*CODED, *_DAYS):
            self._code(name, column[name], len(rows))
        self._parts["excluded"].append(np.array(column["excluded"], dtype=np.bool_))
        for name in _NUMBERS:
            self._parts[name].append(np.array(column[name], dtype=np.float64))

    def _code(self, name: str, values: Iterable[Any], count: int) -> None:
        numbers = self._numbers[name]
        add = numbers.setdefault
        self._parts[name].append(np.fromiter((add(value, len(numbers)) for value in values), np.int32, count))

    def joined(self, state: int, removed: set[str], *, in_order: bool) -> OutcomeRows:
        """Return all rows, by run code."""
        found = {name: _joined(name, parts) for name, parts in self._parts.items()}
        if not in_order:
            order = np.argsort(found["run"], kind="stable")
            found = {name: values[order] for name, values in found.items()}
        coded = {name: Coded(found.pop(name), tuple(self._numbers[name])) for name in CODED}
        for name in _DAYS:
            ordinals = [
                NO_DAY if day is None else dt.date.fromisoformat(day).toordinal() for day in self._numbers[name]
            ]
            found[name] = np.array(ordinals, dtype=np.int32)[found[name]] if ordinals else found[name]
        step = Coded(found.pop("step"), tuple(self._numbers["step"]))
        gone = tuple(sorted(removed.difference(found["run"])))
        return OutcomeRows(state=state, removed=gone, step=step, coded=coded, **found)


def _joined(name: str, parts: list[npt.NDArray[Any]]) -> npt.NDArray[Any]:
    if parts:
        return np.concatenate(parts)
    empty = {"run": np.object_, "excluded": np.bool_, **dict.fromkeys(_NUMBERS, np.float64)}
    return np.empty(0, dtype=empty.get(name, np.int32))


def _removed(reading: Reading, since_state: int) -> set[str]:
    statement = select(revisions.c.code).where(
        of_workshop(reading, revisions),
        revisions.c.kind == "runs",
        revisions.c.state > since_state,
        revisions.c.body.is_(None),
    )
    return set(reading.connection.scalars(statement))


def _texts(values: Sequence[str | None]) -> Texts:
    found = np.empty(len(values), dtype=object)
    found[:] = values
    return found
