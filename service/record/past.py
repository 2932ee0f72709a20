"""A workshop as it stood at an earlier state: made again from the revisions until then, in memory, and kept a while.

What is read there is what was read when that state was the present one: the same rows, made by the same rebuild, with
the newest schema and today's methods.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final, Generic, TypeVar

from service.errors import NotComputable, Unavailable
from service.record.rebuild import rebuild
from service.store.private import PrivateDatabase, copied_until, count_until
from service.store.session import Reading

MOST_REPLAYED: Final = 2000
"""Revisions that are replayed for one question: 1 to 2 ms of processor each."""
MOST_BOOKS: Final = 8
"""Earlier states that a process keeps, of all workshops together."""
MOST_BYTES: Final = 64 * 2**20
"""Bytes that the books kept may take together."""
WAIT_S: Final = 10.0
"""How long a question waits while another earlier state is made again."""

T = TypeVar("T")


@dataclass(eq=False, slots=True)
class _PastBook(Generic[T]):
    """One earlier state: its database, and what its answers keep beside it. Closed when the last reader has left."""

    database: PrivateDatabase
    beside: T
    nbytes: int
    readers: int = 0
    let_go: bool = False


class Past(Generic[T]):
    """The earlier states that this process holds; the one that was longest unused goes first.

    ``beside`` makes what is kept with each of them: their facts follow from that state alone, and go with it.
    """

    def __init__(
        self, beside: Callable[[], T], *, most_replayed: int = MOST_REPLAYED, most_books: int = MOST_BOOKS
    ) -> None:
        self._beside = beside
        self._most_replayed, self._most_books = most_replayed, most_books
        self._books: OrderedDict[tuple[int, int], _PastBook[T]] = OrderedDict()
        self._lock = threading.Lock()
        self._making = threading.Lock()

    @contextmanager
    def reading(self, now: Reading, state: int) -> Iterator[tuple[Reading, T]]:
        """One snapshot of the workshop of ``now`` as it stood at ``state``, which is before that of ``now``.

        Raises :class:`NotComputable` where more revisions would be replayed than are allowed, and :class:`Unavailable`
        where another earlier state takes too long to be made.
        """
        book = self._book(now, state)
        try:
            with book.database.reading(now.workshop_id) as reading:
                yield reading, book.beside
        finally:
            with self._lock:
                book.readers -= 1
                if book.let_go and not book.readers:
                    book.database.close()

    def close(self) -> None:
        """Let go of every earlier state."""
        with self._lock:
            for key in list(self._books):
                self._let_go(key)

    def __len__(self) -> int:
        return len(self._books)

    def _book(self, now: Reading, state: int) -> _PastBook[T]:
        key = (now.workshop_id, state)
        if (held := self._held(key)) is not None:
            return held
        if not self._making.acquire(timeout=WAIT_S):
            raise Unavailable("another earlier state is being made again: try again", code="busy")
        try:
            if (held := self._held(key)) is not None:
                return held
            made = self._made(now, state)
            with self._lock:
                made.readers = 1
                self._books[key] = made
                while len(self._books) > 1 and self._too_much():
                    self._let_go(next(iter(self._books)))
            return made
        finally:
            self._making.release()

    def _held(self, key: tuple[int, int]) -> _PastBook[T] | None:
        with self._lock:
            found = self._books.get(key)
            if found is not None:
                self._books.move_to_end(key)
                found.readers += 1
            return found

    def _made(self, now: Reading, state: int) -> _PastBook[T]:
        count = count_until(now, state)
        if count > self._most_replayed:
            raise NotComputable(
                f"state {state} rests on {count} revisions, and at most {self._most_replayed} are replayed for a "
                "question: ask for what was so on a day with as_of, or put a backup of that time beside this book with "
                "weighbook restore, and ask there",
                code="too-long-a-past",
                extra={"revisions": count, "most_revisions": self._most_replayed},
            )
        database = copied_until(now, state)
        try:
            rebuild(database, now.workshop_id)
            return _PastBook(database, self._beside(), database.bytes_taken())
        except BaseException:
            database.close()
            raise

    def _too_much(self) -> bool:
        return len(self._books) > self._most_books or sum(each.nbytes for each in self._books.values()) > MOST_BYTES

    def _let_go(self, key: tuple[int, int]) -> None:
        book = self._books.pop(key)
        book.let_go = True
        if not book.readers:
            book.database.close()
