"""Clients of the service: one for each scope, all in the workshop of the test."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from service.app import SERVICE, create_app
from service.settings import Settings
from service.store.session import Database
from service.store.tokens import create_token

ClientOf = Callable[..., FlaskClient]
AppOf = Callable[..., Flask]


def with_token(app: Flask, token: str | None) -> FlaskClient:
    """A client that sends this token with every request."""
    client = app.test_client()
    if token is not None:
        client.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {token}"
    return client


@pytest.fixture
def app_of(database_url: str) -> Iterator[AppOf]:
    """Make the service on the database of this test, with settings and a clock of its own."""
    made: list[Flask] = []

    def make(now: Callable[[], dt.datetime] | None = None, **settings: Any) -> Flask:
        clock = {} if now is None else {"now": now}
        made.append(create_app(Settings(database_url=database_url, **settings), **clock))
        return made[-1]

    yield make
    for app in made:
        app.extensions[SERVICE].database.close()


@pytest.fixture
def client_of(database: Database, workshop: str, app_of: AppOf) -> ClientOf:
    """Make a client of a scope in the workshop of this test; it has an app of its own."""

    def make(scope: str = "manage", **settings: Any) -> FlaskClient:
        return with_token(app_of(**settings), create_token(database, workshop, scope, "bench"))

    return make


@pytest.fixture
def bench(client_of: ClientOf) -> FlaskClient:
    """A client that may do everything in the workshop of this test."""
    return client_of("manage")
