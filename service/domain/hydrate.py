"""Hydrates: how much heavier than the same without its water, and which of two formulas is the other's hydrate."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final

from service.domain.formula import Formula, parse_formula

_WATER: Final = re.compile(r"[.·•⋅∙×*]\s*[0-9./½¼¾⅓⅔]*\s*H(?:2|₂)O\s*$")


def without_water(formula: Formula) -> Formula | None:
    """Return a hydrate without the water that is written behind its dot; None for what is written as no hydrate.

    >>> without_water(parse_formula("CuSO4.5H2O")).text
    'CuSO4'
    >>> without_water(parse_formula("Cu(OH)2")) is None
    True
    """
    return _dry(formula.text)


@lru_cache(maxsize=4096)
def _dry(text: str) -> Formula | None:
    dry = _WATER.sub("", text)
    return None if dry == text or not dry else parse_formula(dry)


def with_water(formula: Formula) -> float | None:
    """Return how many times as heavy a hydrate is as the same without its water; None for what is no hydrate.

    >>> round(with_water(parse_formula("CuSO4.5H2O")), 4)
    1.5644
    """
    dry = without_water(formula)
    return None if dry is None else formula.molar_mass_g_per_mol / dry.molar_mass_g_per_mol


def as_hydrate_of(hydrate: Formula, other: Formula) -> float | None:
    """Return how many times as heavy ``hydrate`` is as ``other`` where it is that and more water; None elsewhere.

    ``other`` may hold some water itself: a pentahydrate is the hydrate of a monohydrate too.

    >>> round(as_hydrate_of(parse_formula("CuSO4.5H2O"), parse_formula("CuSO4")), 4)
    1.5644
    >>> as_hydrate_of(parse_formula("CuSO4"), parse_formula("CuSO4.5H2O")) is None
    True
    """
    dry, plain = without_water(hydrate), without_water(other) or other
    if dry is None or dict(dry.elements) != dict(plain.elements):
        return None
    times = hydrate.molar_mass_g_per_mol / other.molar_mass_g_per_mol
    return times if times > 1.0 else None
