"""The demo, for tales that only read it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import pytest
from flask.testing import FlaskClient

from service.app import SERVICE, create_app
from service.cli.demo import load, seed_files
from service.cli.opening import opened_at_newest_schema
from service.settings import Settings

AT = dt.datetime(2026, 11, 25, 9, tzinfo=dt.UTC)


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
