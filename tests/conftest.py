"""Databases for the tests: every test that asks for one runs on SQLite and on PostgreSQL, in a workshop of its own.

PostgreSQL is asked for at WEIGHBOOK_TEST_POSTGRESQL_URL, else on 127.0.0.1:5432. Where none answers, its half of the
tests is skipped by name; WEIGHBOOK_TEST_ALLOW_SKIP=0 makes that a failure.

One template database is brought to the newest schema once per test run; each test process copies it once. Whoever
works with a database holds an advisory lock on its name for as long as it lives, so that a database whose lock is free
is nobody's: the process that finds it drops it, however its owner ended.
"""

from __future__ import annotations

import os
import secrets
import socket
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import psycopg
import pytest
from psycopg import sql

if TYPE_CHECKING:
    from flask import Flask
    from flask.testing import FlaskClient

    from service.store.session import Database

DRIVER = "postgresql+psycopg://"
USUAL_URLS = [f"{DRIVER}127.0.0.1:5432/postgres", f"{DRIVER}postgres@127.0.0.1:5432/postgres"]
PREFIX = "weighbook_test_"
MAKING = PREFIX + "making"  # no database: the name of the lock under which databases are made and dropped


@pytest.fixture(autouse=True)
def _no_outside_socket(monkeypatch: pytest.MonkeyPatch) -> None:
    """A test that asks the outside world for anything fails."""

    def guarded(connect: Any) -> Any:
        def connect_on_this_machine(sock: socket.socket, address: Any) -> Any:
            if sock.family in (socket.AF_INET, socket.AF_INET6) and address[0] not in ("127.0.0.1", "::1", "localhost"):
                sock.close()
                raise AssertionError(f"a test reached out to {address[0]}")
            return connect(sock, address)

        return connect_on_this_machine

    monkeypatch.setattr(socket.socket, "connect", guarded(socket.socket.connect))
    monkeypatch.setattr(socket.socket, "connect_ex", guarded(socket.socket.connect_ex))


class PostgresqlServer:
    """The server that the tests use, seen through one connection that holds the locks of this process."""

    def __init__(self, url: str, connection: psycopg.Connection) -> None:
        self._url = url
        self._connection = connection

    def url_of(self, name: str) -> str:
        """The URL of a database of this server."""
        return self._url.rpartition("/")[0] + "/" + name

    def _lock(self, function: str, name: str) -> bool:
        query = sql.SQL("SELECT {}(hashtextextended(%s, 0))").format(sql.Identifier(function))
        return self._connection.execute(query, [name]).fetchone() == (True,)

    @contextmanager
    def making(self) -> Iterator[None]:
        """One process at a time makes and drops databases."""
        self._lock("pg_advisory_lock", MAKING)
        try:
            yield
        finally:
            self._lock("pg_advisory_unlock", MAKING)

    def databases(self) -> list[str]:
        """The names of the databases that test processes have made and not dropped."""
        query = "SELECT datname FROM pg_database WHERE starts_with(datname, %s)"
        return [name for (name,) in self._connection.execute(query, [PREFIX])]

    def drop_what_nobody_uses(self) -> None:
        """Drop the databases of processes that have ended."""
        for name in self.databases():
            if self._lock("pg_try_advisory_lock", name):
                self._drop(name)
                self._lock("pg_advisory_unlock", name)

    def _drop(self, name: str) -> None:
        self._connection.execute(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name)))

    def use_template(self, name: str) -> None:
        """Make the template of this test run, unless another process has: a database of the newest schema, empty."""
        self._lock("pg_advisory_lock_shared", name)
        if name not in self.databases():
            self._connection.execute(sql.SQL("CREATE DATABASE {} TEMPLATE template0").format(sql.Identifier(name)))
            try:
                bring_to_newest_schema(self.url_of(name))
            except BaseException:
                self._drop(name)
                raise

    def use_copy(self, name: str, template: str) -> None:
        """Make the database of this process."""
        self._lock("pg_advisory_lock", name)
        copy = sql.SQL("CREATE DATABASE {} TEMPLATE {}").format(sql.Identifier(name), sql.Identifier(template))
        self._connection.execute(copy)

    def leave(self, name: str, template: str) -> None:
        """Drop the database of this process, and the template with its last user."""
        with self.making():
            self._lock("pg_advisory_unlock", name)
            self._lock("pg_advisory_unlock_shared", template)
            self.drop_what_nobody_uses()


