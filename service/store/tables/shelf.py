"""The shelf: every lot, whichever record it was written through, and the pools that unite them."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Index

from service.store.types import integer, refers, text, workshop_table

lots = workshop_table(
    "lots",
    text("code", primary_key=True),
    integer("revision", nullable=True),
    text("material"),
    text("dimension"),
    integer("amount", nullable=True),
    text("strength"),
    text("assayed", nullable=True),
    integer("recounts"),
    text("hazards", nullable=True),
    text("source_kind"),
    text("source_code"),
    text("origin"),
    text("supplier", nullable=True),
    text("project", nullable=True),
    text("received_on", nullable=True),
    text("expires_on", nullable=True),
    integer("value_micro", nullable=True),
    text("currency", nullable=True),
    refers("material", "materials"),
    refers("supplier", "suppliers"),
    refers("project", "projects"),
    CheckConstraint("dimension IN ('mass', 'volume', 'amount')", name="dimension"),
    CheckConstraint("amount >= 0", name="amount"),
    CheckConstraint("source_kind IN ('lots', 'purchases', 'runs', 'pools')", name="source"),
    CheckConstraint("(source_kind = 'lots') = (revision IS NOT NULL)", name="revision"),
    CheckConstraint("recounts >= 0", name="recounts"),
    CheckConstraint("(value_micro IS NULL) = (currency IS NULL)", name="value"),
    Index("ix_lots_workshop_source", "workshop", "source_kind", "source_code"),
    Index("ix_lots_workshop_material", "workshop", "material"),
)
"""``amount`` is what was put on the shelf, in ng, nL or nmol by ``dimension``; ``value_micro`` 10⁻⁶ of ``currency``.

``strength`` is that of the lot as it stands: what its record states under what later assays found, which ``assayed``
holds (NULL where there are none). ``recounts`` counts the recounts of the lot, so that a write that moves its lines
knows without a question whether one is to be worked out again."""

pools = workshop_table(
    "pools",
    text("code", primary_key=True),
    integer("revision"),
    text("lot"),
    text("made_on"),
    text("project", nullable=True),
    refers("project", "projects"),
    Index("ix_pools_workshop_lot", "workshop", "lot"),
)
