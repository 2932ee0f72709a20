"""The truth and who may reach it: workshops, their tokens, every revision of every record, who refers to whom."""

from __future__ import annotations

from typing import Final

from sqlalchemy import CheckConstraint, Column, ForeignKeyConstraint, Index, Table, UniqueConstraint

from service.store.types import INTEGER, integer, metadata, text, workshop_table

SCOPES: Final = ("read", "record", "manage")

workshops = Table(
    "workshops",
    metadata,
    Column("id", INTEGER, primary_key=True, autoincrement=True),
    text("name"),
    integer("state"),
    text("currency"),
    UniqueConstraint("name"),
    CheckConstraint("state >= 0", name="state"),
    CheckConstraint("length(currency) = 3", name="currency"),
    sqlite_strict=True,
)

tokens = Table(
    "tokens",
    metadata,
    text("id", primary_key=True),
    integer("workshop"),
    text("name", nullable=True),
    text("scope"),
    text("digest"),
    text("made_at"),
    text("expires_at", nullable=True),
    text("revoked_at", nullable=True),
    ForeignKeyConstraint(["workshop"], ["workshops.id"]),
    UniqueConstraint("digest"),
    CheckConstraint("scope IN ('read', 'record', 'manage')", name="scope"),
    CheckConstraint("length(digest) = 64", name="digest"),
    Index("ix_tokens_workshop", "workshop"),
    sqlite_strict=True,
)

revisions = Table(
    "revisions",
    metadata,
    integer("workshop", primary_key=True),
    text("kind", primary_key=True),
    text("code", primary_key=True),
    integer("revision", primary_key=True),
    integer("state"),
    integer("seq"),
    text("body", nullable=True),
    text("by"),
    text("token", nullable=True),
    text("at"),
    text("reason", nullable=True),
    ForeignKeyConstraint(["workshop"], ["workshops.id"]),
    UniqueConstraint("workshop", "state", "seq"),
    CheckConstraint("revision >= 1", name="revision"),
    CheckConstraint("state >= 1", name="state"),
    CheckConstraint("seq >= 1", name="seq"),
    sqlite_strict=True,
)
"""Append-only: a trigger refuses to change or remove a row. A body of NULL is a tombstone."""

links = workshop_table(
    "links",
    text("from_kind", primary_key=True),
    text("from_code", primary_key=True),
    text("to_kind", primary_key=True),
    text("to_code", primary_key=True),
    Index("ix_links_to", "workshop", "to_kind", "to_code", "from_kind", "from_code"),
    by_state=False,
)
