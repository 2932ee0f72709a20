"""The truth: workshops, tokens, revisions that are only ever added to, links; the reports of imports."""

from __future__ import annotations

from alembic import op
from sqlalchemy import CheckConstraint, Column, ForeignKeyConstraint, PrimaryKeyConstraint, UniqueConstraint

from service.store.types import INTEGER, TEXT

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "workshops",
        Column("id", INTEGER, nullable=False, autoincrement=True),
        Column("name", TEXT, nullable=False),
        Column("state", INTEGER, nullable=False),
        Column("currency", TEXT, nullable=False),
        PrimaryKeyConstraint("id", name="pk_workshops"),
        CheckConstraint("length(currency) = 3", name=op.f("ck_workshops_currency")),
        CheckConstraint("state >= 0", name=op.f("ck_workshops_state")),
        UniqueConstraint("name", name="uq_workshops_name"),
        sqlite_strict=True,
    )
    op.create_table(
        "tokens",
        Column("id", TEXT, nullable=False),
        Column("workshop", INTEGER, nullable=False),
        Column("name", TEXT, nullable=True),
        Column("scope", TEXT, nullable=False),
        Column("digest", TEXT, nullable=False),
        Column("made_at", TEXT, nullable=False),
        Column("expires_at", TEXT, nullable=True),
        Column("revoked_at", TEXT, nullable=True),
        PrimaryKeyConstraint("id", name="pk_tokens"),
        CheckConstraint("length(digest) = 64", name=op.f("ck_tokens_digest")),
        CheckConstraint("scope IN ('read', 'record', 'manage')", name=op.f("ck_tokens_scope")),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_tokens_workshop"),
        UniqueConstraint("digest", name="uq_tokens_digest"),
        sqlite_strict=True,
    )
    op.create_index("ix_tokens_workshop", "tokens", ["workshop"])
    op.create_table(
        "revisions",
        Column("workshop", INTEGER, nullable=False),
        Column("kind", TEXT, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=False),
        Column("state", INTEGER, nullable=False),
        Column("seq", INTEGER, nullable=False),
        Column("body", TEXT, nullable=True),
        Column("by", TEXT, nullable=False),
        Column("token", TEXT, nullable=True),
        Column("at", TEXT, nullable=False),
        Column("reason", TEXT, nullable=True),
        PrimaryKeyConstraint("workshop", "kind", "code", "revision", name="pk_revisions"),
        CheckConstraint("revision >= 1", name=op.f("ck_revisions_revision")),
        CheckConstraint("seq >= 1", name=op.f("ck_revisions_seq")),
        CheckConstraint("state >= 1", name=op.f("ck_revisions_state")),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_revisions_workshop"),
        UniqueConstraint("workshop", "state", "seq", name="uq_revisions_workshop_state_seq"),
        sqlite_strict=True,
    )
    op.create_table(
        "links",
        Column("workshop", INTEGER, nullable=False),
        Column("from_kind", TEXT, nullable=False),
        Column("from_code", TEXT, nullable=False),
        Column("to_kind", TEXT, nullable=False),
        Column("to_code", TEXT, nullable=False),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "from_kind", "from_code", "to_kind", "to_code", name="pk_links"),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_links_workshop"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_links_to", "links", ["workshop", "to_kind", "to_code", "from_kind", "from_code"])
    op.create_index("ix_links_workshop_state", "links", ["workshop", "state"])
    op.create_table(
        "imports",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("at", TEXT, nullable=False),
        Column("report", TEXT, nullable=False),
        PrimaryKeyConstraint("workshop", "code", name="pk_imports"),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_imports_workshop"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    for change in ("UPDATE", "DELETE"):
        refuse(change)


def refuse(change: str) -> None:
    """A trigger refuses to ``change`` a revision: what was written stays written."""
    trigger = f"revisions_no_{change.lower()}"
    if op.get_bind().dialect.name == "sqlite":
        op.execute(
            f"CREATE TRIGGER {trigger} BEFORE {change} ON revisions "
            "BEGIN SELECT RAISE(ABORT, 'revisions are only ever added to'); END"
        )
        return
    op.execute(
        "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION 'revisions are only ever added to' USING ERRCODE = 'restrict_violation'; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {trigger} BEFORE {change} ON revisions FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
    )
