"""The columns in memory: one line a run, as of one state of a workshop; and small facts that follow from a state.

A reader opens one snapshot of the database, reads its state S, fetches the rows newer than the columns that this
process holds and publishes a new immutable set, as of S. What is published never changes, so readers share it without
a lock; it is bounded in bytes, the set that was longest unused going first. A fact is kept under the state that it
follows from and asked for under the state of the reader: another worker's write moves the state, and nobody misses it.
What follows from a few records alone lasts while these are the same.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sized
from dataclasses import dataclass
from typing import Any, TypeVar

from service.answer.ledger_memory import LedgerMemory
from service.answer.run_columns import Columns, merged
from service.store.columns import read_columns
from service.store.session import Reading

DEFAULT_BYTES = 512 * 2**20
MOST_FACTS = 512
"""Facts that are kept, of all workshops together."""
MOST_LINES = 200_000
"""Lines that the facts kept may have together; one that has more by itself is made anew each time."""

T = TypeVar("T")


class Memory:
    """The columns, the facts and the traced ledgers that this process holds, by workshop."""

    def __init__(self, most_bytes: int = DEFAULT_BYTES, most_lines: int = MOST_LINES) -> None:
        self.ledgers = LedgerMemory()
        self._most_bytes, self._most_lines = most_bytes, most_lines
        self._held: OrderedDict[int, Columns] = OrderedDict()
        self._facts: OrderedDict[tuple[int, int, Hashable], Any] = OrderedDict()
        self._lasting: OrderedDict[tuple[int, Hashable], _Lasting] = OrderedDict()
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
            found = merged(held, read_columns(reading, 0 if held is None else held.state), reading.state)
        with self._lock:
            kept = self._held.get(reading.workshop_id)
            if kept is None or kept.state <= found.state:
                self._held[reading.workshop_id] = found
                self._held.move_to_end(reading.workshop_id)
            while len(self._held) > 1 and sum(each.nbytes for each in self._held.values()) > self._most_bytes:
                self._held.popitem(last=False)
        return found

    def fact(self, reading: Reading, key: Hashable, make: Callable[[], T]) -> T:
        """Return what ``make`` returns, from memory where it was made before at the state of ``reading``.

        It must follow from that state and from ``key`` alone, and must not hold on to the reading; readers share it.
        """
        place = (reading.workshop_id, reading.state, key)
        with self._lock:
            if place in self._facts:
                self._facts.move_to_end(place)
                found: T = self._facts[place]
                return found
        made = make()
        with self._lock:
            mine = [other for other in self._facts if other[0] == reading.workshop_id]
            if any(state > reading.state for _, state, _ in mine):
                return made  # of an older snapshot than what is kept: nobody else will ask for it
            for other in mine:
                if other[1] < reading.state:
                    del self._facts[other]
            made = self._facts.setdefault(place, made)
            self._bound(self._facts)
        return made

    def lasting(self, reading: Reading, key: Hashable, of: object, make: Callable[[], T]) -> T:
        """Return what ``make`` returns, from memory where it was made before of what equals ``of``, whatever the state.

        It must follow from ``of`` alone; of one key the newest is kept. Readers share it, as a fact.
        """
        place = (reading.workshop_id, key)
        with self._lock:
            held = self._lasting.get(place)
        if held is None or held.of != of:
            held = _Lasting(of, make())
        with self._lock:
            # What was made may have grown since.
            self._lasting[place] = held
            self._lasting.move_to_end(place)
            self._bound(self._lasting)
        found: T = held.made
        return found

    def _bound(self, facts: OrderedDict[Any, Any]) -> None:
        while len(facts) > MOST_FACTS or sum(map(_lines, facts.values())) > self._most_lines:
            facts.popitem(last=False)


@dataclass(frozen=True, slots=True)
class _Lasting:
    """What was made, and of what."""

    of: object
    made: Any

    def __len__(self) -> int:
        return len(self.made) if isinstance(self.made, Sized) else 1


def _lines(fact: object) -> int:
    return max(1, len(fact)) if isinstance(fact, Sized) else 1
