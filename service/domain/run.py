"""Runs: one execution of one step, what was weighed in and out, when and by whom."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from service.domain.lot import Strength
from service.domain.money import Money
from service.domain.quantity import Quantity

OPEN = "open"
FINISHED = "finished"
FAILED = "failed"
ABANDONED = "abandoned"
STATUSES = (OPEN, FINISHED, FAILED, ABANDONED)

PRODUCT = "product"
CO_PRODUCT = "co-product"
RECOVERED = "recovered"
WASTE = "waste"
ROLES = (PRODUCT, CO_PRODUCT, RECOVERED, WASTE)

NOTHING_STATED = Strength()


@dataclass(frozen=True, slots=True)
class UnitPrice:
    """A price for an amount, as a charge without a lot may state it."""

    price: Money
    per: Quantity


@dataclass(frozen=True, slots=True)
class Charge:
    """One amount put in: from a lot, or of a material without one. ``strength`` holds what the charge itself states."""

    amount: Quantity
    lot: str | None = None
    material: str | None = None
    price: UnitPrice | None = None
    strength: Strength = NOTHING_STATED


@dataclass(frozen=True, slots=True)
class Outturn:
    """One amount taken out: ``net``, or ``gross`` and ``tare``. Portions weighed on one tare are several ``gross``.

    Of the run's cost it carries its ``credit`` first, a sum, and its ``cost_share`` of what the credits leave. Those
    that state neither share the rest by ``realisable_value``, what all of it would fetch less what selling it costs.
    """

    material: str
    role: str = PRODUCT
    lot: str | None = None
    net: Quantity | None = None
    gross: tuple[Quantity, ...] = ()
    tare: Quantity | None = None
    strength: Strength = NOTHING_STATED
    cost_share: Quantity | None = None
    credit: Money | None = None
    realisable_value: Money | None = None
    waste_class: str | None = None
    expires_on: dt.date | None = None


@dataclass(frozen=True, slots=True)
class Run:
    """One execution of one step. ``excluded`` holds the reason that leaves it out of statistics, never out of cost."""

    code: str
    route: str
    step: str
    status: str
    charges: tuple[Charge, ...]
    outturns: tuple[Outturn, ...] = ()
    started_on: dt.date | None = None
    finished_on: dt.date | None = None
    project: str | None = None
    operator: str | None = None
    labour: Quantity | None = None
    energy: Quantity | None = None
    all_weighed: bool = False
    excluded: str | None = None
    tags: tuple[str, ...] = ()
    note: str | None = None
