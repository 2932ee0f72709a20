"""What a write story hands back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from service.store.balances import Balance
from service.store.outcomes import StoredOutcome
from service.store.records import StoredRecord


@dataclass(frozen=True, slots=True)
class Move:
    """The outcome of a run as it was and as it is now, by the names of its columns."""

    run: str
    before: Mapping[str, Any]
    after: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Written:
    """The end of a write.

    ``created`` is true where there was no such record before (or only its tombstone), ``changed`` where a revision was
    written, ``replayed`` where an idempotency key found its record again. ``revision`` is that of the record now, and
    ``state`` the workshop's. ``etag`` is the opaque version of the record after the write, None after its removal.
    ``moved`` are the codes of the other runs whose outcome came out different, ``moves`` what each came to before and
    comes to now. ``told`` is what the caller asked to be read before the end of the transaction, None where nothing was
    written or asked; ``looked`` is what it asked to be read just before the record was written. ``stored`` is the
    record as it was just written, with its ``outcome`` and what is ``left`` of the lots that it charges where it is a
    run: nothing of this needs to be read again.
    """

    kind: str
    code: str
    created: bool
    changed: bool
    revision: int
    state: int
    etag: str | None
    moved: tuple[str, ...] = ()
    moves: tuple[Move, ...] = ()
    replayed: bool = False
    told: Any = None
    looked: Any = None
    stored: StoredRecord | None = field(default=None, compare=False, repr=False)
    outcome: StoredOutcome | None = field(default=None, compare=False, repr=False)
    left: Mapping[str, Balance] | None = field(default=None, compare=False, repr=False)
