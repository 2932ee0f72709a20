"""Sessions: one snapshot to read from, one transaction to write in, and what goes wrong with either, by reason.

A reader sees one state of its workshop: SQLite's snapshot begins with the first read, PostgreSQL's is REPEATABLE READ,
READ ONLY. A writer first moves the workshop's state by one. On PostgreSQL that locks the workshop's row; on SQLite the
transaction begins IMMEDIATE behind a lock file: either way one writer a workshop, in the order of commits, without
gaps. Leaving a session without reaching its end rolls back.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from sqlalchemy import Connection, Engine, Table, bindparam, select, update
from sqlalchemy.exc import DBAPIError, TimeoutError
from sqlalchemy.sql import text as raw_sql

from service.errors import Unavailable, UnknownRecord
from service.store.engines import WRITES, engine_for, file_of
from service.store.lockfile import LockFile
from service.store.prepared import Rows, fetched
from service.store.refusals import TryAgain, is_away, refusal_of
from service.store.tables import workshops
from service.store.waiting import Waiting

if TYPE_CHECKING:
    from service.store.upgrade import Upgrade

MOST_TRIES: Final = 5
T = TypeVar("T")

# Built once: putting a statement together costs more than running it, and these run with every request.
_OWN: Final = workshops.c.id == bindparam("workshop")
_STATE: Final = select(workshops.c.state).where(_OWN)
_MOVED: Final = update(workshops).values(state=workshops.c.state + 1).where(_OWN)
_MOVE: Final = _MOVED.returning(workshops.c.state)
_HOLD: Final = update(workshops).values(state=workshops.c.state).where(_OWN).returning(workshops.c.state)
_BEGIN: Final = _MOVED.returning(workshops.c.state, workshops.c.currency)


class Reading:
    """One snapshot of one workshop: its ``state``, and the connection that reads it."""

    def __init__(self, connection: Connection, workshop_id: int, state: int) -> None:
        self._connection = connection
        self.workshop_id = workshop_id
        self.state = state

    @property
    def connection(self) -> Connection:
        """The connection that reads the snapshot."""
        return self._connection

    @property
    def dialect(self) -> str:
        """``sqlite`` or ``postgresql``."""
        return self._connection.dialect.name


class Writing(Reading):
    """One write transaction of one workshop. ``state`` is the new one, that everything written in it carries.

    Rows that are put wait until something else is asked of the connection, so that they go in few statements.
    ``currency`` is that of the books as the transaction found them, None where it did not ask.
    """

    def __init__(
        self,
        connection: Connection,
        workshop_id: int,
        state: int,
        by: str,
        at: dt.datetime,
        token: str | None,
        currency: str | None = None,
    ) -> None:
        super().__init__(connection, workshop_id, state)
        self.currency = currency
        self.by = by
        self.at = at
        self.token = token
        self._seq = 0
        self._first_state = state
        self._waiting = Waiting()
        self.abandoned = False

    @property
    def connection(self) -> Connection:
        """The connection; whatever is asked of it finds every row that was put before."""
        self.send()
        return self._connection

    def put(self, table: Table, row: Mapping[str, Any]) -> None:
        """Let a row be written, over the one that has the same key."""
        if self._waiting.put(table, row):
            self.send()

    def send(self) -> None:
        """Send what waits to be written: the database's own refusals come with it."""
        if self._waiting:
            self._waiting.send(self._connection)

    def abandon(self) -> None:
        """Let the transaction be rolled back at its end: nothing was to be written after all, and no state moves."""
        self.abandoned = True
        self.state = self._first_state - 1

    def move_on(self) -> None:
        """Move the workshop's state by one more within this transaction; what is written from here on carries it.

        Readers see none of the states in between: they come with the commit, all at once.
        """
        (self.state,) = _known(fetched(self.connection, _MOVE, {"workshop": self.workshop_id}))
        self._seq = 0

    def next_seq(self) -> int:
        """The place of the next revision within this state, from 1."""
        self._seq += 1
        return self._seq


class Replaying(Writing):
    """A write transaction that makes derived rows again: ``state`` is set to that of each revision in turn."""


