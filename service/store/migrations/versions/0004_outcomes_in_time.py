"""The newest runs of a step before a day are found by index."""

from __future__ import annotations

from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    op.create_index("ix_outcomes_workshop_step_day", "outcomes", ["workshop", "route", "step", "finished_on", "run"])
