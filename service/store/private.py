"""A book of one's own: a database in memory that holds the truth of one workshop up to a state, for one process.

It has the newest schema as the tables describe it. Nothing is derived in it yet, and nothing of it outlives the
process or :meth:`PrivateDatabase.close`.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final, TypeVar

from sqlalchemy import Connection, Engine, func, insert, select

from service.store.engines import engine_in_memory
from service.store.session import Database, Reading
from service.store.tables import revisions, workshops
from service.store.types import metadata

_AT_ONCE: Final = 1000
T = TypeVar("T")


class PrivateDatabase(Database):
    """A database of one connection: its sessions follow one another."""

    def __init__(self) -> None:
        engine = engine_in_memory()
        super().__init__(engine, lock_timeout_s=0)
        self._lock_file = None  # no other process can see it
        self._one_at_a_time = threading.Lock()
        with self.administering() as connection:
            metadata.create_all(connection)

    def bytes_taken(self) -> int:
        """What the database takes in memory."""
        with self.looking() as connection:
            return int(connection.exec_driver_sql("PRAGMA page_count").scalar_one()) * int(
                connection.exec_driver_sql("PRAGMA page_size").scalar_one()
            )

    @contextmanager
    def _session(self, engine: Engine, first: Callable[[Connection], T]) -> Iterator[tuple[Connection, T]]:
        with self._one_at_a_time, super()._session(engine, first) as found:
            yield found


def count_until(reading: Reading, state: int) -> int:
    """How many revisions the workshop of ``reading`` had at a state of it."""
    statement = select(func.count()).where(revisions.c.workshop == reading.workshop_id, revisions.c.state <= state)
    return int(reading.connection.scalar(statement) or 0)


def copied_until(reading: Reading, state: int) -> PrivateDatabase:
    """Return a private database with the workshop at ``state``, and every revision that it had then."""
    private = PrivateDatabase()
    own = select(workshops).where(workshops.c.id == reading.workshop_id)
    truth = select(revisions).where(revisions.c.workshop == reading.workshop_id, revisions.c.state <= state)
    with private.administering() as connection:
        connection.execute(
            insert(workshops), [{**row._mapping, "state": state} for row in reading.connection.execute(own)]
        )
        found = reading.connection.execute(truth.order_by(revisions.c.state, revisions.c.seq))
        while rows := found.fetchmany(_AT_ONCE):
            connection.execute(insert(revisions), [dict(row._mapping) for row in rows])
    return private
