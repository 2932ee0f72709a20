"""Workshops to import into."""

from __future__ import annotations

import pytest

from service.store.session import Database
from tests.store.book import Book


@pytest.fixture
def book(database: Database, workshop: str) -> Book:
    """An empty workshop."""
    return Book(database, workshop)
