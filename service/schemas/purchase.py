"""Purchases as they are written: a receipt, whose lines make lots."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from service.domain.purchase import SHARED_BY, Purchase, PurchaseLine
from service.errors import Fault
from service.schemas.fields import AmountField, ChoiceField, CodeField, DateField, IntegerField, MoneyField, TextField
from service.schemas.lot import StrengthKeys, strength_rules
from service.schemas.material import LONGEST_NOTE, hazards_field
from service.schemas.rules import in_order, needed, no_repeats, not_both, parts
from service.schemas.run import with_strength
from service.schemas.shape import STAMPED, Part, RecordShape, Several, Within, given

MOST_LINES: Final = 200
MOST_PACKS: Final = 1_000_000


class PurchaseLineSchema(StrengthKeys, Part):
    """One line of a receipt, and the lot that it makes."""

    makes = PurchaseLine

    lot = CodeField(required=True, description="the lot that it makes")
    offer = CodeField(description="what was bought; else material and amount")
    packs = IntegerField(1, MOST_PACKS, description="how many packs of the offer; 1 where it is left out")
    material = CodeField()
    amount = AmountField("mass", "volume", "amount")
    price = MoneyField(description="paid for the whole line; the packs at the offer's price where it is left out")
    hazards = hazards_field()
    expires_on = DateField()
    project = CodeField()
    note = TextField(LONGEST_NOTE)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """Packs of an offer, or an amount of a material; one way to state the strength."""
        yield from strength_rules(body)
        if given(body, "offer"):
            for key in ("material", "amount"):
                yield from not_both(body, "offer", key, "the offer says of what and how much a pack is")
            return
        if given(body, "packs"):
            detail = "packs are counted of an offer: name it, or state material and amount"
            yield Fault("missing", detail, expected="the code of an offer", pointer="/offer")
        elif not given(body, "material") and not given(body, "amount"):
            detail = "the line is of nothing: name the offer, or material and amount"
            yield Fault("missing", detail, expected="offer, or material and amount")
        else:
            for key in ("material", "amount"):
                yield from needed(body, key, "a line without an offer states both material and amount")

    def make(self, values: dict[str, Any]) -> PurchaseLine:
        """Build it with its strength."""
        return PurchaseLine(**with_strength(values))


class PurchaseSchema(RecordShape):
    """One receipt; its lines make lots, which are written through it."""

    makes = Purchase
    computed = STAMPED | {"landed"}

    code = CodeField()
    supplier = CodeField(required=True)
    bought_on = DateField(required=True)
    received_on = DateField(description="the day from which on its lots exist; that of the receipt if left out")
    shipping = MoneyField()
    tax = MoneyField()
    share_by = ChoiceField(
        SHARED_BY, description="by what shipping and tax are shared over the lines; by value if left out"
    )
    lines = Several(Within(PurchaseLineSchema), at_least=1, at_most=MOST_LINES, required=True)
    note = TextField(LONGEST_NOTE)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """A receipt is in one currency, and each of its lines is a lot of its own."""
        yield from in_order(data, "bought_on", "received_on")
        yield from no_repeats(
            [line.get("lot") for line in parts(body, "lines", MOST_LINES)], "/lines/{}/lot", "the lot"
        )
        came = data.get("received_on") or data.get("bought_on")
        for i, line in enumerate(data.get("lines") or ()):
            if came is not None and line.expires_on is not None and line.expires_on < came:
                detail = f"expires_on {line.expires_on} is before {came}, when it came"
                yield Fault("wrong-order", detail, expected=f"{came} or a later day", pointer=f"/lines/{i}/expires_on")
        stated = [(f"/lines/{i}/price", line.price) for i, line in enumerate(data.get("lines") or ())]
        stated += [(f"/{key}", data.get(key)) for key in ("shipping", "tax")]
        sums = [(pointer, money) for pointer, money in stated if money is not None]
        for pointer, money in sums:
            if money.currency != sums[0][1].currency:
                one = sums[0][1].currency
                detail = f"one receipt is in one currency: this is {money.currency}, and {sums[0][0]} is {one}"
                yield Fault("mixed-currencies", detail, expected=one, pointer=f"{pointer}/currency")
