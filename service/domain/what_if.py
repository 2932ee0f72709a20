"""Questions about a plan as they are asked: scenarios of changes to what is so today, and work that is half done."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.money import Money
from service.domain.quantity import Quantity

YIELD, FAILURE_RATE, LIMITS = "yield", "failure-rate", "limits"
PRICE, PACK, ASSAY, CONTENT = "price", "pack", "assay", "content"
STOCK, BILL, BUY, ROUTE = "stock", "bill", "buy", "route"
TARGET, CONFIDENCE = "target", "confidence"
MOST_SCENARIOS = 20


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that is otherwise; ``kind`` says which of the rest are given.

    ``new_yield`` is the mean yield of batches that give something, ``factor`` how many times what is so today. A price
    of a material is for the amount ``per``. ``on`` says whether the stock of a material, or a lot, may be taken;
    ``remove`` that a line of a bill falls away.
    """

    kind: str
    step: str | None = None
    material: str | None = None
    offer: str | None = None
    lot: str | None = None
    route: str | None = None
    analyte: str | None = None
    new_yield: Quantity | None = None
    factor: Quantity | None = None
    failure_rate: Quantity | None = None
    smallest: Quantity | None = None
    largest: Quantity | None = None
    price: Money | None = None
    per: Quantity | None = None
    pack: Quantity | None = None
    assay: Quantity | None = None
    content: Quantity | None = None
    stock: str | None = None
    on: bool = False
    equivalents: Quantity | None = None
    per_key_input: Quantity | None = None
    per_batch: Quantity | None = None
    remove: bool = False
    target: Quantity | None = None
    confidence: Quantity | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """Changes under a name."""

    name: str
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True)
class Asked:
    """What a plan is asked for: exactly one of ``target``, ``budget`` and ``from_stock``, and on what terms."""

    target: Quantity | None = None
    budget: Money | None = None
    from_stock: bool = False
    confidence: Quantity | None = None
    stock: str = "own"
    project: str | None = None
    currency: str | None = None
    trials: int = 4096
    acknowledge: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class WhatIf(Asked):
    """The question of today, and the scenarios beside it."""

    scenarios: tuple[Scenario, ...] = ()


@dataclass(frozen=True, slots=True)
class InHand:
    """So much of what a step makes, named by the ``step`` or by its ``material``, that is there."""

    amount: Quantity
    step: str | None = None
    material: str | None = None
    assay: Quantity | None = None


@dataclass(frozen=True, slots=True)
class CarryOn(Asked):
    """A target in the middle of the work: what is in hand, and what a gram of product that is missing costs."""

    in_hand: tuple[InHand, ...] = ()
    worth_per_g: Money | None = None
