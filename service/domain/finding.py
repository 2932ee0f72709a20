"""Findings: what looks wrong in what was recorded. Never silently repaired, never silently left out."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that looks wrong: a stable ``code``, a sentence to act on, the odds where they were worked out.

    ``place`` is a JSON Pointer into the record where one field is meant; ``about`` what it is about (a material, a lot,
    the kind of a slip), where a record may have several findings of a code.

    >>> Finding("yield-above-one", "4.20 g of 4.00 g theoretical").as_dict()
    {'code': 'yield-above-one', 'detail': '4.20 g of 4.00 g theoretical', 'odds': None}
    """

    code: str
    detail: str
    odds: float | None = None
    place: str | None = None
    about: str | None = None

    def as_dict(self) -> dict[str, object]:
        """Return the finding as plain data, ``pointer`` and ``about`` only where one field or one thing is meant."""
        found: dict[str, object] = {"code": self.code, "detail": self.detail, "odds": self.odds}
        if self.place is not None:
            found["pointer"] = self.place
        if self.about is not None:
            found["about"] = self.about
        return found


def finding_id(code: str, kind: str, record: str, *, about: str | None = None, pointer: str | None = None) -> str:
    """Return the name of a finding: of what code, on which record, about what.

    It stays while the record goes on showing that same thing, whatever the figures, and whatever else of the record
    changes; another thing (a slip of another kind, another material) has another name. Neither a code of a finding nor
    a kind has a dot in it, and no code of a record a colon or a slash: no two findings have one name.

    >>> finding_id("slip", "runs", "VG-031", about="times-1000")
    'slip.runs.VG-031:times-1000'
    >>> finding_id("other-product", "runs", "VG-031", pointer="/outturns/0/material")
    'other-product.runs.VG-031/outturns/0/material'
    """
    return f"{code}.{kind}.{record}" + (f":{about}" if about is not None else pointer or "")
