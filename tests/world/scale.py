"""What a balance shows of an amount, what is written of it, and the net grams that follow from what is written."""

from __future__ import annotations

import random
from typing import Any

from tests.world.options import FACTORS

TARE_G = 121.90


def weigh(net_g: float, digits: int, source: random.Random) -> tuple[dict[str, Any], float]:
    """Weigh an amount at a balance of so many decimals: net alone, or gross and tare, in up to three portions."""
    if source.random() < 0.2:
        text = f"{net_g:.{digits}f}"
        return {"net": f"{text} g"}, float(text)
    tare = round(TARE_G + source.uniform(-0.5, 0.5), digits)
    portions = source.choice((1, 1, 1, 2, 3)) if net_g > 5.0 else 1
    gross = [f"{tare + net_g / portions:.{digits}f}" for _ in range(portions)]
    written = sum(round((float(text) - tare) * 10**digits) for text in gross) / 10**digits
    shown = [f"{text} g" for text in gross]
    return {"gross": shown[0] if portions == 1 else shown, "tare": f"{tare:.{digits}f} g"}, written


def slipped(net_g: float, digits: int, assay: float, slip: str) -> tuple[dict[str, Any], float]:
    """Write an amount with a slip in it: the tare left in, the assay taken off already, or a factor."""
    factors = FACTORS | {"tare left in": 1.0 + TARE_G / net_g, "assay twice": assay}
    text = f"{net_g * factors[slip]:.{digits + 3}f}"
    return {"net": f"{text} g"}, float(text)