class Database:
    """A database: the pool of its connections, and the ways to begin a session on it."""

    def __init__(self, engine: Engine, lock_timeout_s: float) -> None:
        self._engine = engine
        self._lock_timeout_s = lock_timeout_s
        self.file: Path | None = file_of(engine)
        self._lock_file = None if self.file is None else LockFile(self.file.with_name(self.file.name + ".lock"))
        snapshot: dict[str, Any] = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
        self._reader = engine.execution_options(**(snapshot if self.file is None else {}))
        # One statement by itself needs no transaction: a server is spared the two round trips of its begin and end.
        self._looker = engine if self.file is not None else engine.execution_options(isolation_level="AUTOCOMMIT")
        self._writer = engine.execution_options(**{WRITES: True})

    @property
    def dialect(self) -> str:
        """``sqlite`` or ``postgresql``."""
        return self._engine.dialect.name

    @contextmanager
    def reading(self, workshop_id: int) -> Iterator[Reading]:
        """One snapshot of a workshop. Raises :class:`UnknownRecord` where there is no such workshop."""
        with self._session(self._reader, lambda found: _first(found, _STATE, workshop_id)) as (connection, found):
            (state,) = _known(found)
            yield Reading(connection, workshop_id, state)

    @contextmanager
    def writing(self, workshop_id: int, by: str, at: dt.datetime, token: str | None = None) -> Iterator[Writing]:
        """One write transaction; the workshop's state moves by one first. Commits at a clean end, else rolls back.

        ``by`` and ``token`` say who writes, ``at`` when, with its zone. Raises :class:`Unavailable` where the database
        is busy, full or away, :class:`TryAgain` where the whole story is to be tried again (see :meth:`retrying`).
        """
        with self._written(lambda found: _first(found, _BEGIN, workshop_id)) as (connection, found):
            state, currency = _known(found)
            writing = Writing(connection, workshop_id, state, by, at, token, currency)
            yield writing
            if writing.abandoned:
                connection.rollback()
            else:
                writing.send()

    @contextmanager
    def replaying(self, workshop_id: int) -> Iterator[Replaying]:
        """One write transaction that moves no state, to make derived rows again."""
        # The row is written as it is: that keeps out other writers of the workshop on either database.
        with self._written(lambda found: _first(found, _HOLD, workshop_id)) as (connection, found):
            at = dt.datetime.min.replace(tzinfo=dt.UTC)
            (state,) = _known(found)
            replaying = Replaying(connection, workshop_id, state, "", at, None)
            yield replaying
            replaying.send()

    @contextmanager
    def looking(self) -> Iterator[Connection]:
        """A connection that reads outside of any workshop, one statement at a time: tokens, workshops, the schema."""
        with self._session(self._looker, lambda _: None) as (connection, _):
            yield connection

    @contextmanager
    def administering(self) -> Iterator[Connection]:
        """A write transaction outside of any workshop's records: tokens, new workshops."""
        with self._written(lambda _: None) as (connection, _):
            yield connection

    def retrying(self, story: Callable[[], T]) -> T:
        """Return what ``story`` returns, tried again at most five times where its transaction collided with another."""
        for _ in range(MOST_TRIES - 1):
            try:
                return story()
            except TryAgain:
                continue
        return story()

    def server_version(self) -> str:
        """The version of SQLite or PostgreSQL; raises :class:`Unavailable` where it does not answer."""
        query = "SELECT sqlite_version()" if self.file is not None else "SHOW server_version"
        with self.looking() as connection:
            return str(connection.scalar(raw_sql(query)))

    @property
    def _upgrade(self) -> Upgrade:
        from service.store.upgrade import Upgrade  # the migration library costs a quarter of a second

        return Upgrade(self._engine, self._write_lock)

    def upgrade(self) -> None:
        """Bring the schema to the newest, in one transaction; an SQLite file that holds tables is copied first."""
        self._upgrade.run()

    def schema_head(self) -> str:
        """The newest schema that this program knows."""
        from service.store.migrations import HEAD

        return HEAD

    def schema_revision(self) -> str | None:
        """The schema that the database has; None where it is empty."""
        from service.store.migrations import stamped

        with self.looking() as connection:
            return stamped(connection)

    def is_current(self) -> bool:
        """Say whether the database has the newest schema."""
        return self.schema_revision() == self.schema_head()

    def close(self) -> None:
        """Close the pool's connections."""
        self._engine.dispose()

    def _write_lock(self) -> AbstractContextManager[None]:
        return nullcontext() if self._lock_file is None else self._lock_file.held(self._lock_timeout_s)

    @contextmanager
    def _written(self, first: Callable[[Connection], T]) -> Iterator[tuple[Connection, T]]:
        with self._write_lock(), self._session(self._writer, first) as (connection, answer):
            yield connection, answer
            with _typed_refusals():
                try:
                    connection.commit()
                except BaseException:
                    # What a failed commit leaves open is rolled back by closing the connection itself.
                    connection.invalidate()
                    raise

    @contextmanager
    def _session(self, engine: Engine, first: Callable[[Connection], T]) -> Iterator[tuple[Connection, T]]:
        """A connection after its first statement. It is rolled back at the end, unless it was committed."""
        with _typed_refusals():
            connection, answer = self._begun(engine, first)
            try:
                yield connection, answer
            finally:
                connection.close()

    def _begun(self, engine: Engine, first: Callable[[Connection], T]) -> tuple[Connection, T]:
        """Begin, on a new connection where a pooled one turns out to have died since its last use."""
        for last_try in (False, True):
            connection = engine.connect()
            try:
                return connection, first(connection)
            except DBAPIError as error:
                connection.close()
                if last_try or not is_away(error):
                    raise
            except BaseException:
                connection.close()
                raise
        raise AssertionError("the second try returns or raises")


def open_database(url: str, *, lock_timeout_s: float = 5.0) -> Database:
    """Return the database of a URL, ``sqlite:///path`` or ``postgresql://…``. Connects when it is first used.

    ``lock_timeout_s`` is how long a write waits for the writes of others before it is refused as busy.
    """
    return Database(engine_for(url, lock_timeout_s), lock_timeout_s)


def _first(connection: Connection, statement: Any, workshop_id: int) -> Rows:
    """The rows of the first statement of a transaction, which begins with it."""
    if not connection.in_transaction():
        connection.begin()
    return fetched(connection, statement, {"workshop": workshop_id})


def _known(found: Rows) -> tuple[Any, ...]:
    if not found:
        raise UnknownRecord("there is no such workshop")
    return found[0]


@contextmanager
def _typed_refusals() -> Iterator[None]:
    """Turn what the drivers raise into errors of a reason, where the reason lies outside of the statement."""
    try:
        yield
    except TimeoutError as error:
        raise Unavailable("all connections to the database are in use: try again", code="busy") from error
    except DBAPIError as error:
        refusal = refusal_of(error)
        if refusal is None:
            raise
        raise refusal from error
