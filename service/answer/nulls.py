"""Why something is null: said by its key, in ``reasons`` beside it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def why_null(figures: Mapping[str, Any], why: str | None) -> dict[str, str]:
    """Return one reason under the key of each figure that is null; nothing where there is none to give.

    >>> why_null({"cost": 2.0, "cost_per_g": None}, "its grams are not known")
    {'cost_per_g': 'its grams are not known'}
    >>> why_null({"cost": None}, None)
    {}
    """
    return {} if why is None else {key: why for key, figure in figures.items() if figure is None}
