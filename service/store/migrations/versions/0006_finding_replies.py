"""People answer findings."""

from __future__ import annotations

from alembic import op
from sqlalchemy import CheckConstraint, Column, ForeignKeyConstraint, PrimaryKeyConstraint

from service.store.types import INTEGER, TEXT

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Make the table of the replies; what outcomes find besides is derived by `weighbook upgrade`."""
    op.create_table(
        "finding_replies",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=False),
        Column("finding", TEXT, nullable=False),
        Column("kind", TEXT, nullable=False),
        Column("record", TEXT, nullable=False),
        Column("answer", TEXT, nullable=False),
        Column("reason", TEXT, nullable=False),
        Column("operator", TEXT, nullable=True),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "code", name="pk_finding_replies"),
        CheckConstraint("answer IN ('confirmed', 'corrected', 'wrong-alarm')", name=op.f("ck_finding_replies_answer")),
        CheckConstraint(
            "kind IN ('runs', 'lots', 'offers', 'purchases', 'routes')", name=op.f("ck_finding_replies_kind")
        ),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_finding_replies_workshop"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_finding_replies_workshop_record", "finding_replies", ["workshop", "kind", "record"])
    op.create_index("ix_finding_replies_workshop_state", "finding_replies", ["workshop", "state"])
