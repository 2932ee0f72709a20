"""What runs are made of: projects, materials, suppliers, offers, rates, routes and their steps."""

from __future__ import annotations

from alembic import op
from sqlalchemy import CheckConstraint, Column, ForeignKeyConstraint, PrimaryKeyConstraint

from service.store.types import INTEGER, TEXT

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_table(
        "projects",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=False),
        Column("name", TEXT, nullable=False),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "code", name="pk_projects"),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_projects_workshop"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_projects_workshop_state", "projects", ["workshop", "state"])
    op.create_table(
        "materials",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=False),
        Column("name", TEXT, nullable=False),
        Column("formula", TEXT, nullable=True),
        Column("phase", TEXT, nullable=True),
        Column("cas", TEXT, nullable=True),
        Column("analyte", TEXT, nullable=True),
        Column("solvent", INTEGER, nullable=False),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "code", name="pk_materials"),
        CheckConstraint("solvent IN (0, 1)", name=op.f("ck_materials_solvent")),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_materials_workshop"),
        ForeignKeyConstraint(
            ["workshop", "analyte"], ["materials.workshop", "materials.code"], name="fk_materials_workshop_analyte"
        ),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_materials_workshop_analyte", "materials", ["workshop", "analyte"])
    op.create_index("ix_materials_workshop_state", "materials", ["workshop", "state"])
    op.create_table(
        "suppliers",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=False),
        Column("name", TEXT, nullable=False),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "code", name="pk_suppliers"),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_suppliers_workshop"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_suppliers_workshop_state", "suppliers", ["workshop", "state"])
    op.create_table(
        "offers",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=False),
        Column("material", TEXT, nullable=False),
        Column("supplier", TEXT, nullable=False),
        Column("currency", TEXT, nullable=False),
        Column("valid_from", TEXT, nullable=True),
        Column("valid_to", TEXT, nullable=True),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "code", name="pk_offers"),
        CheckConstraint("length(currency) = 3", name=op.f("ck_offers_currency")),
        CheckConstraint("valid_from <= valid_to", name=op.f("ck_offers_validity")),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_offers_workshop"),
        ForeignKeyConstraint(
            ["workshop", "material"], ["materials.workshop", "materials.code"], name="fk_offers_workshop_material"
        ),
        ForeignKeyConstraint(
            ["workshop", "supplier"], ["suppliers.workshop", "suppliers.code"], name="fk_offers_workshop_supplier"
        ),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_offers_workshop_material", "offers", ["workshop", "material"])
    op.create_index("ix_offers_workshop_state", "offers", ["workshop", "state"])
    op.create_index("ix_offers_workshop_supplier", "offers", ["workshop", "supplier"])
    op.create_table(
        "rates",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=False),
        Column("of", TEXT, nullable=False),
        Column("class", TEXT, nullable=True),
        Column("valid_from", TEXT, nullable=False),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "code", name="pk_rates"),
        CheckConstraint("\"of\" IN ('labour', 'energy', 'waste')", name=op.f("ck_rates_of")),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_rates_workshop"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_rates_workshop_state", "rates", ["workshop", "state"])
    op.create_table(
        "exchange_rates",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=False),
        Column("base", TEXT, nullable=False),
        Column("quote", TEXT, nullable=False),
        Column("valid_from", TEXT, nullable=False),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "code", name="pk_exchange_rates"),
        CheckConstraint("base <> quote", name=op.f("ck_exchange_rates_pair")),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_exchange_rates_workshop"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_exchange_rates_workshop_state", "exchange_rates", ["workshop", "state"])
    op.create_table(
        "routes",
        Column("workshop", INTEGER, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("revision", INTEGER, nullable=False),
        Column("name", TEXT, nullable=False),
        Column("product", TEXT, nullable=False),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "code", name="pk_routes"),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_routes_workshop"),
        ForeignKeyConstraint(
            ["workshop", "product"], ["materials.workshop", "materials.code"], name="fk_routes_workshop_product"
        ),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_routes_workshop_state", "routes", ["workshop", "state"])
    op.create_table(
        "steps",
        Column("workshop", INTEGER, nullable=False),
        Column("route", TEXT, nullable=False),
        Column("code", TEXT, nullable=False),
        Column("position", INTEGER, nullable=False),
        Column("name", TEXT, nullable=False),
        Column("basis", TEXT, nullable=False),
        Column("key_input", TEXT, nullable=False),
        Column("product", TEXT, nullable=False),
        Column("state", INTEGER, nullable=False),
        PrimaryKeyConstraint("workshop", "route", "code", name="pk_steps"),
        CheckConstraint(
            "basis IN ('stoichiometric', 'content', 'recovery', 'mass-ratio')", name=op.f("ck_steps_basis")
        ),
        ForeignKeyConstraint(["workshop"], ["workshops.id"], name="fk_steps_workshop"),
        ForeignKeyConstraint(
            ["workshop", "key_input"], ["materials.workshop", "materials.code"], name="fk_steps_workshop_key_input"
        ),
        ForeignKeyConstraint(
            ["workshop", "product"], ["materials.workshop", "materials.code"], name="fk_steps_workshop_product"
        ),
        ForeignKeyConstraint(["workshop", "route"], ["routes.workshop", "routes.code"], name="fk_steps_workshop_route"),
        sqlite_strict=True,
        sqlite_with_rowid=False,
    )
    op.create_index("ix_steps_workshop_state", "steps", ["workshop", "state"])
