"""What this process has answered, counted for a dashboard in the Prometheus text format (version 0.0.4)."""

from __future__ import annotations

import os
import threading
from collections import Counter
from typing import Final

MEDIA_TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"


class Counters:
    """Requests by operation and status, and the seconds spent on them; safe among threads.

    >>> counters = Counters()
    >>> counters.count("list_runs", 200, 0.25)
    >>> [line.partition("{")[0] for line in counters.text().splitlines() if not line.startswith("#")]
    ['weighbook_requests_total', 'weighbook_request_seconds_sum', 'weighbook_request_seconds_count']
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._requests: Counter[tuple[str, int]] = Counter()
        self._seconds: dict[str, float] = {}

    def count(self, operation: str, status: int, seconds: float) -> None:
        """Count one answer."""
        with self._lock:
            self._requests[operation, status] += 1
            self._seconds[operation] = self._seconds.get(operation, 0.0) + seconds

    def text(self) -> str:
        """Return all counts; each line names the process, because every process counts for itself."""
        with self._lock:
            requests = dict(self._requests)
            seconds = dict(self._seconds)
        process = f'process="{os.getpid()}"'
        lines = ["# HELP weighbook_requests_total Requests answered.", "# TYPE weighbook_requests_total counter"]
        lines += [
            f'weighbook_requests_total{{operation="{operation}",status="{status}",{process}}} {number}'
            for (operation, status), number in sorted(requests.items())
        ]
        lines += [
            "# HELP weighbook_request_seconds Seconds from a request's arrival to its answer.",
            "# TYPE weighbook_request_seconds summary",
        ]
        for operation, spent in sorted(seconds.items()):
            number = sum(count for (name, _), count in requests.items() if name == operation)
            labels = f'{{operation="{operation}",{process}}}'
            lines += [
                f"weighbook_request_seconds_sum{labels} {spent:.6f}",
                f"weighbook_request_seconds_count{labels} {number}",
            ]
        return "\n".join(lines) + "\n"
