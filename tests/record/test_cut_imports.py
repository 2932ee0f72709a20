"""An import that is cut anywhere, by a failing statement or a killed process, leaves all of its records or none."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import time
from multiprocessing.synchronize import Event
from typing import Any

import pytest
from sqlalchemy import event

from service.errors import UnknownRecord
from service.record.importing import import_records, import_report
from service.store.session import Database, open_database
from service.store.tables import revisions
from tests.record.import_lines import CATALOGUE, SMALL, as_json, carbonate, roast, send
from tests.store.book import AT, Book

KILLS = 5
LINES = [*CATALOGUE, *(each for i in range(1, 31) for each in (roast(i, f"malachite-{i}"), carbonate(i)))]
PAYLOAD = as_json(LINES)


class CutError(Exception):
    """What the statement raises at which an import is cut here."""


def test_a_failure_at_any_statement_leaves_nothing_and_the_next_try_succeeds(
    book: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.store.waiting.MOST_WAITING", 1)  # each row is a statement of its own
    before, n = book.rows(), 0
    engine = book.database._engine

    def cut(at: int) -> Any:
        seen = 0

        def before_statement(*_: Any) -> None:
            nonlocal seen
            seen += 1
            if seen == at:
                raise CutError

        return before_statement

    while True:
        n += 1
        listener = cut(n)
        event.listen(engine, "before_cursor_execute", listener)
        try:
            report = send(book, SMALL)
        except CutError:
            event.remove(engine, "before_cursor_execute", listener)
            assert book.rows() == before, f"statement {n} left something behind"
        else:
            event.remove(engine, "before_cursor_execute", listener)
            break
    assert n > 50
    assert report["created"] == len(SMALL)


def import_when_told(url: str, workshop_id: int, ready: Event, go: Event, done: Event) -> None:
    """What the process does that is to be killed."""
    database = open_database(url)
    with database.reading(workshop_id):
        ready.set()
    go.wait(60)
    import_records(database, workshop_id, PAYLOAD, "application/json", by="m1", at=AT)
    done.set()
    time.sleep(60)


def test_a_process_that_is_killed_leaves_all_or_nothing(database: Database, database_url: str, workshop: str) -> None:
    whole = Book(database, f"{workshop}-whole")
    began = time.perf_counter()
    report = send(whole, PAYLOAD)
    took_s = time.perf_counter() - began
    spawn = multiprocessing.get_context("spawn")
    books = [Book(database, f"{workshop}-{number}") for number in range(KILLS)]
    told = [tuple(spawn.Event() for _ in range(3)) for _ in books]
    jobs = [
        spawn.Process(target=import_when_told, args=(database_url, book.workshop_id, *events), daemon=True)
        for book, events in zip(books, told, strict=True)
    ]
    for job in jobs:
        job.start()
    cut = 0
    for number, (book, job, (ready, go, done)) in enumerate(zip(books, jobs, told, strict=True)):
        assert ready.wait(60)
        delay_s = took_s * random.uniform(number, number + 1) / KILLS
        go.set()
        time.sleep(delay_s)
        assert job.pid is not None
        os.kill(job.pid, signal.SIGKILL)
        job.join(60)
        assert job.exitcode == -signal.SIGKILL
        cut += not done.is_set()
        left = {name: len(rows) for name, rows in book.rows().items()}
        context = f"killed after {delay_s:.3f} s: {left}"
        if left[revisions.name] == 1:
            assert not done.is_set(), f"{context}: what was acknowledged is gone"
            assert (book.state(), sum(left.values())) == (1, 2), context
        else:
            assert left == {name: len(rows) for name, rows in whole.rows().items()}, context
        again = send(book, PAYLOAD)
        assert again["created"] in (0, len(LINES)), context
        assert again["created"] + again["unchanged"] == len(LINES), context
        assert book.state() == report["state"], context
        with book.reading() as reading:
            assert import_report(reading, again["code"]) == again
    assert cut, "no import was cut before its end"


def test_a_report_is_kept_with_its_records_or_not_at_all(book: Book) -> None:
    told = send(book, SMALL, dry_run=True)
    engine = book.database._engine

    def cut(*arguments: Any) -> None:
        if "INTO imports" in arguments[2]:
            raise CutError

    event.listen(engine, "before_cursor_execute", cut)
    with pytest.raises(CutError):
        send(book, SMALL)
    event.remove(engine, "before_cursor_execute", cut)
    assert book.state() == 1
    with book.reading() as reading, pytest.raises(UnknownRecord):
        import_report(reading, told["code"])
