"""Findings: what looks wrong in what was recorded. Never silently repaired, never silently left out."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that looks wrong: a stable ``code``, a sentence to act on, the odds where they were worked out.

    ``place`` is a JSON Pointer into the record where one field is meant.

    >>> Finding("yield-above-one", "4.20 g of 4.00 g theoretical").as_dict()
    {'code': 'yield-above-one', 'detail': '4.20 g of 4.00 g theoretical', 'odds': None}
    """

    code: str
    detail: str
    odds: float | None = None
    place: str | None = None

    def as_dict(self) -> dict[str, object]:
        """Return the finding as plain data, ``pointer`` only where one field is meant."""
        found: dict[str, object] = {"code": self.code, "detail": self.detail, "odds": self.odds}
        if self.place is not None:
            found["pointer"] = self.place
        return found
