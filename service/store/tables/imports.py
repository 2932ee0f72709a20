"""What came of each import."""

from __future__ import annotations

from sqlalchemy import ForeignKeyConstraint, Table

from service.store.types import integer, metadata, text

imports = Table(
    "imports",
    metadata,
    integer("workshop", primary_key=True),
    text("code", primary_key=True),
    text("at"),
    text("report"),
    ForeignKeyConstraint(["workshop"], ["workshops.id"]),
    sqlite_strict=True,
    sqlite_with_rowid=False,
)
"""``report`` is JSON, as it was answered. No record, so it has no state: what was written stands in the revisions."""
