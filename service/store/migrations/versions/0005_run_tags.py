"""Statistics group by tags: the outcomes repeat those of their runs."""

from __future__ import annotations

from alembic import op
from sqlalchemy import Column

from service.store.types import TEXT

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add the column; what it holds is derived, by `weighbook upgrade`."""
    op.add_column("outcomes", Column("tags", TEXT, nullable=True))
