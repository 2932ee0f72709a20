"""What a caution is: a level, a code, a figure and where the rule comes from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Level = Literal["note", "warn", "stop"]

JUDGEMENT: Final = "common practice (judgement)"
STATEMENTS: Final = "hazard statements as recorded (UN GHS; EUH: Regulation (EC) 1272/2008)"


@dataclass(frozen=True, slots=True)
class Caution:
    """Something that could hurt: ``value`` is the figure behind it, ``source`` where the rule comes from."""

    level: Level
    code: str
    step: str
    detail: str
    value: float | None
    source: str

    def as_dict(self) -> dict[str, object]:
        """Return the caution as plain data."""
        return {
            "level": self.level,
            "code": self.code,
            "step": self.step,
            "detail": self.detail,
            "value": self.value,
            "source": self.source,
        }
