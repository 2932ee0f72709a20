"""How many statements a write of a run takes: each is a round trip to a server, under the lock of the workshop."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from flask import Flask
from sqlalchemy import event

from service.app import SERVICE
from service.store.session import Database
from tests.benchmarks.books import new_workshop
from tests.benchmarks.put_run import client_of, fill, run_body, send_with

MOST = {"postgresql": 7, "sqlite": 12}
"""Who asks; the state; the record; its lots; all else that it names; the rows of six tables, together or one by one;
and the balances of the lots."""


@contextmanager
def statements(database: Database) -> Iterator[list[str]]:
    """What is sent to the database meanwhile."""
    sent: list[str] = []

    def listener(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if not statement.startswith("BEGIN"):
            sent.append(statement)

    event.listen(database._engine, "before_cursor_execute", listener)
    try:
        yield sent
    finally:
        event.remove(database._engine, "before_cursor_execute", listener)


def test_a_new_run_takes_few_statements(app: Flask) -> None:
    database = app.extensions[SERVICE].database
    client = client_of(app, new_workshop(database).token)
    fill(client)
    send = send_with(client, "/v1/runs")
    assert send("R-0", run_body(0)) == 201
    with statements(database) as sent:
        assert send("R-1", run_body(1)) == 201
    assert len(sent) <= MOST[database.dialect], sent


def test_the_answer_to_a_write_is_what_is_read_after_it(app: Flask) -> None:
    database = app.extensions[SERVICE].database
    client = client_of(app, new_workshop(database).token)
    fill(client)
    told = client.put("/v1/runs/R-1", data=run_body(1), content_type="application/json")
    read = client.get("/v1/runs/R-1")
    assert (told.json, told.headers["ETag"]) == (read.json, read.headers["ETag"])
    longer = json.loads(run_body(1)) | {"note": "stirred twice"}
    told = client.put("/v1/runs/R-1", json=longer, headers={"If-Match": read.headers["ETag"]})
    read = client.get("/v1/runs/R-1")
    assert (told.json, told.headers["ETag"]) == (read.json, read.headers["ETag"])
