"""A run written into a large ledger, beside the same in a small one; a lot corrected, beside one with fewer runs on it.

Every run charges the same four lots and is of the same step, so that whatever a write would sum or look through grows
with the ledger; one row is of lots that were counted once, another of a sample taken. The floor of these is the same
write in a small ledger, in a database of its own. The floor of a correction is that of a lot which one run charges: its
ratio may be that of the runs; and the same in the small ledger, where it is asked how it grows with the ledger.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from itertools import count as counting
from typing import Any, Final

from flask.testing import FlaskClient
from sqlalchemy import Connection, Table, Text, text

from service.app import SERVICE, create_app
from service.settings import Settings
from service.store.balances import balances, put_balances
from service.store.session import Database
from service.store.tables import balances as balances_table
from service.store.tables import entries, links, lots, outcomes, revisions, runs
from tests.benchmarks.books import AT, Workshop, new_workshop
from tests.benchmarks.databases import kind_of, postgresql_url, sqlite_url
from tests.benchmarks.measure import Action, Row, in_turn
from tests.benchmarks.put_run import SHELF, client_of, fill, run_body, send_with, written

SMALL: Final = 300
LARGE: Final = 30_000
CHARGED_BY: Final = (1, 10, 100)
AT_MOST: Final = 1.25
PUT_NG: Final = 10**15
"""What is put on the shelf of each lot that every run charges."""
CODE_OF_A_RUN: Final = {
    revisions: "code", runs: "code", lots: "source_code", balances_table: "lot", links: "from_code", outcomes: "run",
    entries: "source_code",
}  # fmt: skip
"""The tables that hold a run, those first that others refer to, and the column of each that holds its code."""


@contextmanager
def ledger(url: str, count: int) -> Iterator[FlaskClient]:
    """A client of the service on a database with a workshop of ``count`` equal runs."""
    app = create_app(Settings(database_url=url))
    with closing(app.extensions[SERVICE].database) as database:
        workshop = new_workshop(database)
        client = client_of(app, workshop.token)
        fill(client)
        status = send_with(client, "/v1/runs")("first", run_body(0).replace(b"malachite-0", b"malachite-first"))
        assert status == 201, status
        _multiply(database, workshop, count - 1)
        yield client


def _multiply(database: Database, workshop: Workshop, count: int) -> None:
    """Write the rows of the run that is there ``count`` times more, each time under other codes."""
    for table, name in CODE_OF_A_RUN.items():
        with database.administering() as connection:
            _copy(connection, table, name, workshop.id, count)
        if database.dialect == "postgresql":
            with database.administering() as connection:
                # As the server does by itself within a minute: until then keys are checked as of a small table.
                connection.execute(text("ANALYZE"))
    with database.writing(workshop.id, "bench", AT) as writing:
        left = balances(writing, list(SHELF))
        put_balances(writing, {lot: each.moved(count * (each.quantity - PUT_NG), 0) for lot, each in left.items()})


_DAYS: Final = ("on", "started_on", "finished_on")
"""The copies lie on the days of some six years."""


def _copy(connection: Connection, table: Table, name: str, workshop_id: int, count: int) -> None:
    found = []
    lite = connection.dialect.name == "sqlite"
    day = "date('2020-06-01', (n % 2000) || ' days')" if lite else "to_char(DATE '2020-06-01' + n % 2000, 'YYYY-MM-DD')"
    for each in table.columns:
        quoted = f't."{each.name}"'
        of_text = f"replace({quoted}, 'first', 'copy-' || n)"
        if each.name in _DAYS:
            found.append(f"CASE WHEN {quoted} IS NULL THEN NULL ELSE {day} END")
        else:
            found.append(f"{quoted} + n" if each.name == "seq" else of_text if isinstance(each.type, Text) else quoted)
    names = ", ".join(f'"{each.name}"' for each in table.columns)
    connection.execute(
        text(
            "WITH RECURSIVE numbers (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM numbers WHERE n < :count) "
            f"INSERT INTO {table.name} ({names}) SELECT {', '.join(found)} FROM {table.name} AS t CROSS JOIN numbers "
            f"WHERE t.workshop = :workshop AND t.\"{name}\" LIKE '%first%' AND :count > 0"
        ),
        {"count": count, "workshop": workshop_id},
    )


def samples(client: FlaskClient) -> Action:
    """One call: a sample is taken of a lot that every run charges."""

    def take(number: int) -> None:
        body = {"lot": "ash-1", "kind": "sample", "on": "2026-06-02", "amount": f"0.{number % 100 + 10} g"}
        answer = client.put(f"/v1/stock-entries/S-{number:05d}", json=body)
        assert answer.status_code == 201, answer.text

    return take


def counted(client: FlaskClient) -> None:
    """Count the lots that every run charges, after all that was taken."""
    for lot in SHELF:
        body = {"lot": lot, "kind": "recount", "on": "2026-05-01", "amount": "100 kg"}
        assert client.put(f"/v1/stock-entries/counted-{lot}", json=body).status_code == 201


def of_june(client: FlaskClient) -> Action:
    """One call: a run is written that took from the lots after they were counted."""
    send = send_with(client, "/v1/runs")

    def write(number: int) -> None:
        body = run_body(number).replace(b"2026-04-1", b"2026-06-1").replace(b"malachite-", b"june-")
        status = send(f"J-{number:05d}", body)
        assert status == 201, status

    return write


def charged(client: FlaskClient, count: int) -> None:
    """Write a lot that so many runs charge, and what they make of it."""
    assert client.put(f"/v1/lots/charged-by-{count}", json=_lot("0.98")).status_code == 201
    for number in range(count):
        body = json.loads(run_body(number))
        body["charges"] = [{"lot": f"charged-by-{count}", "amount": "30 g"}, *body["charges"][2:]]
        body["outturns"] = [{**body["outturns"][0], "lot": f"made-{count}-{number}"}]
        assert client.put(f"/v1/runs/by-{count}-{number}", json=body).status_code == 201


def _lot(assay: str) -> dict[str, Any]:
    return {"material": "blue-vitriol", "amount": "1000 kg", "assay": assay}


def corrected(client: FlaskClient, count: int, assays: Iterator[str]) -> Action:
    """One call: the assay of a lot that so many runs charge is another, and so are their outcomes."""

    def correct(number: int) -> None:
        answer = client.put(f"/v1/lots/charged-by-{count}", json=_lot(next(assays)), headers={"If-Match": "*"})
        assert answer.status_code == 200, answer.text
        assert len(answer.json["moved"]) == count

    return correct


def rows(
    url: str,
    *,
    small: int = SMALL,
    large: int = LARGE,
    charged_by: tuple[int, ...] = CHARGED_BY,
    calls: int = 60,
    few_calls: int = 12,
) -> list[Row]:
    """Measure in a small and in a large ledger, within this process."""
    of, name = kind_of(url), f"{large:,} runs, beside {small:,}"
    other: Callable[[], AbstractContextManager[str | None]] = sqlite_url if of == "SQLite" else postgresql_url
    assays = (f"0.9{number % 1000:03d}" for number in counting())
    with other() as elsewhere:
        assert elsewhere is not None
        with ledger(elsewhere, small) as little, ledger(url, large) as much:
            found = []
            for what, write in (("PUT of a run", _new), ("sample of a lot", samples)):
                cost, floor = in_turn(calls, [write(much), write(little)])
                found.append(Row(f"{what} in {name}, {of}", cost, floor, AT_MOST))
            for each in (much, little):
                counted(each)
            cost, floor = in_turn(calls, [of_june(much), of_june(little)])
            found.append(Row(f"PUT of a run from counted lots in {name}, {of}", cost, floor, AT_MOST))
            for count in charged_by:
                charged(little, count)
            one, *others = in_turn(few_calls, [corrected(little, count, assays) for count in charged_by])
            for count, cost in zip(charged_by[1:], others, strict=True):
                what = f"correction of a lot that {count} runs charge, beside {charged_by[0]}, {of}"
                found.append(Row(what, cost, one, count / charged_by[0]))
            charged(much, 1)
            cost, floor = in_turn(min(few_calls, 3), [corrected(much, 1, assays), corrected(little, 1, assays)])
            found.append(Row(f"correction of a lot that 1 run charges in {name}, {of}", cost, floor, AT_MOST))
    return found


def _new(client: FlaskClient) -> Action:
    return written(send_with(client, "/v1/runs"))
