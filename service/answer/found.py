"""One finding with whose it is: as every rule hands it to the list."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from service.domain.finding import finding_id
from service.domain.finding_words import words_of
from service.store.finding_rows import RunLine


@dataclass(frozen=True, slots=True)
class Found:
    """A finding on a record. ``day`` is ISO text, None where it has none; ``more`` is what this kind says besides."""

    code: str
    kind: str
    record: str
    seen: str
    day: str | None = None
    about: str | None = None
    pointer: str | None = None
    odds: float | None = None
    project: str | None = None
    operator: str | None = None
    route: str | None = None
    step: str | None = None
    more: Mapping[str, Any] = field(default_factory=dict)

    @property
    def id(self) -> str:
        """The name that a reply gives."""
        return finding_id(self.code, self.kind, self.record, about=self.about, pointer=self.pointer)

    def told(self) -> dict[str, Any]:
        """Return it as the list tells it, without the reply."""
        words = words_of(self.code, self.odds)
        return {
            "id": self.id,
            "code": self.code,
            "severity": words.severity,
            "kind": self.kind,
            "record": self.record,
            "pointer": self.pointer,
            "about": self.about,
            "seen": self.seen,
            "odds": self.odds,
            "how_sure": words.how_sure,
            "look_at": words.look_at,
            "day": self.day,
            "route": self.route,
            "step": self.step,
            "project": self.project,
            "operator": self.operator,
            **self.more,
        }


_SHARED = ("code", "detail", "odds", "pointer", "about")


def of_run(line: RunLine, finding: Mapping[str, Any]) -> Found:
    """Return a finding of a run, as its record shows it, with whose the run is."""
    return Found(
        finding["code"],
        "runs",
        line.run,
        finding["detail"],
        day=line.day,
        about=finding.get("about"),
        pointer=finding.get("pointer"),
        odds=finding.get("odds"),
        project=line.project,
        operator=line.operator,
        route=line.route,
        step=line.step,
        more={key: value for key, value in finding.items() if key not in _SHARED},
    )
