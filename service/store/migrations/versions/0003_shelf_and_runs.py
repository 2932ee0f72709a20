"""What happened: lots, pools, runs, their outcomes and the ledger's lines."""

from __future__ import annotations

from alembic import op
from sqlalchemy import CheckConstraint, Column, ForeignKeyConstraint, PrimaryKeyConstraint

from service.store.types import INTEGER, REAL, TEXT

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    op.create_table(
        "lots",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=True),
        Column("material", TEXT, nullable=False),
        Column("dimension", TEXT, nullable=False),
        Column("amount", INTEGER, nullable=True),
        Column("strength", TEXT, nullable=False),
        Column("hazards", TEXT, nullable=True),
        Column("source_kind", TEXT, nullable=False),
        Column("source_code", TEXT, nullable=False),
        Column("origin", TEXT, nullable=False),
        Column("supplier", TEXT, nullable=True),
        Column("project", TEXT, nullable=True),
        Column("received_on", TEXT, nullable=True),
        Column("expires_on", TEXT, nullable=True),
        Column("value_micro", INTEGER, nullable=True),
        Column("currency", TEXT, nullable=True),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "code", name="pk_lots"),
        CheckConstraint("amount >= 0", name=op.f("ck_lots_amount")),
        CheckConstraint("dimension IN ('mass', 'volume', 'amount')", name=op.f("ck_lots_dimension")),
        CheckConstraint("(source_kind = 'lots') = (revision IS NOT NULL)", name=op.f("ck_lots_revision")),
        CheckConstraint("source_kind IN ('lots', 'runs', 'pools')", name=op.f("ck_lots_source")),
        CheckConstraint("(value_micro IS NULL) = (currency IS NULL)", name=op.f("ck_lots_value")),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_lots_workshop"),
        ForeignKeyConstraint(
            ["workshop", "material"], ["materials.workshop", "materials.code"], name="fk_lots_workshop_material"
        ),
        ForeignKeyConstraint(
            ["workshop", "project"], ["projects.workshop", "projects.code"], name="fk_lots_workshop_project"
        ),
        ForeignKeyConstraint(
            ["workshop", "supplier"], ["suppliers.workshop", "suppliers.code"], name="fk_lots_workshop_supplier"
        ),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_lots_workshop_material", "lots", ["workshop", "material"])
    op.create_index("ix_lots_workshop_source", "lots", ["workshop", "source_kind", "source_code"])
    op.create_index("ix_lots_workshop_state", "lots", ["workshop", "state"])
    op.create_table(
        "pools",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=False),
        Column("lot", TEXT, nullable=False),
        Column("made_on", TEXT, nullable=False),
        Column("project", TEXT, nullable=True),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "code", name="pk_pools"),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_pools_workshop"),
        ForeignKeyConstraint(
            ["workshop", "project"], ["projects.workshop", "projects.code"], name="fk_pools_workshop_project"
        ),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_pools_workshop_lot", "pools", ["workshop", "lot"])
    op.create_index("ix_pools_workshop_state", "pools", ["workshop", "state"])
    op.create_table(
        "runs",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=False),
        Column("route", TEXT, nullable=False),
        Column("route_revision", INTEGER, nullable=False),
        Column("step", TEXT, nullable=False),
        Column("status", TEXT, nullable=False),
        Column("project", TEXT, nullable=True),
        Column("operator", TEXT, nullable=True),
        Column("started_on", TEXT, nullable=True),
        Column("finished_on", TEXT, nullable=True),
        Column("excluded", INTEGER, nullable=False),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "code", name="pk_runs"),
        CheckConstraint("excluded IN (0, 1)", name=op.f("ck_runs_excluded")),
        CheckConstraint("status IN ('open', 'finished', 'failed', 'abandoned')", name=op.f("ck_runs_status")),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_runs_workshop"),
        ForeignKeyConstraint(
            ["workshop", "project"], ["projects.workshop", "projects.code"], name="fk_runs_workshop_project"
        ),
        ForeignKeyConstraint(["workshop", "route"], ["routes.workshop", "routes.code"], name="fk_runs_workshop_route"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_runs_workshop_project", "runs", ["workshop", "project"])
    op.create_index("ix_runs_workshop_route_step", "runs", ["workshop", "route", "step"])
    op.create_index("ix_runs_workshop_state", "runs", ["workshop", "state"])
    op.create_table(
        "outcomes",
        Column("workshop", INTEGER, nullable=False),
        Column("run", TEXT, nullable=False),
        Column("route", TEXT, nullable=False),
        Column("step", TEXT, nullable=False),
        Column("pooled_as", TEXT, nullable=False),
        Column("basis", TEXT, nullable=False),
        Column("status", TEXT, nullable=False),
        Column("excluded", INTEGER, nullable=False),
        Column("started_on", TEXT, nullable=True),
        Column("finished_on", TEXT, nullable=True),
        Column("operator", TEXT, nullable=True),
        Column("project", TEXT, nullable=True),
        Column("key_lot", TEXT, nullable=True),
        Column("limiting_reagent", TEXT, nullable=True),
        Column("batch_g", REAL, nullable=True),
        Column("key_contained_g", REAL, nullable=True),
        Column("theoretical_g", REAL, nullable=True),
        Column("theoretical_u_g", REAL, nullable=True),
        Column("net_g", REAL, nullable=True),
        Column("net_u_g", REAL, nullable=True),
        Column("dry_g", REAL, nullable=True),
        Column("contained_g", REAL, nullable=True),
        Column("contained_u_g", REAL, nullable=True),
        Column("yield_fraction", REAL, nullable=True),
        Column("yield_u", REAL, nullable=True),
        Column("crude_yield", REAL, nullable=True),
        Column("recovered_basis_yield", REAL, nullable=True),
        Column("mass_balance", REAL, nullable=True),
        Column("mass_balance_u", REAL, nullable=True),
        Column("detail", TEXT, nullable=False),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "run", name="pk_outcomes"),
        CheckConstraint("batch_g >= 0", name=op.f("ck_outcomes_batch")),
        CheckConstraint("status IN ('open', 'finished', 'failed', 'abandoned')", name=op.f("ck_outcomes_status")),
        CheckConstraint("theoretical_g >= 0", name=op.f("ck_outcomes_theoretical")),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_outcomes_workshop"),
        ForeignKeyConstraint(["workshop", "run"], ["runs.workshop", "runs.code"], name="fk_outcomes_workshop_run"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_outcomes_workshop_state", "outcomes", ["workshop", "state"])
    op.create_table(
        "entries",
        Column("workshop", INTEGER, nullable=False),
        Column("source_kind", TEXT, nullable=False),
        Column("source_code", TEXT, nullable=False),
        Column("kind", TEXT, nullable=False),
        Column("line", INTEGER, nullable=False),
        Column("lot", TEXT, nullable=True),
        Column("material", TEXT, nullable=False),
        Column("on", TEXT, nullable=True),
        Column("dimension", TEXT, nullable=False),
        Column("quantity", INTEGER, nullable=True),
        Column("reason", TEXT, nullable=True),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "source_kind", "source_code", "kind", "line", name="pk_entries"),
        CheckConstraint("dimension IN ('mass', 'volume', 'amount')", name=op.f("ck_entries_dimension")),
        CheckConstraint(
            "kind IN ('opening', 'charge', 'outturn', 'pool-in', 'pool-out')", name=op.f("ck_entries_kind")
        ),
        CheckConstraint("(quantity IS NULL) = (reason IS NOT NULL)", name=op.f("ck_entries_reason")),
        CheckConstraint(
            "(quantity <= 0) = (kind IN ('charge', 'pool-in')) OR quantity = 0", name=op.f("ck_entries_sign")
        ),
        CheckConstraint("source_kind IN ('lots', 'runs', 'pools')", name=op.f("ck_entries_source")),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_entries_workshop"),
        ForeignKeyConstraint(["workshop", "lot"], ["lots.workshop", "lots.code"], name="fk_entries_workshop_lot"),
        ForeignKeyConstraint(
            ["workshop", "material"], ["materials.workshop", "materials.code"], name="fk_entries_workshop_material"
        ),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_entries_workshop_lot", "entries", ["workshop", "lot"])
    op.create_index("ix_entries_workshop_state", "entries", ["workshop", "state"])
