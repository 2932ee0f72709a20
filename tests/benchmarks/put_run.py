"""A run written by PUT, beside a bare view that parses the same JSON and inserts the same rows."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import closing
from typing import Any

from flask import Flask
from flask.testing import FlaskClient

from service.app import SERVICE, create_app
from service.settings import Settings
from service.store.session import Database
from tests.benchmarks.bare import BareStore, Rows, bare_app, rows_of_run
from tests.benchmarks.books import new_workshop
from tests.benchmarks.databases import kind_of
from tests.benchmarks.measure import Row, in_turn
from tests.store.book import MATERIALS, ROUTE

AT_MOST = 4.0
SHELF = {"vitriol-1": "blue-vitriol", "vitriol-2": "blue-vitriol", "ash-1": "soda-ash", "ash-2": "soda-ash"}
WATER = {"material": "water", "price": {"amount": "4.50", "currency": "EUR", "per": "1 m3"}}

Send = Callable[[str, bytes], int]


def run_body(number: int) -> bytes:
    """A run with six charges and two outturns."""
    record = {
        "route": "oxide",
        "step": "carbonate",
        "status": "finished",
        "started_on": "2026-04-11",
        "finished_on": "2026-04-12",
        "operator": "m1",
        "charges": [
            {"lot": "vitriol-1", "amount": f"30.{number % 100:02d} g"},
            {"lot": "vitriol-2", "amount": "20.0 g"},
            {"lot": "ash-1", "amount": "13.5 g"},
            {"lot": "ash-2", "amount": "10.0 g"},
            {**WATER, "amount": "400 mL"},
            {**WATER, "amount": "100 mL"},
        ],
        "outturns": [
            {"material": "malachite", "lot": f"malachite-{number}-a", "gross": "140.31 g", "tare": "121.90 g",
             "loss_on_drying": "0.02", "assay": "0.96"},
            {"material": "malachite", "lot": f"malachite-{number}-b", "net": "1.95 g", "assay": "0.93"},
        ],
        "labour": "1.6 h",
        "note": "stirred by hand",
    }  # fmt: skip
    return json.dumps(record).encode()


def send_with(client: FlaskClient, folder: str) -> Send:
    """Send through the test client of an app."""

    def send(code: str, body: bytes) -> int:
        return client.put(f"{folder}/{code}", data=body, content_type="application/json").status_code

    return send


def client_of(app: Flask, token: str) -> FlaskClient:
    """A client of the service that sends a token."""
    client = app.test_client()
    client.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {token}"
    return client


def fill(client: FlaskClient) -> None:
    """Write what a run names: materials, a route, four lots."""
    records: dict[str, Any] = {f"materials/{code}": record for code, record in MATERIALS.items()}
    records["routes/oxide"] = ROUTE
    for lot, material in SHELF.items():
        records[f"lots/{lot}"] = {"material": material, "amount": "1000 kg", "assay": "0.98"}
    for place, record in records.items():
        answer = client.put(f"/v1/{place}", json=record)
        assert answer.status_code == 201, answer.text


def template_of(database: Database, workshop_id: int, send: Send) -> Rows:
    """Write one run and return the rows that it took."""
    assert send("first", run_body(0).replace(b"malachite-0", b"malachite-first")) == 201
    with database.reading(workshop_id) as reading:
        found = rows_of_run(reading, "first")
    assert sum(len(several) for several in found.values()) == 12
    return found


def written(send: Send) -> Callable[[int], None]:
    """One call: the run of that number is written, and is new."""

    def write(number: int) -> None:
        status = send(f"R-{number:05d}", run_body(number))
        assert status == 201, status

    return write


def rows(url: str, *, calls: int = 300) -> list[Row]:
    """Measure on one database, within this process: no socket, one thread."""
    app = create_app(Settings(database_url=url))
    with closing(app.extensions[SERVICE].database) as database:
        workshop = new_workshop(database)
        client = client_of(app, workshop.token)
        fill(client)
        send = send_with(client, "/v1/runs")
        store = BareStore(url)
        floor = bare_app(store, template_of(database, workshop.id, send)).test_client()
        cost, bare = in_turn(calls, [written(send), written(send_with(floor, "/runs"))])
        store.close()
    return [Row(f"PUT of a run, {kind_of(url)}", cost, bare, AT_MOST)]
