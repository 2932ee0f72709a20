"""The columns in memory: one line a run, as of one state of a workshop.

A reader opens one snapshot of the database, reads its state S, fetches the rows newer than the columns that this
process holds and publishes a new immutable set, as of S. What is published never changes, so readers share it without
a lock; it is bounded in bytes, the set that was longest unused going first.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from service.answer.ledger_memory import LedgerMemory
from service.store.columns import NO_DAY, OutcomeRows, read_columns
from service.store.session import Reading

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Texts = npt.NDArray[np.object_]

DEFAULT_BYTES = 512 * 2**20


class Group(NamedTuple):
    """Runs that are counted together: those of one step of a route, in every revision of it that is pooled alike."""

    route: str
    step: str
    pooled_as: str
    basis: str


@dataclass(frozen=True, slots=True)
class Columns:
    """One line a run, sorted by run code. NaN stands for an unknown mass inside, and never leaves this room."""

    state: int
    run: Texts
    group: npt.NDArray[np.int32]
    status: Texts
    excluded: Flags
    day: npt.NDArray[np.int64]
    operator: Texts
    project: Texts
    key_lot: Texts
    batch_g: Floats
    key_contained_g: Floats
    theoretical_g: Floats
    net_g: Floats
    dry_g: Floats
    contained_g: Floats
    yields: Floats
    yield_u: Floats
    groups: tuple[Group, ...] = ()

    @property
    def nbytes(self) -> int:
        """Bytes that the arrays take, without the texts behind them."""
        arrays = (getattr(self, field.name) for field in fields(self))
        return sum(array.nbytes for array in arrays if isinstance(array, np.ndarray))

    def where(self, route: str, step: str, pooled_as: str | None = None) -> npt.NDArray[np.intp]:
        """Return the places of the runs of a step, of one pooling or of every."""
        numbers = [
            number
            for number, group in enumerate(self.groups)
            if group.route == route and group.step == step and pooled_as in (None, group.pooled_as)
        ]
        return np.flatnonzero(np.isin(self.group, numbers))


TEXTS = ("run", "status", "operator", "project", "key_lot")
NUMBERS = (
    "yields",
    "batch_g",
    "key_contained_g",
    "theoretical_g",
    "net_g",
    "dry_g",
    "contained_g",
    "yield_u",
)


class Memory:
    """The columns that this process holds, by workshop; and, apart from them, its traced ledgers."""

    def __init__(self, most_bytes: int = DEFAULT_BYTES) -> None:
        self.ledgers = LedgerMemory()
        self._most_bytes = most_bytes
        self._held: OrderedDict[int, Columns] = OrderedDict()
        self._lock = threading.Lock()

    def columns(self, reading: Reading) -> Columns:
        """Return the columns of a workshop as of the state of ``reading``."""
        with self._lock:
            held = self._held.get(reading.workshop_id)
        if held is not None and held.state > reading.state:
            held = None  # an older snapshot than what is held: read for itself, and not published
        if held is not None and held.state == reading.state:
            found = held
        else:
            found = _merged(held, read_columns(reading, 0 if held is None else held.state), reading.state)
        with self._lock:
            kept = self._held.get(reading.workshop_id)
            if kept is None or kept.state <= found.state:
                self._held[reading.workshop_id] = found
                self._held.move_to_end(reading.workshop_id)
            while len(self._held) > 1 and sum(each.nbytes for each in self._held.values()) > self._most_bytes:
                self._held.popitem(last=False)
        return found


def _merged(held: Columns | None, rows: OutcomeRows, state: int) -> Columns:
    """Return ``held`` with the newer rows in place of the old ones, and without the runs that were removed."""
    numbers: dict[Group, int] = {}
    if held is not None:
        numbers = {key: number for number, key in enumerate(held.groups)}
    keys = [Group(*key) for key in zip(rows.route, rows.step, rows.pooled_as, rows.basis, strict=True)]
    for key in keys:
        numbers.setdefault(key, len(numbers))
    fresh: dict[str, Any] = {name: _texts(getattr(rows, name)) for name in TEXTS}
    fresh |= {name: np.asarray(getattr(rows, name), dtype=np.float64) for name in NUMBERS}
    fresh["group"] = np.array([numbers[key] for key in keys], dtype=np.int32)
    fresh["excluded"] = np.asarray(rows.excluded, dtype=np.bool_)
    fresh["day"] = np.asarray(rows.finished_on, dtype=np.int64)
    started = np.asarray(rows.started_on, dtype=np.int64)
    fresh["day"] = np.where(fresh["day"] == NO_DAY, started, fresh["day"])
    if held is not None and len(held.run):
        gone = set(rows.run) | set(rows.removed)
        stays = np.fromiter((run not in gone for run in held.run), dtype=np.bool_, count=len(held.run))
        fresh = {name: np.concatenate([getattr(held, name)[stays], values]) for name, values in fresh.items()}
        order = np.argsort(fresh["run"], kind="stable")
        fresh = {name: values[order] for name, values in fresh.items()}
    for values in fresh.values():
        values.setflags(write=False)
    return Columns(state=state, groups=tuple(numbers), **fresh)


def _texts(values: Sequence[str | None]) -> Texts:
    found = np.empty(len(values), dtype=object)
    found[:] = values
    return found
