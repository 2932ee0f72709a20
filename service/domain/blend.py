"""What several lots of one material hold once they are united."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from service.domain.lot import Measured, Strength


@dataclass(frozen=True, slots=True)
class BlendPart:
    """What goes in from one lot: its gross mass in g and volume in mL, None where not known, and its strength."""

    mass_g: float | None
    volume_ml: float | None
    strength: Strength


def blend(parts: Sequence[BlendPart]) -> Strength:
    """Return the strength of ``parts`` united, each mean weighted so that what they contain is what it contains.

    Loss on drying and contents are means by gross mass, the assay one by dry mass, since it is on the dry basis; what
    was not measured on one part but on another counts there as dry or pure. Concentrations are means by volume, density
    is mass by volume; these are None where one part lacks them, and so is a mean by a mass that is not known. Volumes
    are taken to add. Parts are taken to be measured independently (JCGM 100:2008, 5.1.2).

    >>> strong, weak = (BlendPart(20.0, None, Strength(assay=Measured(assay))) for assay in (0.96, 0.90))
    >>> round(blend([strong, weak]).assay.value, 3)
    0.93
    """
    masses = _known([part.mass_g for part in parts])
    volumes = _known([part.volume_ml for part in parts])
    dry: list[float] | None = None
    if masses is not None:
        dry = [
            mass * (1.0 - _value(part.strength.loss_on_drying, 0.0)) for mass, part in zip(masses, parts, strict=True)
        ]
    strengths = [part.strength for part in parts]
    codes = dict.fromkeys(code for strength in strengths for code in strength.contents)
    contents = {code: _mean(strengths, masses, partial(_content, code)) for code in codes}
    return Strength(
        assay=_mean(strengths, dry, lambda strength: strength.assay, otherwise=1.0),
        loss_on_drying=_mean(strengths, masses, lambda strength: strength.loss_on_drying, otherwise=0.0),
        molarity=_mean(strengths, volumes, lambda strength: strength.molarity),
        mass_concentration=_mean(strengths, volumes, lambda strength: strength.mass_concentration),
        density=_mean(strengths, volumes, lambda strength: strength.density),
        contents=_present(contents),
    )


def _mean(
    strengths: Sequence[Strength],
    weights: Sequence[float] | None,
    field: Callable[[Strength], Measured | None],
    otherwise: float | None = None,
) -> Measured | None:
    found = [field(strength) for strength in strengths]
    if weights is None or all(value is None for value in found):
        return None
    if otherwise is None and any(value is None for value in found):
        return None
    total = math.fsum(weights)
    if total <= 0.0:
        return None
    shares = [weight / total for weight in weights]
    mean = math.fsum(share * _value(value, otherwise or 0.0) for share, value in zip(shares, found, strict=True))
    us = [
        share * value.u for share, value in zip(shares, found, strict=True) if value is not None and value.u is not None
    ]
    return Measured(mean, math.hypot(*us) if us else None)


def _known(values: Sequence[float | None]) -> list[float] | None:
    known = [value for value in values if value is not None]
    return known if len(known) == len(values) else None


def _present(contents: Mapping[str, Measured | None]) -> dict[str, Measured]:
    return {code: value for code, value in contents.items() if value is not None}


def _content(code: str, strength: Strength) -> Measured | None:
    return strength.contents.get(code)


def _value(measured: Measured | None, otherwise: float) -> float:
    return otherwise if measured is None else measured.value
