"""The demo, for tales that only read it; and an audit of the books that every other tale leaves behind."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import pytest
from flask.testing import FlaskClient

from service.answer.book import Book
from service.answer.ledger_audit import audit_of
from service.answer.snapshot import Memory
from service.app import SERVICE, create_app
from service.cli.demo import load, seed_files
from service.cli.opening import opened_at_newest_schema
from service.settings import Settings
from service.store.tokens import list_workshops

AT = dt.datetime(2026, 11, 25, 9, tzinfo=dt.UTC)


@pytest.fixture(autouse=True)
def audited(request: pytest.FixtureRequest) -> Iterator[None]:
    """At the end of a tale its books are as they must be in every workshop."""
    if "database" not in request.fixturenames:
        yield
        return
    database, workshop = request.getfixturevalue("database"), request.getfixturevalue("workshop")
    yield
    for workshop_id, name in list_workshops(database):
        if name.startswith(workshop):
            with database.reading(workshop_id) as reading:
                assert audit_of(Book(reading, Memory())) == []


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FlaskClient]:
    """The demo as it is served, on SQLite; it is only read."""
    settings = Settings(database_url=f"sqlite:///{tmp_path_factory.mktemp('demo') / 'weighbook.db'}")
    with opened_at_newest_schema(settings.database_url) as database:
        token = load(database, seed_files(None), at=AT)
    app = create_app(settings, now=lambda: AT)
    client = app.test_client()
    client.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {token}"
    yield client
    app.extensions[SERVICE].past.close()
    app.extensions[SERVICE].database.close()
