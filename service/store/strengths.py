"""The strength of a lot as text and back: each number with its uncertainty, and only what is known."""

from __future__ import annotations

import json
from functools import lru_cache
from typing import Any, Final

from service.domain.lot import Measured, Strength

_FIELDS: Final = ("assay", "loss_on_drying", "molarity", "mass_concentration", "density")


def strength_text(strength: Strength) -> str:
    """Return a strength as JSON text; equal strengths give equal text.

    >>> strength_text(Strength(assay=Measured(0.96), contents={"dye": Measured(0.012, 0.002)}))
    '{"assay":[0.96,null],"contents":{"dye":[0.012,0.002]}}'
    """
    kept: dict[str, Any] = {name: _pair(found) for name in _FIELDS if (found := getattr(strength, name)) is not None}
    if strength.contents:
        kept["contents"] = {code: _pair(strength.contents[code]) for code in sorted(strength.contents)}
    return json.dumps(kept, allow_nan=False, separators=(",", ":"))


@lru_cache(maxsize=4096)
def strength_from(text: str) -> Strength:
    """Return the strength that :func:`strength_text` wrote.

    >>> strength_from('{"assay":[0.96,null]}').assay
    Measured(value=0.96, u=None)
    """
    kept = json.loads(text)
    contents = {code: Measured(*pair) for code, pair in kept.pop("contents", {}).items()}
    return Strength(**{name: Measured(*pair) for name, pair in kept.items()}, contents=contents)


def _pair(measured: Measured) -> list[float | None]:
    return [measured.value, measured.u]
