"""How answers from the ledger say what they found: sums of money, amounts by their unit, what has no known cost."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from service.domain.money import Money, from_micro
from service.domain.shelf_amount import UNITS_PER_BASE

UNIT: Final = {"mass": "g", "volume": "ml", "amount": "mol", "time": "h", "energy": "kwh"}
"""How a key ends that holds an amount of a dimension, in the fixed unit of it."""
_NOT_KNOWN: Final = "how much there was of it is not known"


def money(micro: int | float, currency: str) -> dict[str, str]:
    """Return 10⁻⁶ of a currency as a sum of money.

    >>> money(16_827_800, "EUR")
    {'amount': '16.8278', 'currency': 'EUR'}
    """
    return Money(from_micro(round(micro)), currency).trimmed().as_dict()


def exact_money(micro: int, currency: str) -> dict[str, str]:
    """Return 10⁻⁶ of a currency with all six decimals, as both sides of a balance are shown.

    >>> exact_money(0, "EUR")
    {'amount': '0.000000', 'currency': 'EUR'}
    """
    return Money(from_micro(micro), currency).as_dict()


def amount_of(units: int | float | None, dimension: str, name: str = "amount") -> dict[str, float | None]:
    """Return whole ng, nL, nmol, ms or mJ under a key that names the fixed unit.

    >>> amount_of(2_500_000_000, "mass"), amount_of(1_000_000, "volume", "left")
    ({'amount_g': 2.5}, {'left_ml': 1.0})
    """
    return {f"{name}_{UNIT[dimension]}": None if units is None else units / UNITS_PER_BASE[dimension]}


def unpriced_lines(names: Iterable[str], reasons: Mapping[str, str]) -> list[dict[str, str]]:
    """Return what has no known cost, by name: of a lot its code, of others the word before the colon says of what.

    >>> unpriced_lines(["material:salt", "gift-1"], {"gift-1": "nobody said what it is worth"})[0]
    {'name': 'gift-1', 'of': 'lot', 'reason': 'nobody said what it is worth'}
    """
    lines = []
    for name in sorted(names):
        of, _, code = name.rpartition(":")
        lines.append({"name": code, "of": of or "lot", "reason": reasons.get(name, _NOT_KNOWN)})
    return lines
