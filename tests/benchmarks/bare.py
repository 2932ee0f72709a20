"""The floor of a write: the rows that the service made, kept again in bare tables by SQLAlchemy Core and one commit."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from flask import Flask, Response, jsonify, request
from sqlalchemy import Column, Engine, MetaData, Table, create_engine, event, insert, select

from service.store.session import Reading
from service.store.tables import entries, links, lots, outcomes, revisions, runs

OF_A_RUN = {"revisions": "code", "runs": "code", "outcomes": "run", "entries": "source_code"}
"""The tables that hold a run, and the column of each that holds its code."""
OF_A_BOOK = (revisions, runs, outcomes, entries, lots, links)

Rows = Mapping[str, Sequence[Mapping[str, Any]]]


def rows_of_run(reading: Reading, code: str) -> dict[str, list[dict[str, Any]]]:
    """The rows of one run: a revision, a run, an outcome, and a ledger line a charge and outturn, one for its hours."""
    tables = {table.name: table for table in OF_A_BOOK}
    return {name: _rows(reading, tables[name], tables[name].c[column] == code) for name, column in OF_A_RUN.items()}


def rows_of_book(reading: Reading) -> dict[str, list[dict[str, Any]]]:
    """The rows that the runs and lots of a workshop take."""
    return {table.name: _rows(reading, table) for table in OF_A_BOOK}


def _rows(reading: Reading, table: Table, *conditions: Any) -> list[dict[str, Any]]:
    statement = select(table).where(table.c.workshop == reading.workshop_id, *conditions)
    return [dict(row) for row in reading.connection.execute(statement).mappings()]


class BareStore:
    """Tables of the same columns and primary keys and nothing else, on the same kind of database, as durable."""

    def __init__(self, url: str) -> None:
        self.engine = _engine(url)
        self._metadata = MetaData()
        self._tables = {table.name: _bare(table, self._metadata) for table in OF_A_BOOK}
        self._metadata.create_all(self.engine)

    def close(self) -> None:
        """Take the tables away again, which may stand in a database that others look at, and let go of it."""
        self._metadata.drop_all(self.engine)
        self.engine.dispose()

    def insert(self, rows: Rows) -> None:
        """Insert rows by table, with one commit."""
        with self.engine.begin() as connection:
            for name, several in rows.items():
                if several:
                    connection.execute(insert(self._tables[name]), several)


def _bare(table: Table, metadata: MetaData) -> Table:
    columns = [Column(each.name, each.type, primary_key=each.primary_key) for each in table.columns]
    return Table(f"bare_{table.name}", metadata, *columns)


def _engine(url: str) -> Engine:
    if not url.startswith("sqlite"):
        return create_engine(url)
    engine = create_engine(url.replace(".db", "-bare.db"))

    def set_up(connection: sqlite3.Connection, _record: object) -> None:
        connection.execute("PRAGMA journal_mode = WAL").fetchall()
        connection.execute("PRAGMA synchronous = FULL").fetchall()

    event.listen(engine, "connect", set_up)
    return engine


def bare_app(store: BareStore, template: Rows) -> Flask:
    """A bare Flask app: a PUT parses its JSON and inserts the rows of a run under its code.

    ``template`` is what :func:`rows_of_run` found.
    """
    app = Flask("bare")

    @app.put("/runs/<code>")
    def put_run(code: str) -> tuple[Response, int]:
        body = request.get_json()
        rows = {name: [{**row, OF_A_RUN[name]: code} for row in several] for name, several in template.items()}
        store.insert(rows)
        return jsonify(code=code, charges=len(body["charges"])), 201

    return app


def served(url: str, template_file: str) -> Flask:
    """The same app for a server that is started by name; the rows of a run are in a file of JSON."""
    return bare_app(BareStore(url), json.loads(Path(template_file).read_text("utf-8")))
