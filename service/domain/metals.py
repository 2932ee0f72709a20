"""Metals in a substance, by its formula: which elements count, and how many grams of each a gram holds.

Counted are the metals, and beside them what the European list of waste names a heavy metal although chemistry does not
(arsenic, antimony, selenium, tellurium). Not metals are the nonmetals and the metalloids as commonly told: boron,
silicon, germanium, arsenic, antimony, tellurium (R. E. Vernon, J. Chem. Educ. 2013, 90, 1703; from memory). Heavy
metals are those of Commission Decision 2014/955/EU, definitions, point 2 (antimony, arsenic, cadmium, chromium(VI),
copper, lead, mercury, nickel, selenium, tellurium, thallium, tin; from memory). A formula does not tell the state of
chromium, which is therefore named in every state. Neither list decides what a workshop may do with its waste.
"""

from __future__ import annotations

from typing import Final

from service.domain.atomic_weights import ELEMENTS, ISOTOPES
from service.domain.formula import Formula

_HEAVY: Final = "Sb As Cd Cr Cu Pb Hg Ni Se Te Tl Sn"
_NOT_METALS: Final = "H He B C N O F Ne Si P S Cl Ar Ge As Se Br Kr Sb Te I Xe"

HEAVY: Final = frozenset(_HEAVY.split())
"""Symbols of the elements that the list of waste names heavy metals."""
NOT_METALS: Final = frozenset(_NOT_METALS.split())
"""Symbols of the nonmetals and metalloids that have a standard atomic weight."""
SOURCE: Final = (
    "metals of the periodic table, and the heavy metals of Commission Decision 2014/955/EU (list of waste), "
    "arsenic, antimony, selenium and tellurium among them"
)
"""Where the list is from, in words for an answer."""


def is_metal(symbol: str) -> bool:
    """Say whether an element counts as a metal here, by its symbol or that of one of its isotopes.

    >>> [symbol for symbol in ("Cu", "Na", "As", "Si", "D") if is_metal(symbol)]
    ['Cu', 'Na', 'As']
    """
    element = {"D": "H", "T": "H"}.get(symbol, symbol.lstrip("0123456789"))
    return element in HEAVY or element not in NOT_METALS


def metal_fractions(formula: Formula) -> dict[str, float]:
    """Return the grams of each metal in a gram of a substance, by symbol; empty where there is none.

    >>> from service.domain.formula import parse_formula
    >>> {symbol: round(held, 4) for symbol, held in metal_fractions(parse_formula("CuSO4.5H2O")).items()}
    {'Cu': 0.2545}
    """
    weights = {**ELEMENTS, **ISOTOPES}
    return {
        symbol: float(count * weights[symbol].g_per_mol) / formula.molar_mass_g_per_mol
        for symbol, count in formula.elements.items()
        if is_metal(symbol)
    }
