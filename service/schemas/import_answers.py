"""What is told of an import: what it wrote, and what looks wrong in it."""

from __future__ import annotations

from marshmallow import fields

from service.schemas.answers import Described, FaultAnswer, FindingAnswer, count, many
from service.schemas.moves import Moved


class ImportedRecord(Described):
    """One record of an import, and what became of it."""

    kind = fields.String()
    code = fields.String()
    effect = fields.String(metadata={"description": "created, changed or unchanged"})
    pointer = fields.String(metadata={"description": "where it stands in what was sent; line of a file of lines"})


class ImportAnswer(Moved):
    """What an import did."""

    code = fields.String(required=True)
    lines = count("lines that were read")
    created = count()
    changed = count()
    unchanged = count()
    state = count("the workshop's state after it")
    faults = many(FaultAnswer)
    dry_run = fields.Boolean()
    replace = fields.Boolean()
    at = fields.String(metadata={"format": "date-time"})
    by = fields.String()
    state_before = count("the workshop's state before it")
    records = many(ImportedRecord, "what became of each")
    runs_moved = count("runs that came out different because of it")
    findings = fields.List(
        fields.Nested(FindingAnswer),
        allow_none=True,
        metadata={"description": "of the runs that it wrote, as they are now: at most 100; null of a dry run"},
    )
    more_findings = count("how many there are beyond those shown")
