"""What is sent to a database meanwhile."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import event

from service.store.session import Database


@contextmanager
def statements(database: Database) -> Iterator[list[str]]:
    """What is sent to the database meanwhile."""
    sent: list[str] = []

    def listener(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if not statement.startswith("BEGIN"):
            sent.append(statement)

    event.listen(database._engine, "before_cursor_execute", listener)
    try:
        yield sent
    finally:
        event.remove(database._engine, "before_cursor_execute", listener)
