"""The ledger's lines: what each record puts on a lot or takes from it, and what it states of work and money."""

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
    text("material", nullable=True),
    text("on", nullable=True),
    text("dimension"),
    integer("quantity", nullable=True),
    text("reason", nullable=True),
    integer("price_micro", nullable=True),
    text("currency", nullable=True),
    text("role", nullable=True),
    text("waste_class", nullable=True),
    integer("cost_share_micro", nullable=True),
    integer("credit_micro", nullable=True),
    refers("lot", "lots"),
    refers("material", "materials"),
    CheckConstraint(
        "kind IN ('opening', 'purchase', 'charge', 'outturn', 'pool-in', 'pool-out', 'delivery', 'sample', 'recount', "
        "'write-off', 'disposal', 'labour', 'energy')",
        name="kind",
    ),
    CheckConstraint("source_kind IN ('lots', 'purchases', 'runs', 'pools', 'stock-entries')", name="source"),
    CheckConstraint(
        "dimension IN ('mass', 'volume', 'amount') AND kind NOT IN ('labour', 'energy') "
        "OR dimension = 'time' AND kind = 'labour' OR dimension = 'energy' AND kind = 'energy'",
        name="dimension",
    ),
    CheckConstraint("(material IS NULL) = (kind IN ('labour', 'energy'))", name="material"),
    CheckConstraint("lot IS NOT NULL OR kind IN ('charge', 'outturn', 'labour', 'energy')", name="lot"),
    CheckConstraint("(quantity IS NULL) = (reason IS NOT NULL)", name="reason"),
    CheckConstraint(
        "(quantity <= 0) = (kind IN ('charge', 'pool-in')) OR quantity = 0 OR source_kind = 'stock-entries'",
        name="sign",
    ),
    CheckConstraint("(role IS NULL) = (kind <> 'outturn')", name="role"),
    CheckConstraint(
        "(currency IS NULL) = (price_micro IS NULL AND credit_micro IS NULL) "
        "AND (price_micro IS NULL OR credit_micro IS NULL)",
        name="money",
    ),
    # Whole by itself for the balance of a lot, which every write asks, and for what was taken of it by a day: the lines
    # of a lot lie far apart in the table.
    Index("ix_entries_workshop_lot", "workshop", "lot", "on", "dimension", "quantity", "reason"),
)
"""``line`` counts within the list of the record that ``kind`` names. ``quantity`` is signed, in ng, nL or nmol of the
lot's own dimension (of its own where a charge or an outturn has no lot), NULL with a ``reason`` where it cannot be
converted; of ``labour`` in ms and of ``energy`` in mJ, the hours and the energy that a run states, above zero.

``price_micro`` is the money that the record itself states for the line, in 10⁻⁶ of ``currency``: the value of a lot,
the landed price of a purchase's line, a charge's own price times its amount, what an outturn would fetch; NULL where
none is stated. An outturn has its ``role``, and what it states of a ``waste_class``, of a share of the run's cost
(10⁻⁶, shares that come to 1 come to exactly 10⁶) and of a ``credit_micro`` in ``currency``. A line of
``stock-entries`` that takes another back has the kind and the day of that one and the opposite sign."""
