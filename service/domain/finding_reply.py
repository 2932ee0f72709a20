"""What people answer to a finding. It stays in the record; the finding itself is worked out anew each time."""

from __future__ import annotations

from dataclasses import dataclass

CONFIRMED = "confirmed"
CORRECTED = "corrected"
WRONG_ALARM = "wrong-alarm"
ANSWERS = (CONFIRMED, CORRECTED, WRONG_ALARM)

ON_KINDS = ("runs", "lots", "offers", "purchases", "routes")
"""Kinds of record that findings are of."""


@dataclass(frozen=True, slots=True)
class FindingReply:
    """One answer: ``finding`` on the record ``record`` of ``kind`` was ``answer``, for a ``reason``.

    ``finding`` is the id of one finding, or a code alone, which means all of that code on the record as it stood.
    """

    code: str
    finding: str
    kind: str
    record: str
    answer: str
    reason: str
    operator: str | None = None

    def is_of(self, id: str, code: str) -> bool:
        """Say whether it speaks of the finding of that id and code, on its record.

        >>> reply = FindingReply("r1", "slip", "runs", "VG-031", WRONG_ALARM, "a new scale")
        >>> reply.is_of("slip.runs.VG-031:times-10", "slip"), reply.is_of("overdrawn.lots.acid-7", "overdrawn")
        (True, False)
        """
        return self.finding in (id, code)
