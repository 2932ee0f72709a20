"""Cautions: what could hurt in one planned batch, computed from what was recorded and never from a default."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

STANDING: Final = (
    "Arithmetic on what was recorded, not a safety review. What is not listed was not assessed. "
    "Local law, local codes and a competent person who sees the set-up decide."
)

Level = Literal["note", "warn", "stop"]


@dataclass(frozen=True, slots=True)
class Caution:
    """Something that could hurt: ``value`` is the figure behind it, ``source`` where the rule comes from."""

    level: Level
    code: str
    step: str
    detail: str
    value: float | None
    source: str
