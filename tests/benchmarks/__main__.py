"""Print every table, or those that are named."""

from __future__ import annotations

import importlib
import sys

from service.cli.memory import keep_freed_memory
from tests.benchmarks.databases import postgresql_url, sqlite_url
from tests.benchmarks.measure import machine, table

ALL = (
    "put_run",
    "served_put",
    "growing_ledger",
    "yields_answer",
    "plan_answer",
    "ledger_answer",
    "lot_answer",
    "import_runs",
    "grouped_yields",
    "what_if",
)


def main(names: list[str]) -> None:
    """Measure on SQLite, and on PostgreSQL where it answers."""
    keep_freed_memory()  # as a serving process does
    print(machine())
    for name in names or ALL:
        module = importlib.import_module(f"tests.benchmarks.{name}")
        rows = []
        with sqlite_url() as url:
            rows += module.rows(url)
        with postgresql_url() as other:
            if other is not None:
                rows += module.rows(other)
        print(f"\n{module.__doc__.splitlines()[0]}\n\n{table(rows)}", flush=True)


main(sys.argv[1:])
