"""Workshops for the tests of the answers: small ones on each database, one of 5,000 runs on SQLite."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.store.session import Database, open_database
from tests.answer.desk import Desk
from tests.world import World, make_world


@pytest.fixture
def desk(database: Database, workshop: str) -> Desk:
    """An empty workshop."""
    return Desk(database, workshop)


@pytest.fixture(scope="session")
def large_world() -> World:
    """5,000 runs of 25 routes, and what is true of them; nothing is charged short, so that the key input limits."""
    return make_world(2026, routes=25, steps_per_route=4, runs_per_step=50, short=0.0)


@pytest.fixture(scope="session")
def large(large_world: World, sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """The same in the books of a workshop. It is read by many tests and written in by none."""
    file = tmp_path_factory.mktemp("large") / "weighbook.db"
    shutil.copy(sqlite_template, file)
    database = open_database(f"sqlite:///{file}")
    yield Desk(database, "large").load(large_world)
    database.close()
