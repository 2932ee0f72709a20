"""The ledger's lines say what was stated of money, work and waste; lots come by purchases; stock entries."""

from __future__ import annotations

from typing import Final

from alembic import op
from sqlalchemy import CheckConstraint, Column, ForeignKeyConstraint, PrimaryKeyConstraint

from service.store.types import INTEGER, TEXT

revision = "0004"
down_revision = "0003"

_KEEP: Final = {
    "entries": "CREATE TABLE entries_before AS SELECT * FROM entries",
    "lots": "CREATE TABLE lots_before AS SELECT * FROM lots",
}
_LOTS_AGAIN: Final = (
    "INSERT INTO lots (workshop, code, revision, material, dimension, amount, strength, hazards, source_kind, "
    "source_code, origin, supplier, project, received_on, expires_on, value_micro, currency, state, recounts) "
    "SELECT workshop, code, revision, material, dimension, amount, strength, hazards, source_kind, "
    "source_code, origin, supplier, project, received_on, expires_on, value_micro, currency, state, 0 FROM lots_before"
)
_ENTRIES_AGAIN: Final = (
    'INSERT INTO entries (workshop, source_kind, source_code, kind, line, lot, material, "on", dimension, quantity, '
    'reason, state, role) SELECT workshop, source_kind, source_code, kind, line, lot, material, "on", dimension, '
    "quantity, reason, state, CASE WHEN kind = 'outturn' THEN 'product' END FROM entries_before"
)


def upgrade() -> None:
    """Make both tables anew, with the rows that there are: a check of SQLite is altered in no other way.

    What the new columns hold is derived, by `weighbook upgrade`; until then a line says nothing of money.
    """
    for table, keep in _KEEP.items():
        op.execute(keep)
        op.drop_table(table)
    op.create_table(
        "lots",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=True),
        Column("material", TEXT, nullable=False),
        Column("dimension", TEXT, nullable=False),
        Column("amount", INTEGER, nullable=True),
        Column("strength", TEXT, nullable=False),
        Column("assayed", TEXT, nullable=True),
        Column("recounts", INTEGER, nullable=False),
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
        CheckConstraint("recounts >= 0", name=op.f("ck_lots_recounts")),
        CheckConstraint("(source_kind = 'lots') = (revision IS NOT NULL)", name=op.f("ck_lots_revision")),
        CheckConstraint("source_kind IN ('lots', 'purchases', 'runs', 'pools')", name=op.f("ck_lots_source")),
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
    op.execute(_LOTS_AGAIN)
    op.create_table(
        "purchases",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=False),
        Column("supplier", TEXT, nullable=False),
        Column("bought_on", TEXT, nullable=False),
        Column("received_on", TEXT, nullable=True),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "code", name="pk_purchases"),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_purchases_workshop"),
        ForeignKeyConstraint(
            ["workshop", "supplier"], ["suppliers.workshop", "suppliers.code"], name="fk_purchases_workshop_supplier"
        ),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_purchases_workshop_state", "purchases", ["workshop", "state"])
    op.create_index("ix_purchases_workshop_supplier", "purchases", ["workshop", "supplier"])
    op.create_table(
        "stock_entries",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=False),
        Column("lot", TEXT, nullable=False),
        Column("kind", TEXT, nullable=False),
        Column("on", TEXT, nullable=False),
        Column("reverses", TEXT, nullable=True),
        Column("operator", TEXT, nullable=True),
        Column("project", TEXT, nullable=True),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "code", name="pk_stock_entries"),
        CheckConstraint(
            "kind IN ('delivery', 'sample', 'recount', 'assay', 'write-off', 'disposal')",
            name=op.f("ck_stock_entries_kind"),
        ),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_stock_entries_workshop"),
        ForeignKeyConstraint(
            ["workshop", "project"], ["projects.workshop", "projects.code"], name="fk_stock_entries_workshop_project"
        ),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_stock_entries_workshop_lot", "stock_entries", ["workshop", "lot"])
    op.create_index("ix_stock_entries_workshop_state", "stock_entries", ["workshop", "state"])
    op.create_table(
        "entries",
        Column("workshop", INTEGER, nullable=False),
        Column("source_kind", TEXT, nullable=False),
        Column("source_code", TEXT, nullable=False),
        Column("kind", TEXT, nullable=False),
        Column("line", INTEGER, nullable=False),
        Column("lot", TEXT, nullable=True),
        Column("material", TEXT, nullable=True),
        Column("on", TEXT, nullable=True),
        Column("dimension", TEXT, nullable=False),
        Column("quantity", INTEGER, nullable=True),
        Column("reason", TEXT, nullable=True),
        Column("price_micro", INTEGER, nullable=True),
        Column("currency", TEXT, nullable=True),
        Column("role", TEXT, nullable=True),
        Column("waste_class", TEXT, nullable=True),
        Column("cost_share_micro", INTEGER, nullable=True),
        Column("credit_micro", INTEGER, nullable=True),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "source_kind", "source_code", "kind", "line", name="pk_entries"),
        CheckConstraint(
            "dimension IN ('mass', 'volume', 'amount') AND kind NOT IN ('labour', 'energy') "
            "OR dimension = 'time' AND kind = 'labour' OR dimension = 'energy' AND kind = 'energy'",
            name=op.f("ck_entries_dimension"),
        ),
        CheckConstraint(
            "kind IN ('opening', 'purchase', 'charge', 'outturn', 'pool-in', 'pool-out', 'delivery', 'sample', "
            "'recount', 'write-off', 'disposal', 'labour', 'energy')",
            name=op.f("ck_entries_kind"),
        ),
        CheckConstraint(
            "lot IS NOT NULL OR kind IN ('charge', 'outturn', 'labour', 'energy')", name=op.f("ck_entries_lot")
        ),
        CheckConstraint("(material IS NULL) = (kind IN ('labour', 'energy'))", name=op.f("ck_entries_material")),
        CheckConstraint(
            "(currency IS NULL) = (price_micro IS NULL AND credit_micro IS NULL) "
            "AND (price_micro IS NULL OR credit_micro IS NULL)",
            name=op.f("ck_entries_money"),
        ),
        CheckConstraint("(quantity IS NULL) = (reason IS NOT NULL)", name=op.f("ck_entries_reason")),
        CheckConstraint("(role IS NULL) = (kind <> 'outturn')", name=op.f("ck_entries_role")),
        CheckConstraint(
            "(quantity <= 0) = (kind IN ('charge', 'pool-in')) OR quantity = 0 OR source_kind = 'stock-entries'",
            name=op.f("ck_entries_sign"),
        ),
        CheckConstraint(
            "source_kind IN ('lots', 'purchases', 'runs', 'pools', 'stock-entries')", name=op.f("ck_entries_source")
        ),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_entries_workshop"),
        ForeignKeyConstraint(["workshop", "lot"], ["lots.workshop", "lots.code"], name="fk_entries_workshop_lot"),
        ForeignKeyConstraint(
            ["workshop", "material"], ["materials.workshop", "materials.code"], name="fk_entries_workshop_material"
        ),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_entries_workshop_lot", "entries", ["workshop", "lot", "dimension", "quantity", "reason"])
    op.create_index("ix_entries_workshop_state", "entries", ["workshop", "state"])
    op.execute(_ENTRIES_AGAIN)
    for table in ("entries", "lots"):
        op.drop_table(f"{table}_before")
