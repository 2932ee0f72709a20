"""The yields of a route of eight steps of 1,000 runs, beside a bare SQL fetch and numpy."""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

from flask import Flask, Response

from service.answer.book import Book
from service.answer.snapshot import Memory
from service.answer.yields import yields_of
from service.app import SERVICE, create_app
from service.settings import Settings
from service.store.session import Database
from tests.benchmarks import yields_floor
from tests.benchmarks.books import AT, ROUTE, Workshop, filled
from tests.benchmarks.databases import kind_of
from tests.benchmarks.measure import Cost, Row, in_turn
from tests.benchmarks.put_run import client_of

ROOT = Path(__file__).parents[2]
ONE_THREAD = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
"""Of a new process: threads that numpy starts and nobody needs count as its processor time."""
AT_MOST_COLD = 3.0
STEPS = 8


def answer(database: Database, workshop_id: int, memory: Memory) -> dict[str, Any]:
    """The answer that is measured."""
    with database.reading(workshop_id) as reading:
        return yields_of(Book(reading, memory), ROUTE, as_of=AT.date())


def rows(url: str, *, runs_per_step: int = 1000, calls: int = 20, processes: int = 7) -> list[Row]:
    """Measure on one database; every floor reads the whole book."""
    app = create_app(Settings(database_url=url))
    with closing(app.extensions[SERVICE].database) as database:
        workshop = filled(database, steps=STEPS, runs_per_step=runs_per_step)
        cold, whole = _in_new_processes(url, workshop.id, processes)
        with closing(yields_floor.connected(url)) as connection:
            warm, after_write = _in_this_process(app, workshop, connection, calls)
        repeat = _repeated(app, workshop, calls)
    size = f"yields, {STEPS} × {runs_per_step:,} runs, {kind_of(url)}"
    return [
        Row(f"{size}: cold", *cold, AT_MOST_COLD),
        Row(f"{size}: cold, interpreter and imports too", *whole),
        Row(f"{size}: warm", *warm),
        Row(f"{size}: after a write", *after_write),
        Row(f"{size}: repeat, 304 beside a bare 304", *repeat),
    ]


def _in_new_processes(url: str, workshop_id: int, processes: int) -> tuple[list[Cost], list[Cost]]:
    """Cost of the first answer of a process, and of the whole process; each beside the floor's."""
    inside: dict[str, list[Cost]] = {"service": [], "floor": []}
    whole: dict[str, list[Cost]] = {"service": [], "floor": []}
    for _ in range(processes):
        for which in inside:
            command = [sys.executable, "-m", "tests.benchmarks.cold", which, url, str(workshop_id)]
            before, wall = os.times(), time.perf_counter()
            told = subprocess.run(command, cwd=ROOT, env=ONE_THREAD, check=True, capture_output=True).stdout
            wall, after = time.perf_counter() - wall, os.times()
            cpu = after.children_user + after.children_system - before.children_user - before.children_system
            inside[which].append(Cost(**json.loads(told)))
            whole[which].append(Cost(wall, cpu))
    return [_median(each) for each in inside.values()], [_median(each) for each in whole.values()]


def _median(costs: list[Cost]) -> Cost:
    return Cost(statistics.median(each.wall_s for each in costs), statistics.median(each.cpu_s for each in costs))


def _in_this_process(app: Flask, workshop: Workshop, connection: Any, calls: int) -> tuple[list[Cost], list[Cost]]:
    database, memory = app.extensions[SERVICE].database, Memory()
    client = client_of(app, workshop.token)
    run = next(iter(client.get("/v1/runs?limit=1").json["items"]))
    written = {key: run[key] for key in ("route", "step", "status", "started_on", "finished_on", "charges", "outturns")}

    def write(number: int) -> None:
        body = {**written, "note": f"noted {number} times", "labour": f"{number + 1} h"}
        body["charges"] = [{**body["charges"][0], "amount": f"{80 + number / 100:.2f} g"}, *body["charges"][1:]]
        status = client.put(f"/v1/runs/{run['code']}", json=body, headers={"If-Match": "*"}).status_code
        assert status == 200, status

    actions = [
        lambda _: answer(database, workshop.id, memory),
        lambda _: yields_floor.statistics(connection, workshop.id),
    ]
    return in_turn(calls, actions), in_turn(calls, actions, before=write)


def _repeated(app: Flask, workshop: Workshop, calls: int) -> list[Cost]:
    client = client_of(app, workshop.token)
    place = f"/v1/routes/{ROUTE}/yields?as_of={AT.date()}"
    held = {"If-None-Match": client.get(place).headers["ETag"]}
    bare = Flask("bare")
    bare.add_url_rule("/yields", view_func=lambda: Response(status=304))
    floor = bare.test_client()

    def repeat(_: int) -> None:
        assert client.get(place, headers=held).status_code == 304

    return in_turn(10 * calls, [repeat, lambda _: floor.get("/yields", headers=held)])
