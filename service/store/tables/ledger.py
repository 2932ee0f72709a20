"""The ledger's lines: what each record puts on a lot or takes from it."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Index

from service.store.types import integer, refers, text, workshop_table

entries = workshop_table(
    "entries",
    text("source_kind", primary_key=True),
    text("source_code", primary_key=True),
    text("kind", primary_key=True),
    integer("line", primary_key=True),
    text("lot", nullable=True),
    text("material"),
    text("on", nullable=True),
    text("dimension"),
    integer("quantity", nullable=True),
    text("reason", nullable=True),
    refers("lot", "lots"),
    refers("material", "materials"),
    CheckConstraint("kind IN ('opening', 'charge', 'outturn', 'pool-in', 'pool-out')", name="kind"),
    CheckConstraint("source_kind IN ('lots', 'runs', 'pools')", name="source"),
    CheckConstraint("dimension IN ('mass', 'volume', 'amount')", name="dimension"),
    CheckConstraint("(quantity IS NULL) = (reason IS NOT NULL)", name="reason"),
    CheckConstraint("(quantity <= 0) = (kind IN ('charge', 'pool-in')) OR quantity = 0", name="sign"),
    Index("ix_entries_workshop_lot", "workshop", "lot"),
)
"""``line`` counts within the list of the record that ``kind`` names; ``quantity`` is signed, in ng, nL or nmol of the
lot's own dimension (of its own where a charge has no lot), NULL with a ``reason`` where it cannot be converted."""
