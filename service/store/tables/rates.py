"""Dated prices of work and of money: rates of labour, energy and waste, and exchange rates."""

from __future__ import annotations

from sqlalchemy import CheckConstraint

from service.store.types import integer, text, workshop_table

rates = workshop_table(
    "rates",
    text("code", primary_key=True),
    integer("revision"),
    text("of"),
    text("class", nullable=True),
    text("valid_from"),
    CheckConstraint("\"of\" IN ('labour', 'energy', 'waste')", name="of"),
)

exchange_rates = workshop_table(
    "exchange_rates",
    text("code", primary_key=True),
    integer("revision"),
    text("base"),
    text("quote"),
    text("valid_from"),
    CheckConstraint("base <> quote", name="pair"),
)
