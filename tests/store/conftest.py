"""Workshops for the tests of the store and of the write stories."""

from __future__ import annotations

import pytest

from service.store.session import Database
from tests.store.book import Book


@pytest.fixture
def book(database: Database, workshop: str) -> Book:
    """An empty workshop."""
    return Book(database, workshop)


@pytest.fixture
def filled(book: Book) -> Book:
    """A workshop with materials, a route, a lot, and a run of either step."""
    book.fill_with_runs()
    return book
