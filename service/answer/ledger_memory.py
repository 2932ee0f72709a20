"""The traced ledgers that this process holds, by workshop, currency and what is counted; bounded in bytes."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import Final, NamedTuple, Protocol

DEFAULT_LEDGER_BYTES: Final = 512 * 2**20


class Basis(NamedTuple):
    """What a traced ledger is of: a workshop, the currency of its money, whether hours are paid."""

    workshop_id: int
    currency: str
    labour: bool


class Held(Protocol):
    """Something that is kept as of one state."""

    @property
    def state(self) -> int:
        """The state that it is as of."""

    @property
    def nbytes(self) -> int:
        """About what it takes."""


class LedgerMemory:
    """Keeps the newest of each basis; where they take too much, the one that was longest unused goes."""

    def __init__(self, most_bytes: int = DEFAULT_LEDGER_BYTES) -> None:
        self._most_bytes = most_bytes
        self._held: OrderedDict[Basis, Held] = OrderedDict()
        self._lock = threading.Lock()

    def held(self, basis: Basis) -> Held | None:
        """Return what is held of a basis, of whichever state."""
        with self._lock:
            found = self._held.get(basis)
            if found is not None:
                self._held.move_to_end(basis)
            return found

    def keep(self, basis: Basis, found: Held) -> None:
        """Keep what was found, unless something newer is held."""
        with self._lock:
            kept = self._held.get(basis)
            if kept is None or kept.state <= found.state:
                self._held[basis] = found
                self._held.move_to_end(basis)
            while len(self._held) > 1 and sum(each.nbytes for each in self._held.values()) > self._most_bytes:
                self._held.popitem(last=False)
