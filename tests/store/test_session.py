"""Sessions: one writer a workshop without gaps, readers on one snapshot, refusals by reason, all or nothing."""

from __future__ import annotations

import multiprocessing
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, text
from sqlalchemy.exc import DBAPIError

from service.errors import Unavailable, UnknownRecord
from service.store import records
from service.store.refusals import TryAgain
from service.store.session import Database, open_database
from tests.store.book import AT, CARBONATE_RUN, MATERIALS, Book, altered

SQLITE_ONLY = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
POSTGRESQL_ONLY = pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)


@contextmanager
def statements(database: Database, before: Any) -> Iterator[None]:
    """Call ``before`` with the text of each statement that is about to be executed, BEGIN but not COMMIT among them."""

    def listener(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        before(statement)

    event.listen(database._engine, "before_cursor_execute", listener)
    try:
        yield
    finally:
        event.remove(database._engine, "before_cursor_execute", listener)


class InjectedError(Exception):
    """What a failing statement raises here."""


def failing_at(n: int) -> Any:
    seen = 0

    def before(_statement: str) -> None:
        nonlocal seen
        seen += 1
        if seen == n:
            raise InjectedError

    return before


def test_a_failure_at_any_statement_leaves_nothing_behind(book: Book) -> None:
    book.fill()
    book.put("runs", "C-1", CARBONATE_RUN)
    other = altered(CARBONATE_RUN, note="again")
    other["outturns"][0] |= {"assay": "0.90", "lot": "malachite-9"}
    before, n = book.rows(), 0
    while True:
        n += 1
        try:
            with statements(book.database, failing_at(n)):
                book.put("runs", "C-1", other, if_match='"r1-o12"')
        except InjectedError:
            assert book.rows() == before, f"statement {n} left something behind"
        else:
            break
    assert n > 15
    assert book.rows()["workshops"] != before["workshops"]
    assert book.etag("runs", "C-1") == f"r2-o{book.state()}"


def test_a_failing_commit_is_rolled_back(book: Book) -> None:
    before = book.rows()

    def refuse(_connection: Any) -> None:
        raise InjectedError

    event.listen(book.database._engine, "commit", refuse)
    try:
        with pytest.raises(InjectedError):
            book.put("materials", "water", MATERIALS["water"])
    finally:
        event.remove(book.database._engine, "commit", refuse)
    assert book.rows() == before
    assert book.put("materials", "water", MATERIALS["water"]).created


def test_the_state_moves_by_one_a_write_without_gaps(book: Book) -> None:
    first, each, threads = book.state(), 8, 4
    failures: list[BaseException] = []

    def write(name: int) -> None:
        try:
            for i in range(each):
                book.put("projects", f"p-{name}-{i}", {"name": "bench"}, if_match=None)
        except BaseException as failure:
            failures.append(failure)

    writers = [threading.Thread(target=write, args=(name,)) for name in range(threads)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert not failures
    with book.reading() as reading:
        states = [change.state for _, change in records.changes(reading, first, 1000)]
    assert states == list(range(first + 1, first + 1 + each * threads))


def test_a_reader_sees_one_state(book: Book) -> None:
    with book.reading() as reading:
        state = reading.state
        book.put("materials", "water", MATERIALS["water"])
        assert records.current(reading, "materials", "water") is None
    with book.reading() as reading:
        assert reading.state == state + 1
        assert records.current(reading, "materials", "water") is not None


def write_half(book: Book) -> None:
    with book.database.writing(book.workshop_id, "m1", AT) as writing:
        records.append(writing, "projects", "p", 1, "{}", None)
        raise InjectedError


def test_leaving_early_or_abandoning_writes_nothing(book: Book) -> None:
    before = book.rows()
    with pytest.raises(InjectedError):
        write_half(book)
    with book.database.writing(book.workshop_id, "m1", AT) as writing:
        records.append(writing, "projects", "p", 1, "{}", None)
        writing.abandon()
    assert book.rows() == before


def test_one_transaction_may_move_the_state_more_than_once(book: Book) -> None:
    with book.database.writing(book.workshop_id, "m1", AT) as writing:
        records.append(writing, "projects", "p", 1, "{}", None)
        records.append(writing, "projects", "q", 1, "{}", None)
        writing.move_on()
        records.append(writing, "projects", "r", 1, "{}", None)
        assert (writing.state, book.state()) == (3, 1)
    with book.reading() as reading:
        assert [place for place, _ in records.changes(reading, 1, 9)] == [(2, 1), (2, 2), (3, 1)]
    assert book.state() == 3
    with book.database.writing(book.workshop_id, "m1", AT) as writing:
        writing.move_on()
        writing.abandon()
        assert writing.state == 3
    assert book.state() == 3


def test_an_unknown_workshop_is_said_so(database: Database) -> None:
    with pytest.raises(UnknownRecord), database.reading(10**9):
        pass
    with pytest.raises(UnknownRecord), database.writing(10**9, "m1", AT):
        pass


def test_a_story_is_tried_again_where_it_collided(database: Database) -> None:
    tries = 0

    def story() -> int:
        nonlocal tries
        tries += 1
        if tries < 5:
            raise TryAgain("collided")
        return tries

    assert database.retrying(story) == 5
    tries = -10
    with pytest.raises(TryAgain):
        database.retrying(story)
    assert tries == -5


def test_a_write_that_waits_too_long_is_busy(book: Book, database_url: str) -> None:
    impatient = open_database(database_url, lock_timeout_s=0.05)
    try:
        with book.database.writing(book.workshop_id, "m1", AT):
            with impatient.reading(book.workshop_id):
                pass  # readers do not wait
            with pytest.raises(Unavailable) as refused, impatient.writing(book.workshop_id, "m2", AT):
                pass
        assert refused.value.code == "busy"
        with impatient.writing(book.workshop_id, "m2", AT):
            pass
    finally:
        impatient.close()


@SQLITE_ONLY
def test_a_writer_from_outside_makes_it_busy(book: Book, database_url: str) -> None:
    impatient = open_database(database_url, lock_timeout_s=0.05)
    outside = sqlite3.connect(database_url.removeprefix("sqlite:///"), isolation_level=None)
    try:
        outside.execute("BEGIN IMMEDIATE")
        with pytest.raises(Unavailable) as refused, impatient.writing(book.workshop_id, "m2", AT):
            pass
        assert refused.value.code == "busy"
    finally:
        outside.close()
        impatient.close()


@SQLITE_ONLY
def test_every_connection_is_durable_and_checks_references(database: Database) -> None:
    with database.looking() as one, database.looking() as other:
        for connection in (one, other):
            found = {
                name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
                for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
            }
            assert found == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 5000}


def fill_up(book: Book) -> None:
    for i in range(200):
        book.put("projects", f"p-{i}", {"name": "bench", "note": "n" * 1900}, if_match=None)


@SQLITE_ONLY
def test_a_full_disk_is_said_so_and_writing_goes_on_after(book: Book) -> None:
    with book.database.administering() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
    event.listen(book.database._engine, "checkout", lambda raw, *_: raw.execute(f"PRAGMA max_page_count = {pages}"))
    before = book.rows()
    with pytest.raises(Unavailable) as refused:
        fill_up(book)
    assert refused.value.code == "disk-full"
    assert len(book.rows()["projects"]) == book.state() - before["workshops"][0][2]
    other = open_database(str(book.database._engine.url))
    try:
        assert Book.put(other_book(book, other), "projects", "later", {"name": "bench"}).created
    finally:
        other.close()


def other_book(book: Book, database: Database) -> Book:
    found = object.__new__(Book)
    found.database, found.workshop_id = database, book.workshop_id
    return found


@POSTGRESQL_ONLY
def test_a_reader_cannot_write(book: Book) -> None:
    with pytest.raises(DBAPIError, match="read-only"), book.reading() as reading:
        reading.connection.execute(text("UPDATE workshops SET state = state + 1"))


@POSTGRESQL_ONLY
def test_a_connection_that_was_cut_is_replaced(book: Book, database_url: str) -> None:
    cut = text(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
        " WHERE pid <> pg_backend_pid() AND datname = current_database()"
    )
    other = open_database(database_url)
    for write in (False, True):
        with other.administering() as connection:
            assert connection.execute(cut).all()
        if write:
            assert book.put("materials", "water", MATERIALS["water"]).created
        else:
            assert book.state() == 1
    other.close()


def test_a_server_that_is_away_is_said_so(tmp_path: Path) -> None:
    for url in ("postgresql://127.0.0.1:9/none", f"sqlite:///{tmp_path}/no/such/folder/w.db"):
        away = open_database(url, lock_timeout_s=0.05)
        with pytest.raises(Unavailable) as refused, away.looking():
            pass
        assert refused.value.code == "database-away"
        away.close()


@pytest.mark.parametrize("url", ["sqlite://", "sqlite:///:memory:", "mysql://host/db"])
def test_other_databases_are_refused(url: str) -> None:
    with pytest.raises(ValueError, match="sqlite"):
        open_database(url)


def test_plain_and_named_driver_are_one(database: Database, database_url: str) -> None:
    other = open_database(database_url.replace("postgresql+psycopg://", "postgresql://"))
    assert (other.dialect, other.server_version()) == (database.dialect, database.server_version())
    other.close()


def write_some(url: str, workshop_id: int, name: str) -> None:
    """What one process of several does."""
    database = open_database(url)
    for i in range(10):
        with database.writing(workshop_id, name, AT) as writing:
            records.append(writing, "projects", f"{name}-{i}", 1, "{}", None)
    database.close()


def test_several_processes_write_without_gaps(book: Book, database_url: str) -> None:
    spawn = multiprocessing.get_context("spawn")
    jobs = [spawn.Process(target=write_some, args=(database_url, book.workshop_id, name)) for name in ("a", "b", "c")]
    for job in jobs:
        job.start()
    for job in jobs:
        job.join(60)
    assert [job.exitcode for job in jobs] == [0, 0, 0]
    with book.reading() as reading:
        assert [change.state for _, change in records.changes(reading, 1, 100)] == list(range(2, 32))
