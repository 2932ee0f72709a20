"""The runs of a workshop by column: one line a run, step after step, in the order of time within a step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from service.store.columns import NO_DAY, Coded, OutcomeRows

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Texts = npt.NDArray[np.object_]
Places = npt.NDArray[np.intp]
Numbers = npt.NDArray[np.int32]


class Group(NamedTuple):
    """Runs that are counted together: those of one step of a route, in every revision of it that is pooled alike."""

    route: str
    step: str
    pooled_as: str
    basis: str


NUMBERS: Final = (
    *("yields", "batch_g", "key_contained_g", "theoretical_g", "net_g", "dry_g", "contained_g", "yield_u"),
)


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """One line a run, by group, then day, then run code.

    Those of ``groups[i]`` stand from ``starts[i]`` to ``starts[i + 1]``. ``by_run`` holds the places in the order
    of run codes. NaN stands for an unknown mass inside, and never leaves this room.
    """

    state: int
    groups: tuple[Group, ...]
    starts: npt.NDArray[np.int64]
    by_run: Places
    run: Texts
    group: Numbers
    excluded: Flags
    day: Numbers
    coded: dict[str, Coded]
    batch_g: Floats
    key_contained_g: Floats
    theoretical_g: Floats
    net_g: Floats
    dry_g: Floats
    contained_g: Floats
    yields: Floats
    yield_u: Floats

    @property
    def nbytes(self) -> int:
        """Bytes that the arrays take, without the texts behind them."""
        arrays = [getattr(self, field.name) for field in fields(self)] + [each.numbers for each in self.coded.values()]
        return sum(array.nbytes for array in arrays if isinstance(array, np.ndarray))

    def of_runs(self, codes: Sequence[str]) -> Places:
        """Return the places of some runs that there are, in the order of ``codes``."""
        if not codes:
            return self.by_run[:0]
        return self.by_run[np.searchsorted(self.run, np.array(codes, dtype=object), sorter=self.by_run)]

    def where(self, route: str, step: str) -> Places:
        """Return the places of the runs of a step, in every revision of it."""
        return self._of([group.route == route and group.step == step for group in self.groups])

    def projects_of(self, route: str) -> set[str]:
        """Return the projects that the runs of a route were booked on."""
        places = self._of([group.route == route for group in self.groups])
        return self.coded["project"].at(places).used() - {None}

    def pooled(self, places: Places, pooled_as: str) -> Flags:
        """Say of each of some places whether the step of its run is pooled alike."""
        alike = [group.pooled_as == pooled_as for group in self.groups]
        return np.array(alike, dtype=np.bool_)[self.group[places]]

    def is_word(self, name: str, word: str, places: Places | None = None) -> Flags:
        """Say of each run, or of each of some places, whether the coded column ``name`` of it holds a word."""
        column = self.coded[name]
        numbers = column.numbers if places is None else column.numbers[places]
        if word not in column.words:
            return np.zeros(len(numbers), dtype=np.bool_)
        found: Flags = numbers == column.words.index(word)
        return found

    def _of(self, own: Sequence[bool]) -> Places:
        parts = [
            np.arange(self.starts[number], self.starts[number + 1], dtype=np.intp)
            for number, is_own in enumerate(own)
            if is_own
        ]
        return np.concatenate(parts) if parts else np.zeros(0, dtype=np.intp)


def merged(held: Columns | None, rows: OutcomeRows, state: int) -> Columns:
    """Return ``held`` with the newer rows in place of the old ones, and without the runs that were removed.

    ``rows`` are by run code.
    """
    groups: dict[Group, int] = {} if held is None else {group: number for number, group in enumerate(held.groups)}
    renumbered = [groups.setdefault(Group(*word), len(groups)) for word in rows.step.words]
    plain: dict[str, Any] = {name: getattr(rows, name) for name in ("run", "excluded", *NUMBERS)}
    plain["group"] = np.array(renumbered, dtype=np.int32)[rows.step.numbers]
    day = np.where(rows.finished_on == NO_DAY, rows.started_on, rows.finished_on)
    plain["day"] = day.astype(np.int32)
    coded = rows.coded
    if held is None:
        # Stable: of one group and day the rows stay by run code.
        order = np.argsort(plain["group"] * np.int64(2**32) + plain["day"], kind="stable")
        by_run = _inverse(order)
        plain = {name: values[order] for name, values in plain.items()}
        coded = {name: column.at(order) for name, column in coded.items()}
    else:
        plain, coded, by_run = _taken_in(held, rows, plain, coded)
    for values in (*plain.values(), by_run, *(column.numbers for column in coded.values())):
        values.setflags(write=False)
    starts = np.searchsorted(plain["group"], np.arange(len(groups) + 1)).astype(np.int64)
    return Columns(state=state, groups=tuple(groups), starts=starts, by_run=by_run, coded=coded, **plain)


def _taken_in(
    held: Columns, rows: OutcomeRows, plain: dict[str, Any], coded: dict[str, Coded]
) -> tuple[dict[str, Any], dict[str, Coded], Places]:
    """Take a few rows into the columns that are held; nothing that is held is sorted again."""
    gone = np.array(sorted({*rows.run, *rows.removed}), dtype=object)
    at = np.searchsorted(held.run, gone, sorter=held.by_run)
    known = at < len(held.run)
    known[known] = held.run[held.by_run[at[known]]] == gone[known]
    stays = np.ones(len(held.run), dtype=np.bool_)
    stays[held.by_run[at[known]]] = False
    order = np.lexsort((plain["run"], plain["day"], plain["group"]))
    new = {name: values[order] for name, values in plain.items()}
    old = {name: getattr(held, name)[stays] for name in plain}
    # Of one group and day the codes decide; between equal keys there are few.
    key = old["group"] * np.int64(2**32) + old["day"]
    into = []
    for group, day, run in zip(new["group"].tolist(), new["day"].tolist(), new["run"].tolist(), strict=True):
        wanted = group * 2**32 + day
        low, high = np.searchsorted(key, wanted), np.searchsorted(key, wanted, side="right")
        into.append(low + int(np.searchsorted(old["run"][low:high], run)))
    places = np.array(into, dtype=np.intp)
    found = {name: np.insert(old[name], places, new[name]) for name in plain}
    columns = {}
    for name, column in coded.items():
        before = held.coded[name]
        number = {word: place for place, word in enumerate(before.words)}
        moved = np.array([number.setdefault(word, len(number)) for word in column.words], dtype=np.int32)
        numbers = np.insert(before.numbers[stays], places, moved[column.numbers][order])
        columns[name] = Coded(numbers, tuple(number))
    # Where each line went: the old ones by how many were taken in before them, the new ones one after another.
    old_places = np.arange(len(key)) + np.searchsorted(places, np.arange(len(key)), side="right")
    by_code = (np.cumsum(stays) - 1)[held.by_run[stays[held.by_run]]]
    in_codes = np.argsort(new["run"])
    among = np.searchsorted(old["run"], new["run"][in_codes], sorter=by_code)
    by_run = np.insert(old_places[by_code], among, (places + np.arange(len(places)))[in_codes])
    return found, columns, by_run


def _inverse(order: Places) -> Places:
    found = np.empty_like(order)
    found[order] = np.arange(len(order))
    return found
