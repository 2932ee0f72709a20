"""What comes in by a receipt, and what is noted of a lot afterwards."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Index

from service.store.types import integer, refers, text, workshop_table

purchases = workshop_table(
    "purchases",
    text("code", primary_key=True),
    integer("revision"),
    text("supplier"),
    text("bought_on"),
    text("received_on", nullable=True),
    refers("supplier", "suppliers"),
    Index("ix_purchases_workshop_supplier", "workshop", "supplier"),
)

stock_entries = workshop_table(
    "stock_entries",
    text("code", primary_key=True),
    integer("revision"),
    text("lot"),
    text("kind"),
    text("on"),
    text("reverses", nullable=True),
    text("operator", nullable=True),
    text("project", nullable=True),
    refers("project", "projects"),
    CheckConstraint("kind IN ('delivery', 'sample', 'recount', 'assay', 'write-off', 'disposal')", name="kind"),
    # With what a lot was last counted on, by itself.
    Index("ix_stock_entries_workshop_lot", "workshop", "lot", "kind", "on"),
)
"""An entry that takes another back (``reverses``) has the ``lot`` and the ``kind`` of that one."""
