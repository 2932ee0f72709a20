"""How many requests a token may make in a minute. Each process counts for itself."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

WINDOW_S: Final = 60


@dataclass(frozen=True, slots=True)
class Allowance:
    """What is left to one token in this window: requests, and seconds until there will be more."""

    limit: int
    left: int
    seconds: int

    def fields(self) -> dict[str, str]:
        """Return the RateLimit and RateLimit-Policy fields (IETF draft httpapi-ratelimit-headers)."""
        return {
            "RateLimit-Policy": f'"default";q={self.limit};w={WINDOW_S}',
            "RateLimit": f'"default";r={max(0, self.left)};t={self.seconds}',
        }


class Quota:
    """Counts the requests of each token in fixed windows of a minute.

    >>> quota = Quota(2, clock=lambda: 90.0)
    >>> [quota.take("a-token").left for _ in range(3)], quota.take("another").fields()["RateLimit"]
    ([1, 0, -1], '"default";r=1;t=30')
    """

    def __init__(self, limit: int, *, clock: Callable[[], float]) -> None:
        self.limit = limit
        self._clock = clock
        self._lock = threading.Lock()
        self._window = -1
        self._taken: dict[str, int] = {}

    def take(self, token: str) -> Allowance:
        """Take one request; ``left`` is below zero where there was none."""
        now = self._clock()
        window = int(now // WINDOW_S)
        with self._lock:
            if window != self._window:
                self._window = window
                self._taken = {}
            taken = self._taken[token] = self._taken.get(token, 0) + 1
        return Allowance(self.limit, self.limit - taken, max(1, int((window + 1) * WINDOW_S - now)))
