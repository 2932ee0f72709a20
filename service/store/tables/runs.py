"""Runs, and the one line of masses that each of them comes to."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, ForeignKeyConstraint, Index
from sqlalchemy import text as text_of

from service.store.types import integer, real, refers, text, workshop_table

USABLE = "status = 'finished' AND excluded = 0 AND yield_fraction > 0"
"""The outcomes that statistics count and that have a yield."""
STATUS = "status IN ('open', 'finished', 'failed', 'abandoned')"

runs = workshop_table(
    "runs",
    text("code", primary_key=True),
    integer("revision"),
    text("route"),
    integer("route_revision"),
    text("step"),
    text("status"),
    text("project", nullable=True),
    text("operator", nullable=True),
    text("started_on", nullable=True),
    text("finished_on", nullable=True),
    integer("excluded"),
    refers("route", "routes"),
    refers("project", "projects"),
    CheckConstraint(STATUS, name="status"),
    CheckConstraint("excluded IN (0, 1)", name="excluded"),
    Index("ix_runs_workshop_route_step", "workshop", "route", "step"),
    Index("ix_runs_workshop_project", "workshop", "project"),
)
"""``route_revision`` is the revision of the route by whose step the run is computed."""

outcomes = workshop_table(
    "outcomes",
    text("run", primary_key=True),
    text("route"),
    text("step"),
    text("pooled_as"),
    text("basis"),
    text("status"),
    integer("excluded"),
    text("started_on", nullable=True),
    text("finished_on", nullable=True),
    text("operator", nullable=True),
    text("project", nullable=True),
    text("key_lot", nullable=True),
    text("tags", nullable=True),
    text("limiting_reagent", nullable=True),
    real("batch_g"),
    real("key_contained_g"),
    real("theoretical_g"),
    real("theoretical_u_g"),
    real("net_g"),
    real("net_u_g"),
    real("dry_g"),
    real("contained_g"),
    real("contained_u_g"),
    real("yield_fraction"),
    real("yield_u"),
    real("crude_yield"),
    real("recovered_basis_yield"),
    real("mass_balance"),
    real("mass_balance_u"),
    text("detail"),
    ForeignKeyConstraint(["workshop", "run"], ["runs.workshop", "runs.code"]),
    CheckConstraint(STATUS, name="status"),
    # Whole by itself for the newest usable runs of a step before a day, beside which every write's yield is looked at.
    # Of no others, so that the question costs the same whatever else a step has had.
    Index(
        "ix_outcomes_usable",
        *("workshop", "route", "step", "pooled_as", "finished_on", "run"),
        *("yield_fraction", "batch_g", "status", "excluded"),
        sqlite_where=text_of(USABLE),
        postgresql_where=text_of(USABLE),
    ),
    CheckConstraint("batch_g >= 0", name="batch"),
    CheckConstraint("theoretical_g >= 0", name="theoretical"),
)
"""Masses only, never money. Repeats what statistics group by, so that columns are read from one table.

``tags`` are in order, with a new line between, NULL where a run has none."""
