"""Offers may say how long their packs keep."""

from __future__ import annotations

from alembic import op
from sqlalchemy import Column

from service.store.types import TEXT

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """Add the column; no offer that was written before states it."""
    op.add_column("offers", Column("shelf_life", TEXT, nullable=True))
