"""One writer at a time over all processes of a machine, by a lock file beside an SQLite database.

SQLite's own busy handler sleeps and tries again in no order; waiting in front of it is faster and fairer.
"""

from __future__ import annotations

import fcntl
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from service.errors import Unavailable

_PAUSE_S: Final = 0.0005
_LONGEST_PAUSE_S: Final = 0.008


class LockFile:
    """A lock that one thread of one process holds at a time.

    The file is opened anew for each hold: a descriptor that a forked worker inherits would share its parent's lock.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._threads = threading.Lock()

    @contextmanager
    def held(self, timeout_s: float) -> Iterator[None]:
        """Hold the lock; raise :class:`Unavailable` when it is not free within ``timeout_s``."""
        ends_at = time.monotonic() + timeout_s
        if not self._threads.acquire(timeout=timeout_s):
            raise busy()
        try:
            descriptor = self._open()
            try:
                self._wait(descriptor, ends_at)
                yield
            finally:
                os.close(descriptor)
        finally:
            self._threads.release()

    def _open(self) -> int:
        try:
            return os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as refusal:
            raise Unavailable(f"the lock file beside the database cannot be opened: {refusal.strerror}") from refusal

    def _wait(self, descriptor: int, ends_at: float) -> None:
        pause_s = _PAUSE_S
        while True:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                if time.monotonic() > ends_at:
                    raise busy() from None
                time.sleep(pause_s)
                pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)
            else:
                return


def busy() -> Unavailable:
    """The refusal of a write that had to wait too long for the writes of others."""
    return Unavailable("the database is busy with other writes: try again", code="busy")
