"""The reports of imports, kept as they were answered."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, select
from sqlalchemy.dialects import postgresql, sqlite

from service.store.session import Reading
from service.store.tables import imports


def keep_report(connection: Connection, workshop_id: int, report: Mapping[str, Any]) -> None:
    """Keep a report under its code; one that is there already stays as it is."""
    dialect: Any = sqlite if connection.dialect.name == "sqlite" else postgresql
    text = json.dumps(report, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    row = {"workshop": workshop_id, "code": report["code"], "at": report["at"], "report": text}
    connection.execute(dialect.insert(imports).on_conflict_do_nothing(index_elements=["workshop", "code"]), row)


def report_of(reading: Reading, code: str) -> dict[str, Any] | None:
    """The report of an import, or None where the workshop had none of that code."""
    statement = select(imports.c.report).where(imports.c.workshop == reading.workshop_id, imports.c.code == code)
    text = reading.connection.scalar(statement)
    found: dict[str, Any] | None = None if text is None else json.loads(text)
    return found
