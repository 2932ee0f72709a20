"""Routes and their steps, as they stand now."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKeyConstraint

from service.store.types import integer, refers, text, workshop_table

routes = workshop_table(
    "routes",
    text("code", primary_key=True),
    integer("revision"),
    text("name"),
    text("product"),
    refers("product", "materials"),
)

steps = workshop_table(
    "steps",
    text("route", primary_key=True),
    text("code", primary_key=True),
    integer("position"),
    text("name"),
    text("basis"),
    text("key_input"),
    text("product"),
    ForeignKeyConstraint(["workshop", "route"], ["routes.workshop", "routes.code"]),
    refers("key_input", "materials"),
    refers("product", "materials"),
    CheckConstraint("basis IN ('stoichiometric', 'content', 'recovery', 'mass-ratio')", name="basis"),
)
