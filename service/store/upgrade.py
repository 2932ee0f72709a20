"""Bring a database to the newest schema: all steps in one transaction, so that a failing one changes nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager, closing
from pathlib import Path
from typing import Final

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine
from sqlalchemy.sql import text

from service.store.engines import WRITES, file_of
from service.store.migrations import HEAD, stamped

# Any number that no other program on the server locks; the letters "weighs" in ASCII.
_ADVISORY_LOCK: Final = 0x776569676873


class Upgrade:
    """The way of one database to the newest schema; ``write_lock`` keeps other processes' writes out meanwhile."""

    def __init__(self, engine: Engine, write_lock: Callable[[], AbstractContextManager[None]]) -> None:
        self._engine = engine
        self._write_lock = write_lock

    def run(self) -> None:
        """Copy what SQLite file there is, then take all steps that are missing, or none."""
        engine = self._engine.execution_options(**{WRITES: True})
        with self._write_lock(), engine.connect() as connection:
            sqlite_file = file_of(self._engine)
            if sqlite_file is None:
                connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _ADVISORY_LOCK})
            reached = stamped(connection)
            if reached == HEAD:
                return
            if sqlite_file is not None and reached is not None:
                copy_of(sqlite_file, reached)
            self._take_steps(connection, sqlite_file)
            connection.commit()

    def _take_steps(self, connection: Connection, sqlite_file: Path | None) -> None:
        if sqlite_file is not None:
            # A step that rebuilds a table drops the old one, and rows that refer to it are found again by its name.
            connection.exec_driver_sql("PRAGMA defer_foreign_keys = ON")
        settings = migration_settings()
        settings.attributes["connection"] = connection
        command.upgrade(settings, "head")
        if sqlite_file is not None and (broken := connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()):
            raise RuntimeError(f"the upgrade would leave rows that refer to nothing: {broken[:5]}")


def migration_settings() -> Config:
    """The migration library's settings: where the steps are. No file of its own is needed."""
    settings = Config()
    settings.set_main_option("script_location", "service.store:migrations")
    settings.set_main_option("path_separator", "os")
    return settings


def newest_step() -> str | None:
    """The newest step among the files, which ``HEAD`` repeats."""
    return ScriptDirectory.from_config(migration_settings()).get_current_head()


def copy_of(file: Path, reached: str) -> Path:
    """Copy an SQLite database beside itself, named by the schema it has, and return the copy."""
    copy = file.with_name(f"{file.name}.before-upgrade-from-{reached}")
    # Under a name of its own until it is whole.
    unfinished = copy.with_name(copy.name + ".unfinished")
    unfinished.unlink(missing_ok=True)
    with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(unfinished)) as target:
        source.backup(target)
    unfinished.replace(copy)
    return copy
