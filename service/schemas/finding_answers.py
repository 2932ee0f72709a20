"""The list of everything that looks wrong.

These describe; answers are built as plain data elsewhere. A key named here is never renamed, keys may be added.
"""

from __future__ import annotations

from marshmallow import fields, validate

from service.domain.finding_words import FINDING_CODES, SEVERITIES
from service.schemas.analytic_answers import Answer
from service.schemas.answers import Described, ReplyTold, count, many, number, text


class FoundTold(Described):
    """Something that looks wrong in what was recorded; never repaired, never left out."""

    id = fields.String(required=True, metadata={"description": "what a reply names it by"})
    code = fields.String(required=True, metadata={"examples": list(FINDING_CODES[:3])})
    severity = fields.String(validate=validate.OneOf(SEVERITIES))
    kind = fields.String(required=True, metadata={"description": "the kind of the record that it is of"})
    record = fields.String(required=True, metadata={"description": "the code of that record"})
    pointer = text("JSON Pointer into that record")
    about = text("a material, a lot, a kind of slip")
    seen = fields.String(required=True)
    odds = number("that it is so, where they were worked out")
    how_sure = fields.String(required=True)
    look_at = fields.String(required=True)
    slip = fields.String(metadata={"description": "of a slip: what was most likely written down wrong"})
    typical_yield = number("of a slip: what the runs before it gave")
    compared_runs = count("of a slip: how many runs before it that is the yield of")
    day = text("of the run, the charge, the price")
    route = text()
    step = text()
    project = text()
    operator = text()
    state = fields.String(validate=validate.OneOf(("open", "answered")))
    reply = fields.Nested(ReplyTold, allow_none=True, metadata={"description": "what was last answered to it"})


class FoundCount(Described):
    """How many findings of a code pass the filters."""

    code = fields.String(required=True)
    open = count()
    answered = count()


class NotCompared(Described):
    """A price that could not be compared with others, and why."""

    kind = fields.String()
    record = fields.String()
    reason = fields.String()


class FindingsAnswer(Answer):
    """What looks wrong."""

    findings = many(FoundTold, "at most 1,000, the newest day first")
    more = count("that pass and are not shown: narrow the filters")
    counts = many(FoundCount, "of all that pass but for the reply")
    not_compared = many(NotCompared)
