"""The stores of a generated workshop: the lots of one material, oldest first, and a new one when they end."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

Line = dict[str, Any]


@dataclass(slots=True)
class OnShelf:
    """A lot with what is left of it in its own unit; ``strength`` in contained g a g, or mol/L of a solution.

    ``effect`` is what the lot does to the yield of a run that takes its key input from it.
    """

    code: str
    left: float
    strength: float
    effect: float


@dataclass(slots=True)
class Taken:
    """A charge from a lot: the amount as written, and as the number that was written."""

    lot: OnShelf
    text: str
    amount: float


class Stock:
    """The lots of one material in one route. ``opened`` makes a new lot when asked for one."""

    def __init__(self, unit: str, digits: int, opened: Callable[[float], OnShelf]) -> None:
        self.unit, self.digits = unit, digits
        self.lots: deque[OnShelf] = deque()
        self._opened = opened

    def put(self, lot: OnShelf) -> None:
        """Put a lot behind those that are there."""
        self.lots.append(lot)

    def take(self, wanted: float) -> list[Taken]:
        """Take so much, as it is written at the balance's last digit, from as few of the oldest lots as it needs."""
        step = 10.0**-self.digits
        taken: list[Taken] = []
        missing = max(round(wanted, self.digits), step)
        while missing > step / 2:
            if not self.lots:
                self.lots.append(self._opened(missing))
            lot = self.lots[0]
            amount = round(min(missing, math.floor(lot.left / step + 1e-6) * step), self.digits)
            if amount > 0:
                taken.append(Taken(lot, f"{amount:.{self.digits}f} {self.unit}", amount))
                lot.left -= amount
                missing -= amount
            if lot.left < 2 * step:
                self.lots.popleft()
        return taken

    def oldest(self, count: int) -> list[OnShelf]:
        """The oldest lots, taken off the shelf, where there are so many."""
        return [self.lots.popleft() for _ in range(count)] if len(self.lots) >= count else []
