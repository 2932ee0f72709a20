"""What is told of an import: what it wrote, and what looks wrong in it."""

from __future__ import annotations

from marshmallow import fields

from service.schemas.answers import Described, FaultAnswer, FindingAnswer, count, many


class ImportAnswer(Described):
    """What an import did."""

    code = fields.String(required=True)
    lines = count("lines that were read")
    created = count()
    changed = count()
    unchanged = count()
    state = count("the workshop's state after it")
    faults = many(FaultAnswer)
    findings = fields.List(
        fields.Nested(FindingAnswer),
        allow_none=True,
        metadata={"description": "of the runs that it wrote, as they are now: at most 100; null of a dry run"},
    )
    more_findings = count("how many there are beyond those shown")
