"""Statistics of 200 steps over 1,000,000 runs in several groupings, beside DuckDB with one thread on its own table."""

from __future__ import annotations

import datetime as dt
import gc
import json
import resource
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from service.answer.book import Book
from service.answer.grouped_yields import grouped_yields_of
from service.answer.run_columns import Columns
from service.answer.run_filter import RunFilter
from service.answer.snapshot import Memory
from service.answer.yields import yields_of
from service.app import SERVICE, create_app
from service.settings import Settings
from service.store.columns import STEP, read_columns
from service.store.session import Database
from tests.benchmarks.books import AT, ROUTE, Workshop, bring_in, new_workshop, rewritten
from tests.benchmarks.databases import kind_of, plain
from tests.benchmarks.measure import Cost, Row, in_turn, once
from tests.world import iter_records

BY = (("step",), ("operator",), ("month",), ("lot",), ("batch_band",), ("operator", "quarter"))
_GROUPED = """
    SELECT {by}, basis, count(*) FILTER (WHERE counted), count(*) FILTER (WHERE failed),
           avg(y) FILTER (WHERE counted), stddev_samp(y) FILTER (WHERE counted),
           quantile_cont(y, [0.25, 0.5, 0.75]) FILTER (WHERE counted),
           min(y) FILTER (WHERE counted), max(y) FILTER (WHERE counted),
           sum(contained_g) FILTER (WHERE counted) / sum(theoretical_g) FILTER (WHERE counted OR failed),
           avg(yield_u) FILTER (WHERE counted)
    FROM runs WHERE day <= DATE '2026-11-25' GROUP BY ALL ORDER BY ALL
"""
_TERMS = {
    "step": "route, step",
    "operator": "operator",
    "month": "date_trunc('month', day) AS month",
    "quarter": "date_trunc('quarter', day) AS quarter",
    "lot": "key_lot",
    "batch_band": "CASE WHEN batch_g > 0 THEN floor(log10(batch_g)) * 3 + (batch_g / 10 ** floor(log10(batch_g)) >= 2)"
    "::INT + (batch_g / 10 ** floor(log10(batch_g)) >= 5)::INT END AS band",
}


def rows(url: str, *, routes: int = 25, steps: int = 8, runs_per_step: int = 5000, calls: int = 5) -> list[Row]:
    """Measure on SQLite; the columns are the same whichever database they were read from."""
    if kind_of(url) != "SQLite":
        return []
    with closing(create_app(Settings(database_url=url)).extensions[SERVICE].database) as database:
        workshop = new_workshop(database)
        lines = iter_records(1, routes=routes, steps_per_route=steps, runs_per_step=1, open_runs=False)
        bring_in(database, workshop, [b"".join(json.dumps(line).encode() + b"\n" for line in lines)])
        _multiply(url, workshop, runs_per_step)
        size = f"{routes * steps} steps × {runs_per_step:,} runs"
        memory = Memory()
        before = _resident()
        cold = once(lambda: _columns(database, workshop, memory))
        gc.collect()
        after = _resident()
        bare = once(lambda: _bare(url, workshop))
        found = [Row(f"columns of {size}, read from SQLite beside the bare rows", cold, bare, 2.0)]
        with closing(_duck(database, workshop)) as duck:
            for by in BY:
                at_most = 1.5 if by == ("step",) else 4.0
                costs = in_turn(calls, [_ours(database, workshop, memory, by), _theirs(duck, by)])
                found.append(Row(f"{size}, by {' and '.join(by)}", *costs, at_most))
            found.append(
                Row(
                    f"{size}, by step, after a write",
                    *in_turn(
                        calls,
                        [_ours(database, workshop, memory, ("step",)), _theirs(duck, ("step",))],
                        before=lambda number: rewritten(database, workshop, number),
                    ),
                )
            )
        found.append(
            Row(
                f"yields of one route, {steps} × {runs_per_step:,} runs, beside numpy",
                *_one(database, workshop, memory, calls),
                3.0,
            )
        )
        held = _columns(database, workshop, memory).nbytes / 2**20
        memory_of = f"columns of {held:.0f} MiB, with the texts behind them {after - before:.0f} MiB"
        print(f"\n{size}: {memory_of}")
        return found


