"""What things are and who sells them: projects, materials, suppliers, offers."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Index

from service.store.types import integer, refers, text, workshop_table

projects = workshop_table("projects", text("code", primary_key=True), integer("revision"), text("name"))

materials = workshop_table(
    "materials",
    text("code", primary_key=True),
    integer("revision"),
    text("name"),
    text("formula", nullable=True),
    text("phase", nullable=True),
    text("cas", nullable=True),
    text("analyte", nullable=True),
    integer("solvent"),
    refers("analyte", "materials"),
    CheckConstraint("solvent IN (0, 1)", name="solvent"),
    Index("ix_materials_workshop_analyte", "workshop", "analyte"),
)

suppliers = workshop_table("suppliers", text("code", primary_key=True), integer("revision"), text("name"))

offers = workshop_table(
    "offers",
    text("code", primary_key=True),
    integer("revision"),
    text("material"),
    text("supplier"),
    text("currency"),
    text("valid_from", nullable=True),
    text("valid_to", nullable=True),
    text("shelf_life", nullable=True),
    refers("material", "materials"),
    refers("supplier", "suppliers"),
    CheckConstraint("length(currency) = 3", name="currency"),
    CheckConstraint("valid_from <= valid_to", name="validity"),
    Index("ix_offers_workshop_material", "workshop", "material"),
    Index("ix_offers_workshop_supplier", "workshop", "supplier"),
)
