"""Suppliers: who sells, and on what terms."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.money import Money


@dataclass(frozen=True, slots=True)
class Supplier:
    """Who sells: shipping an order, the order value from which shipping is free, the least order value.

    >>> Supplier(code="corner-shop", name="corner shop").shipping is None
    True
    """

    code: str
    name: str
    shipping: Money | None = None
    free_from: Money | None = None
    minimum_order: Money | None = None
