"""What is said with each kind of finding: how much it weighs, how sure it is, and what to look at."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

LIKELY, CHECK, NOTE = "likely", "check", "note"
SEVERITIES: Final = (LIKELY, CHECK, NOTE)
"""Something is very likely written wrong; something may be; a number is not known or in doubt because of this."""


class Words(NamedTuple):
    """``how_sure`` in plain words where no odds were worked out."""

    severity: str
    how_sure: str
    look_at: str


_CERTAIN: Final = "certain by what is recorded"
_OPEN: Final = "certain: the number beside it is unknown because of this"

FINDING_WORDS: Final[Mapping[str, Words]] = MappingProxyType(
    {
        "slip": Words(LIKELY, "by odds", "the weighings, their units and decimal points, in the note of that day"),
        "yield-above-one": Words(
            LIKELY, "certain that the numbers cannot all be right", "dryness, salt or hydrate form, tare, assay, unit"
        ),
        "more-out-than-in": Words(
            LIKELY, "beyond twice the uncertainty of the weighings", "a charge left out, a tare left in, a wet product"
        ),
        "balance-open": Words(
            CHECK, "beyond twice the uncertainty of the weighings", "an outturn left out, a gas, a spill, a tare"
        ),
        "overdrawn": Words(
            LIKELY, _CERTAIN, "count the lot; then its charges, its amount, and whether another lot was meant"
        ),
        "taken-after-end": Words(
            LIKELY, _CERTAIN, "whether another lot was meant, and whether all of it had gone; then count the lot"
        ),
        "counts-disagree": Words(CHECK, _CERTAIN, "which count is wrong; take it back with an entry that reverses it"),
        "expired-stock": Words(CHECK, _CERTAIN, "whether the lot was still good, and the day that it expires"),
        "off-bill": Words(
            CHECK, "certain that it is over twice, or below half, of the bill", "the charge and its unit; else the bill"
        ),
        "not-on-bill": Words(CHECK, _CERTAIN, "the charge, its lot and material; or let the bill name it"),
        "unlinked": Words(CHECK, _CERTAIN, "from which lot it was taken: without it neither cost nor assay follows"),
        "duplicate": Words(
            CHECK, "equal key input and product on one day: likely twice, unless weighed coarsely", "both runs"
        ),
        "assay-missing": Words(
            CHECK, "certain that it counts as stated; other lots say what it may be", "have an assay of the lot made"
        ),
        "assay-odd": Words(
            CHECK, "beyond 5 % of the other lots", "the label and the assay; the yields of the runs that took from it"
        ),
        "hydrate-in-doubt": Words(
            CHECK, "the yields lie where water of crystallisation would put them; chance can too",
            "the label and the formula: with its water or without",
        ),
        "credit-above-cost": Words(
            CHECK, _CERTAIN, "the credit, and the prices of what went in: its product would have been paid for"
        ),
        "price-jump": Words(CHECK, "beyond 1.5 times, or below half, of what it cost before", "price, pack, currency"),
        "reactant-missing": Words(LIKELY, _OPEN, "a charge that was not written down"),
        "key-input-missing": Words(LIKELY, _OPEN, "the charge of key input, and under which material it stands"),
        "content-unknown": Words(NOTE, _OPEN, "the content of the lot or of the material"),
        "density-needed": Words(NOTE, _OPEN, "the density of the lot or of the material"),
        "molar-mass-needed": Words(NOTE, _OPEN, "the formula or the molar mass of the material"),
        "limiting-in-doubt": Words(NOTE, "by the uncertainty of the weighings", "nothing, where 1:1 is meant"),
        "other-product": Words(CHECK, _CERTAIN, "the material of the outturn, or its role"),
    }
)  # fmt: skip
"""By the code of a finding."""
FINDING_CODES: Final = tuple(FINDING_WORDS)
_OTHER: Final = Words(NOTE, _CERTAIN, "the record")


def words_of(code: str, odds: float | None = None) -> Words:
    """Return what is said with a finding of a code, with its ``odds`` where they were worked out.

    >>> words_of("slip", 18.1).how_sure
    'the odds are 18 to 1'
    >>> words_of("overdrawn").severity
    'likely'
    """
    words = FINDING_WORDS.get(code, _OTHER)
    if odds is None:
        return words
    return words._replace(how_sure=f"the odds are {'over 1000' if odds > 1000 else f'{odds:.0f}'} to 1")
