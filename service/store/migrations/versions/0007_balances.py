"""What is left of a lot is kept; the runs of a step before another are found whatever else there is of that step."""

from __future__ import annotations

from typing import Final

from alembic import op
from sqlalchemy import CheckConstraint, Column, ForeignKeyConstraint, PrimaryKeyConstraint, text

from service.store.types import INTEGER, TEXT

revision = "0007"
down_revision = "0006"


# Whole in 10⁹ and the rest of a line have its sign on both databases: what they sum to is carried over into a rest
# from 0 on.
_SUMS: Final = """
INSERT INTO balances (workshop, lot, giga, rest, unknown, state)
SELECT workshop, lot, CAST(giga + (rest - carried) / 1000000000 AS BIGINT), CAST(carried AS BIGINT), unknown, state
FROM (
    SELECT summed.*, (rest % 1000000000 + 1000000000) % 1000000000 AS carried FROM (
        SELECT workshop, lot, coalesce(sum(quantity / 1000000000), 0) AS giga,
            coalesce(sum(quantity % 1000000000), 0) AS rest, count(reason) AS unknown, max(state) AS state
        FROM entries WHERE lot IS NOT NULL GROUP BY workshop, lot
    ) AS summed
) AS carrying
"""


def upgrade() -> None:
    """Make the table with the sums of the lines, and the indexes anew that write and ask less with it."""
    op.create_table(
        "balances",
        Column("workshop", INTEGER, nullable=False),
        Column("lot", TEXT, nullable=False),
        Column("giga", INTEGER, nullable=False),
        Column("rest", INTEGER, nullable=False),
        Column("unknown", INTEGER, nullable=False),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "lot", name="pk_balances"),
        CheckConstraint("rest BETWEEN 0 AND 999999999", name=op.f("ck_balances_rest")),
        CheckConstraint("unknown >= 0", name=op.f("ck_balances_unknown")),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_balances_workshop"),
        ForeignKeyConstraint(["workshop", "lot"], ["lots.workshop", "lots.code"], name="fk_balances_workshop_lot"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.execute(_SUMS)
    op.drop_index("ix_links_workshop_state", "links")
    op.drop_index("ix_entries_workshop_lot", "entries")
    op.create_index("ix_entries_workshop_lot", "entries", ["workshop", "lot", "on", "quantity"])
    op.drop_index("ix_stock_entries_workshop_lot", "stock_entries")
    op.create_index("ix_stock_entries_workshop_lot", "stock_entries", ["workshop", "lot", "kind", "on"])
    op.drop_index("ix_outcomes_workshop_step_day", "outcomes")
    usable = text("status = 'finished' AND excluded = 0 AND yield_fraction > 0")
    op.create_index(
        "ix_outcomes_usable",
        "outcomes",
        [
            "workshop",
            "route",
            "step",
            "pooled_as",
            "finished_on",
            "run",
            "yield_fraction",
            "batch_g",
            "status",
            "excluded",
        ],
        sqlite_where=usable,
        postgresql_where=usable,
    )