def bring_to_newest_schema(url: str) -> None:
    from service.store.session import open_database

    database = open_database(url)
    try:
        database.upgrade()
    finally:
        database.close()


def connect_to_postgresql() -> tuple[str, psycopg.Connection]:
    """Connect to the first server that answers and lets us in; skip, or fail where nothing may be skipped."""
    refusals = []
    asked = os.environ.get("WEIGHBOOK_TEST_POSTGRESQL_URL")
    for url in [asked] if asked else USUAL_URLS:
        try:
            plain = url.replace(DRIVER, "postgresql://", 1)
            return url, psycopg.connect(plain, autocommit=True, connect_timeout=5)
        except psycopg.OperationalError as refusal:
            refusals.append(f"{url}: {refusal}")
    reason = "PostgreSQL does not answer: " + "; ".join(refusals)
    if os.environ.get("WEIGHBOOK_TEST_ALLOW_SKIP") == "0":
        pytest.fail(reason, pytrace=False)
    pytest.skip(reason)


@pytest.fixture(scope="session")
def postgresql_url(testrun_uid: str) -> Iterator[str]:
    """The URL of the PostgreSQL database of this test process, at the newest schema."""
    url, connection = connect_to_postgresql()
    with connection:
        server = PostgresqlServer(url, connection)
        template = f"{PREFIX}{testrun_uid[:12]}_template"
        name = f"{PREFIX}{testrun_uid[:12]}_{secrets.token_hex(4)}"
        with server.making():
            server.drop_what_nobody_uses()
            server.use_template(template)
            server.use_copy(name, template)
        yield server.url_of(name)
        server.leave(name, template)


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An SQLite file at the newest schema, empty."""
    file = tmp_path_factory.mktemp("sqlite") / "template.db"
    bring_to_newest_schema(f"sqlite:///{file}")
    return file


@pytest.fixture
def sqlite_url(sqlite_template: Path, tmp_path: Path) -> str:
    """The URL of an SQLite file of this test alone, at the newest schema."""
    file = tmp_path / "weighbook.db"
    with closing(sqlite3.connect(sqlite_template)) as template, closing(sqlite3.connect(file)) as copy:
        template.backup(copy)
    return f"sqlite:///{file}"


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest) -> str:
    """The URL of a database at the newest schema; a test that asks for it runs once on each kind.

    A test of one kind says ``@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)``.
    """
    url: str = request.getfixturevalue(f"{request.param}_url")
    return url


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    """The database, opened."""
    from service.store.session import open_database

    opened = open_database(database_url)
    yield opened
    opened.close()


@pytest.fixture
def workshop() -> str:
    """The name of a workshop that no other test knows."""
    return f"workshop-{secrets.token_hex(6)}"


@pytest.fixture
def app(database_url: str) -> Iterator[Flask]:
    """The service on the database of this test."""
    from service.app import SERVICE, create_app
    from service.settings import Settings

    app = create_app(Settings(database_url=database_url))
    yield app
    app.extensions[SERVICE].past.close()
    app.extensions[SERVICE].database.close()


@pytest.fixture
def client(app: Flask, database: Database, workshop: str) -> FlaskClient:
    """A client that may do everything in the workshop of this test."""
    from service.store.tokens import create_token

    client = app.test_client()
    client.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {create_token(database, workshop, 'manage', 'bench')}"
    return client
