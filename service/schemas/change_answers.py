"""The shape of the feed of changes, for the document."""

from __future__ import annotations

from marshmallow import fields

from service.schemas.answers import Described, count, many


class ChangeTold(Described):
    """One change of one record."""

    kind = fields.String(required=True, metadata={"description": "as the path of its list names it"})
    code = fields.String(required=True)
    revision = fields.Integer(required=True, strict=True, metadata={"description": "…/revisions/{number} reads it"})
    state = fields.Integer(required=True, strict=True, metadata={"description": "the workshop's, that wrote it"})
    removed = fields.Boolean(required=True, metadata={"description": "the record is no longer there from here on"})
    at = fields.String(required=True, metadata={"format": "date-time", "description": "when it was written, UTC"})
    by = fields.String(required=True, metadata={"description": "the name of the token that wrote it"})


class ChangesAnswer(Described):
    """Some changes in the order of writing."""

    items = many(ChangeTold, "the oldest first")
    next = fields.String(allow_none=True, metadata={"description": "the following page, null on the last"})
    limit = count()
    since = count("the state after which they were written")
    state = count("the workshop's when this page was told: what to ask from, once the last page is read")
