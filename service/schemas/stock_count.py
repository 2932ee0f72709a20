"""A whole shelf counted at once, as it is sent and as it is answered."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from marshmallow import EXCLUDE, ValidationError, fields

from service.domain.stock_count import CountedLot, StockCount
from service.errors import MOST_FAULTS, Fault, InvalidInput
from service.schemas.answers import Described, number, text
from service.schemas.fields import AmountField, CodeField, DateField, TextField
from service.schemas.material import LONGEST_NOTE
from service.schemas.received import received
from service.schemas.rules import no_repeats, parts
from service.schemas.run import LONGEST_OPERATOR
from service.schemas.shape import Part, Several, Within, flattened

MOST_COUNTED: Final = 500


class CountedLotSchema(Part):
    """One lot, and how much of it was found."""

    makes = CountedLot

    lot = CodeField(required=True)
    amount = AmountField("mass", "volume", "amount", sign="non-negative", required=True)


class StockCountSchema(Part):
    """What was counted at the end of a day, lot by lot."""

    makes = StockCount

    on = DateField(required=True)
    counted = Several(Within(CountedLotSchema), at_least=1, at_most=MOST_COUNTED, required=True)
    operator = TextField(LONGEST_OPERATOR)
    note = TextField(LONGEST_NOTE)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """A lot is counted once."""
        return no_repeats(
            [line.get("lot") for line in parts(body, "counted", MOST_COUNTED)], "/counted/{}/lot", "the lot"
        )


class CountedLotAnswer(Described):
    """A lot as it was booked and as it was counted; of volumes and moles the keys end in ml and mol."""

    lot = text()
    entry = text("the code of the recount that was written")
    booked = text("what the books came to by the end of the day, as text")
    counted = text("as it was written")
    difference = text("counted less booked, as text")
    booked_g = number()
    counted_g = number()
    difference_g = number()
    booked_ml = number()
    counted_ml = number()
    difference_ml = number()
    booked_mol = number()
    counted_mol = number()
    difference_mol = number()
    reasons = fields.Dict(keys=fields.String(), values=fields.String(), metadata={"description": "why a key is null"})


class StockCountAnswer(Described):
    """A shelf that was counted."""

    on = fields.String(required=True, metadata={"format": "date"})
    state = fields.Integer(required=True, strict=True, metadata={"description": "the workshop's state after it"})
    counted = fields.List(fields.Nested(CountedLotAnswer), required=True)


_SHAPE: Final = StockCountSchema()


def load_stock_count(body: Any) -> StockCount:
    """Read the body of a count; raises InvalidInput with every fault of it, each at its place.

    >>> body = {"on": "2026-05-02", "counted": [{"lot": "acid-07", "amount": "0.6 L"}]}
    >>> load_stock_count(body).counted[0].lot
    'acid-07'
    """
    if not isinstance(body, Mapping):
        expected = "an object with " + ", ".join(_SHAPE.keys)
        raise InvalidInput([Fault("wrong-type", "a count is written as a JSON object", expected=expected, pointer="")])
    try:
        count: StockCount = _SHAPE.load(body, unknown=EXCLUDE)
    except ValidationError as refused:
        faults = list(flattened(refused.messages))
        shown = [received(fault, body) for fault in faults[:MOST_FAULTS]]
        raise InvalidInput([*shown, *faults[MOST_FAULTS:]]) from refused
    return count
