"""How many statements a write of a run takes: each is a round trip to a server, under the lock of the workshop."""

from __future__ import annotations

import json
from typing import Any

from flask import Flask
from sqlalchemy import event
from werkzeug.test import TestResponse

from service.app import SERVICE
from service.store.types import metadata
from tests.benchmarks.books import new_workshop
from tests.benchmarks.put_run import client_of, fill, run_body, send_with
from tests.store.sent import statements

MOST = {"postgresql": 7, "sqlite": 13}
"""Who asks; the state; the record; its lots with what is left of them; all else that it names; the rows of seven
tables, together or one by one; and the runs of the step before it, beside which a slip would be seen."""


def test_a_new_run_takes_few_statements(app: Flask) -> None:
    database = app.extensions[SERVICE].database
    client = client_of(app, new_workshop(database).token)
    fill(client)
    send = send_with(client, "/v1/runs")
    assert send("R-0", run_body(0)) == 201
    with statements(database) as sent:
        assert send("R-1", run_body(1)) == 201
    assert len(sent) <= MOST[database.dialect], sent
    # What is left of a lot is kept: no write that takes from it reads what was taken before.
    assert not [statement for statement in sent if "FROM entries" in statement]


def test_the_answer_to_a_write_is_what_is_read_after_it(app: Flask) -> None:
    database = app.extensions[SERVICE].database
    client = client_of(app, new_workshop(database).token)
    fill(client)
    told = client.put("/v1/runs/R-1", data=run_body(1), content_type="application/json")
    read = client.get("/v1/runs/R-1")
    assert (told.json, version(told)) == (without_cost(read), version(read))
    longer = json.loads(run_body(1)) | {"note": "stirred twice"}
    told = client.put("/v1/runs/R-1", json=longer, headers={"If-Match": read.headers["ETag"]})
    read = client.get("/v1/runs/R-1")
    assert (told.json, version(told)) == (without_cost(read), version(read))
    charged = read.get_json()["charges"][0]["lot"]
    lot_body = {"material": client.get(f"/v1/lots/{charged}").get_json()["material"], "amount": "10 g"}
    lot = client.put("/v1/lots/late", json=lot_body)
    read = client.get("/v1/lots/late")
    assert (lot.json, lot.headers["ETag"]) == (read.json, read.headers["ETag"])


def version(answer: TestResponse) -> str:
    """The part of a tag that a write names."""
    return answer.headers["ETag"].strip('"').partition(".")[0]


def without_cost(read: TestResponse) -> Any:
    """A run that is read alone tells what it cost too, which takes the ledger behind it and no write waits for."""
    told = read.get_json()
    told["result"].pop("cost")
    told["result"].pop("cost_per_g")
    for name in ("cost_per_g", "total"):
        told["result"]["reasons"].pop(name, None)
    return told


def test_no_statement_of_a_write_reads_a_whole_table(app: Flask) -> None:
    """SQLite says how it would go about each; PostgreSQL, which weighs its plans by size, has the same indexes."""
    database = app.extensions[SERVICE].database
    if database.dialect != "sqlite":
        return
    client = client_of(app, new_workshop(database).token)
    fill(client)
    sent: list[tuple[str, Any]] = []

    def listener(_connection: Any, _cursor: Any, statement: str, parameters: Any, _context: Any, many: bool) -> None:
        sent.append((statement, parameters[0] if many else parameters))

    event.listen(database._engine, "before_cursor_execute", listener)
    try:
        told = client.put("/v1/runs/R-1", data=run_body(1), content_type="application/json")
        corrected = json.loads(run_body(1))
        corrected["outturns"][0]["assay"] = "0.97"
        del corrected["charges"][5]
        etag = {"If-Match": told.headers["ETag"]}
        assert client.put("/v1/runs/R-1", json=corrected, headers=etag).status_code == 200
        assert client.delete("/v1/runs/R-1", headers={"If-Match": "*"}).status_code == 204
        lot = {"material": "soda-ash", "amount": "1000 kg", "assay": "0.97"}
        assert client.put("/v1/lots/ash-1", json=lot, headers={"If-Match": "*"}).status_code == 200
    finally:
        event.remove(database._engine, "before_cursor_execute", listener)
    plans: dict[str, list[str]] = {}
    with database.looking() as connection:
        for statement, parameters in sent:
            if statement.startswith(("SELECT", "UPDATE", "DELETE", "WITH")):
                rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
                plans[statement] = [str(row.detail) for row in rows]
    assert len(plans) > 12
    read = [line for lines in plans.values() for line in lines]
    for index in ("entries", "links", "lots", "balances", "outcomes", "runs", "materials", "routes", "revisions"):
        assert any(line.startswith(f"SEARCH {index} USING") for line in read), index
    assert "SEARCH outcomes USING COVERING INDEX ix_outcomes_usable" in " ".join(read)
    scanned = {line: statement for statement, lines in plans.items() for line in lines if line.startswith("SCAN ")}
    tables = {f"SCAN {name}" for name in metadata.tables}
    assert not [(line, sent) for line, sent in scanned.items() if any(line.startswith(each) for each in tables)]
