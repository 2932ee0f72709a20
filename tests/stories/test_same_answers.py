"""The same requests give the same answers on SQLite and on PostgreSQL, whatever the clock of either says."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from itertools import cycle
from typing import Any

import pytest

from service.app import SERVICE, create_app
from service.settings import Settings
from service.store.session import open_database
from service.store.tokens import create_token
from tests.stories.bench import Bench
from tests.stories.test_earlier_answers import QUESTIONS
from tests.stories.worked_graph import acidify, bought, deliver, run_graph, set_up_graph

DAY = "2026-04-01"
KINDS = ("materials", "suppliers", "purchases", "lots", "pools", "stock-entries", "projects", "routes", "runs")
NOON = dt.datetime(2026, 4, 1, 12, tzinfo=dt.UTC)
STEPS = (dt.timedelta(), dt.timedelta(days=-400), dt.timedelta(hours=7), dt.timedelta(days=-3))


def told(url: str, workshop: str, now: Callable[[], dt.datetime]) -> Iterator[Any]:
    """Write the worked graph and corrections of it; give everything that is told of it, but for when it was written."""
    database = open_database(url)
    token = create_token(database, workshop, "manage", "bench")
    app = create_app(Settings(database_url=url), now=now)
    client = app.test_client()
    client.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {token}"
    bench = Bench(client)
    set_up_graph(bench)
    bench.put("projects/bench", {"name": "bench"})
    run_graph(bench)
    middle = bench.get("routes/ester/yields")["rests_on"]["state"]
    yield bench.put("runs/A-2", {**acidify(2, "130 g"), "project": "bench"}).get("moved_lots")
    yield bench.put("lots/ethanol-1", bought("ethanol", "800 g", "16.00")).get("moved_lots")
    bench.put("stock-entries/late", {"lot": "benzoate-1", "kind": "assay", "on": "2026-03-20", "assay": "0.9"})
    deliver(bench)
    for path, query in QUESTIONS:
        for state in ({}, {"state": str(middle)}):
            answer = client.get(f"/v1/{path}", query_string={"as_of": DAY, **query, **state})
            yield path, query, state, answer.status_code, without_times(answer.get_json(force=True))
    for kind in KINDS:
        yield kind, without_times(client.get(f"/v1/{kind}?limit=1000").get_json())
    app.extensions[SERVICE].past.close()
    app.extensions[SERVICE].database.close()
    database.close()


def without_times(answer: Any) -> Any:
    if isinstance(answer, dict):
        return {key: without_times(value) for key, value in answer.items() if key not in ("at", "request_id")}
    return [without_times(each) for each in answer] if isinstance(answer, list) else answer


def test_on_both_databases_and_by_any_clock(request: pytest.FixtureRequest, workshop: str) -> None:
    urls = [request.getfixturevalue(name) for name in ("sqlite_url", "postgresql_url")]
    stepping = cycle(STEPS)
    clocks = [lambda: NOON + next(stepping), lambda: NOON]
    count = 0
    for one, other in zip(*(told(url, workshop, now) for url, now in zip(urls, clocks, strict=True)), strict=True):
        assert one == other
        count += 1
    assert count == 2 + 2 * len(QUESTIONS) + len(KINDS)