def _resident() -> float:
    """MiB that the process holds in memory now."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 2**20


def _columns(database: Database, workshop: Workshop, memory: Memory) -> Columns:
    with database.reading(workshop.id) as reading:
        return Book(reading, memory).columns


def _bare(url: str, workshop: Workshop) -> int:
    with closing(sqlite3.connect(plain(url))) as connection:
        return len(
            connection.execute(
                "SELECT run, route, step, pooled_as, basis, status, operator, project, key_lot, tags, started_on, "
                "finished_on, excluded, batch_g, key_contained_g, theoretical_g, net_g, dry_g, contained_g, "
                "yield_fraction, yield_u FROM outcomes WHERE workshop = ? ORDER BY run",
                [workshop.id],
            ).fetchall()
        )


def _multiply(url: str, workshop: Workshop, runs_per_step: int) -> None:
    """Give every step so many runs: outcomes alone, each a like of the one that was brought in, with other yields."""
    columns = (
        "route, step, pooled_as, basis, status, excluded, limiting_reagent, theoretical_u_g, net_u_g, contained_u_g, "
    )
    columns += "crude_yield, recovered_basis_yield, mass_balance, mass_balance_u, detail, project, tags"
    with closing(sqlite3.connect(plain(url))) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute(
            f"""
            INSERT INTO outcomes (workshop, run, started_on, finished_on, operator, key_lot, batch_g, key_contained_g,
                                  theoretical_g, net_g, dry_g, contained_g, yield_fraction, yield_u, state, {columns})
            WITH RECURSIVE numbers(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM numbers WHERE n < ?),
            drawn AS (
                SELECT o.*, n, 0.5 + abs(random() % 400000) / 1e6 AS y, 10.0 + abs(random() % 90000) / 1e3 AS batch,
                       abs(random() % 700) AS day
                FROM outcomes AS o, numbers WHERE o.workshop = ? AND o.status = 'finished'
            )
            SELECT workshop, run || '-' || printf('%05d', n), date('2024-11-04', '+' || day || ' days'),
                   date('2024-11-05', '+' || day || ' days'), 'm' || (abs(random() % 12) + 1),
                   'lot-' || (abs(random() % 300)), batch, batch, batch, batch * y, batch * y, batch * y, y, 0.004,
                   state, {columns}
            FROM drawn
            """,
            [runs_per_step - 1, workshop.id],
        )
        connection.commit()


def _duck(database: Database, workshop: Workshop) -> Any:
    """A table of its own with the columns that the statistics need."""
    with database.reading(workshop.id) as reading:
        rows = read_columns(reading)
    frame = pd.DataFrame(
        {
            **{
                name: np.array(words)[rows.step.numbers]
                for name, words in zip(STEP, zip(*rows.step.words, strict=True), strict=True)
            },
            **{name: rows.coded[name].texts() for name in ("operator", "key_lot")},
            "day": pd.to_datetime([f"{day}" for day in map(_date, rows.finished_on.tolist())]),
            "y": rows.yields,
            **{name: getattr(rows, name) for name in ("contained_g", "theoretical_g", "yield_u", "batch_g")},
            "counted": (rows.coded["status"].texts() == "finished") & ~rows.excluded,
            "failed": (rows.coded["status"].texts() == "failed") & ~rows.excluded,
        }
    )
    duck = duckdb.connect()
    duck.execute("SET threads = 1")
    duck.register("frame", frame)
    duck.execute("CREATE TABLE runs AS SELECT * REPLACE (day::DATE AS day) FROM frame")
    duck.unregister("frame")
    return duck


def _date(ordinal: int) -> str:
    return dt.date.fromordinal(ordinal).isoformat()


def _ours(database: Database, workshop: Workshop, memory: Memory, by: Sequence[str]) -> Callable[[int], object]:
    def answer(_: int) -> object:
        with database.reading(workshop.id) as reading:
            return grouped_yields_of(
                Book(reading, memory), by=tuple(by), asked=RunFilter(), charge=None, as_of=AT.date()
            )

    return answer


def _theirs(duck: Any, by: Sequence[str]) -> Callable[[int], object]:
    statement = _GROUPED.format(by=", ".join(_TERMS[name] for name in by))
    return lambda _: duck.execute(statement).fetchall()


def _one(database: Database, workshop: Workshop, memory: Memory, calls: int) -> list[Cost]:
    """The yields of one route, beside the same figures by numpy on arrays that lie ready."""
    columns = _columns(database, workshop, memory)
    own = [number for number, group in enumerate(columns.groups) if group.route == ROUTE]
    ready = [
        tuple(
            getattr(columns, name)[columns.starts[number] : columns.starts[number + 1]].copy()
            for name in ("yields", "contained_g", "theoretical_g")
        )
        for number in own
    ]

    def numpy(_: int) -> object:
        found = []
        for yields, contained, theoretical in ready:
            quartiles = np.percentile(yields, [25, 50, 75])
            ratio = contained.sum() / theoretical.sum()
            apart = contained - ratio * theoretical
            found.append(
                (yields.mean(), yields.std(ddof=1), quartiles, yields.min(), yields.max(), ratio, apart @ apart)
            )
        return found

    def answer(_: int) -> object:
        with database.reading(workshop.id) as reading:
            return yields_of(Book(reading, memory), ROUTE, as_of=AT.date())

    return in_turn(calls, [answer, numpy])
