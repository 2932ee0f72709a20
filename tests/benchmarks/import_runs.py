"""A book of 10,000 runs imported, beside its lines parsed and the same rows inserted by SQLAlchemy Core."""

from __future__ import annotations

import json
from contextlib import closing

from service.store.session import open_database
from tests.benchmarks.bare import BareStore, rows_of_book
from tests.benchmarks.books import bring_in, files, new_workshop
from tests.benchmarks.databases import kind_of
from tests.benchmarks.measure import Row, once

STEPS = 8


def rows(url: str, *, runs_per_step: int = 1250) -> list[Row]:
    """Measure the import of one book on one database: its files are read, checked, derived and written."""
    with closing(open_database(url)) as database:
        workshop = new_workshop(database)
        several = files(STEPS, runs_per_step)
        cost = once(lambda: bring_in(database, workshop, several))
        with database.reading(workshop.id) as reading:
            found = rows_of_book(reading)
    store = BareStore(url)

    def bare() -> None:
        for lines in several:
            for line in lines.splitlines():
                json.loads(line)
        store.insert(found)

    floor = once(bare)
    store.close()
    runs = len(found["runs"])
    return [Row(f"import of {runs:,} runs, {runs / cost.wall_s:,.0f} a second, {kind_of(url)}", cost, floor)]
