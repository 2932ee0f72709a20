"""One answer in a new process, told as JSON: seconds of wall and processor from its imports to the answer.

``python -m tests.benchmarks.cold service|floor URL WORKSHOP`` is started by :mod:`tests.benchmarks.yields_answer`.
"""

from __future__ import annotations

import json
import sys
import time

from tests.benchmarks import yields_floor

if __name__ == "__main__":
    which, url, workshop_id = sys.argv[1:]
    if which == "service":
        import scipy.special  # noqa: F401 - an import, wherever it stands, is the process's and not the answer's

        from service.answer.snapshot import Memory
        from service.store.session import open_database
        from tests.benchmarks.yields_answer import answer

        cpu, wall = time.process_time(), time.perf_counter()
        answer(open_database(url), int(workshop_id), Memory())
    else:
        import sqlite3  # noqa: F401 - as above: the service's process has its drivers before the clock starts

        import psycopg  # noqa: F401

        cpu, wall = time.process_time(), time.perf_counter()
        yields_floor.statistics(yields_floor.connected(url), int(workshop_id))
    print(json.dumps({"wall_s": time.perf_counter() - wall, "cpu_s": time.process_time() - cpu}))
