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
    """Take a few rows into the columns that are held; nothing that is held is sorted or compared again."""
    changed = np.array(sorted({*rows.run, *rows.removed}), dtype=object)
    at = np.searchsorted(held.run, changed, sorter=held.by_run)
    known = at < len(held.run)
    known[known] = held.run[held.by_run[at[known]]] == changed[known]
    gone = np.sort(held.by_run[at[known]])
    order = np.lexsort((plain["run"], plain["day"], plain["group"]))
    new = {name: values[order] for name, values in plain.items()}
    into = [
        _place(held, group, day, run)
        for group, day, run in zip(new["group"].tolist(), new["day"].tolist(), new["run"].tolist(), strict=True)
    ]
    splice = _Splice(len(held.run), gone.tolist(), into)
    found = {name: splice.joined(getattr(held, name), values) for name, values in new.items()}
    columns = {}
    for name, column in coded.items():
        before = held.coded[name]
        number = {word: place for place, word in enumerate(before.words)}
        moved = np.array([number.setdefault(word, len(number)) for word in column.words], dtype=np.int32)
        columns[name] = Coded(splice.joined(before.numbers, moved[column.numbers][order]), tuple(number))
    in_codes = np.argsort(new["run"])
    among = np.searchsorted(held.run, new["run"][in_codes], sorter=held.by_run)
    codes = _Splice(len(held.run), np.sort(at[known]).tolist(), among.tolist())
    return found, columns, codes.joined(splice.moved()[held.by_run], splice.came()[in_codes])


def _place(held: Columns, group: int, day: int, run: str) -> int:
    """The place before which a run of a group and day belongs; among those of one day the codes decide."""
    if group + 1 >= len(held.starts):
        return len(held.run)  # of a group that is new
    low, high = int(held.starts[group]), int(held.starts[group + 1])
    days = held.day[low:high]
    first, last = np.searchsorted(days, day), np.searchsorted(days, day, side="right")
    return low + int(first) + int(np.searchsorted(held.run[low + first : low + last], run))


class _Splice:
    """How the lines of an array become those of the next: some go, and some come in before given places."""

    def __init__(self, size: int, gone: Sequence[int], before: Sequence[int]) -> None:
        self._size = size
        self._pieces: list[tuple[int, int]] = []  # of the old lines; between two of them a new one, or none
        self._new: list[int] = []  # how many new lines have come in before each piece
        start = 0
        events = [(place, 0) for place in before] + [(place, 1) for place in gone]
        came = 0
        for place, goes in sorted(events):
            self._pieces.append((start, place))
            self._new.append(came)
            start = place + goes
            came += 1 - goes
        self._pieces.append((start, size))
        self._new.append(came)

    def joined(self, old: npt.NDArray[Any], new: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Return the next array, of the old lines that stay and the new ones."""
        parts = []
        taken = 0
        for (start, end), came in zip(self._pieces, self._new, strict=True):
            parts += [new[taken:came], old[start:end]]
            taken = came
        return np.concatenate(parts)

    def moved(self) -> Places:
        """Return where every old line stands in the next array; of one that goes, anywhere."""
        found = np.zeros(self._size, dtype=np.intp)
        place = 0
        for (start, end), came in zip(self._pieces, self._new, strict=True):
            found[start:end] = np.arange(place + came, place + came + end - start)
            place += end - start
        return found

    def came(self) -> Places:
        """Return where every new line stands in the next array."""
        found: list[int] = []
        place = 0
        for (start, end), came in zip(self._pieces, self._new, strict=True):
            found += range(place + len(found), place + came)
            place += end - start
        return np.array(found, dtype=np.intp)


def _inverse(order: Places) -> Places:
    found = np.empty_like(order)
    found[order] = np.arange(len(order))
    return found
