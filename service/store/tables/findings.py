"""What people answered to findings; findings themselves are worked out and kept nowhere."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Index

from service.store.types import integer, text, workshop_table

finding_replies = workshop_table(
    "finding_replies",
    text("code", primary_key=True),
    integer("revision"),
    text("finding"),
    text("kind"),
    text("record"),
    text("answer"),
    text("reason"),
    text("operator", nullable=True),
    CheckConstraint("answer IN ('confirmed', 'corrected', 'wrong-alarm')", name="answer"),
    CheckConstraint("kind IN ('runs', 'lots', 'offers', 'purchases', 'routes')", name="kind"),
    Index("ix_finding_replies_workshop_record", "workshop", "kind", "record"),
)
