"""What was taken of a lot by a day is told from an index alone."""

from __future__ import annotations

from alembic import op

revision = "0007"
down_revision = "0006"

_COLUMNS = ["workshop", "lot", "on", "dimension", "quantity", "reason"]


def upgrade() -> None:
    """Make the index of the lines by lot anew, the day among what it holds."""
    op.drop_index("ix_entries_workshop_lot", "entries")
    op.create_index("ix_entries_workshop_lot", "entries", _COLUMNS)
