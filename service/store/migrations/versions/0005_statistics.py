"""Statistics group by tags, which outcomes repeat of their runs; slips are asked of the runs of a step just before."""

from __future__ import annotations

from alembic import op
from sqlalchemy import Column

from service.store.types import TEXT

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add the column, whose values `weighbook upgrade` derives, and the order of a step's runs in time."""
    op.add_column("outcomes", Column("tags", TEXT, nullable=True))
    columns = ["workshop", "route", "step", "finished_on", "run"]
    columns += ["pooled_as", "status", "excluded", "yield_fraction", "batch_g"]
    op.create_index("ix_outcomes_workshop_step_day", "outcomes", columns)
