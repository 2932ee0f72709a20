"""What is told of a write beside the record: what it moved elsewhere."""

from __future__ import annotations

from marshmallow import fields

from service.schemas.answers import Described, MoneyAnswer, count, many, number, text


class MovedResult(Described):
    """What a run gave, as far as a write elsewhere may move it."""

    yield_fraction = fields.Float(data_key="yield", allow_none=True)
    contained_g = number()


class MovedRun(Described):
    """A run that came out different because of what was written."""

    run = text()
    before = fields.Nested(MovedResult)
    after = fields.Nested(MovedResult)


class MovedCost(Described):
    """What a lot cost; null where something behind it has no known cost."""

    cost_per_g = number("per gram, dry")
    cost_per_contained_g = number()
    total = fields.Nested(MoneyAnswer, allow_none=True)


class MovedLot(Described):
    """A lot that costs otherwise because of what was written."""

    lot = text()
    before = fields.Nested(MovedCost)
    after = fields.Nested(MovedCost)


class MovedLots(Described):
    """The lots that cost otherwise because of what was written or removed."""

    moved_lots = many(MovedLot, "by code; at most 100")
    more_moved_lots = fields.Integer(
        strict=True, allow_none=True, metadata={"description": "beyond those shown; null where too many may have moved"}
    )
    with_labour = fields.Boolean(metadata={"description": "true where these costs count hours at their rate"})


class Moved(MovedLots):
    """What came out different elsewhere because of what was written."""

    moved_runs = many(MovedRun, "by code; at most 100")
    more_moved_runs = count("beyond those shown")
