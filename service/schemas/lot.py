"""Lots and pools as they are written, and the keys that say what an amount holds."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Final

from marshmallow import Schema

from service.domain.lot import Lot, Pool, PoolPart
from service.errors import Fault
from service.schemas.compositions import ContentsField
from service.schemas.fields import AmountField, ChoiceField, CodeField, DateField, FractionField, MoneyField, TextField
from service.schemas.material import LONGEST_NOTE, hazards_field
from service.schemas.rules import in_order, no_repeats, not_both, parts
from service.schemas.shape import STAMPED, Part, RecordShape, Several, Within, given

ORIGINS: Final = ("opening", "bought", "found")
MOST_PARTS: Final = 200
STRENGTH_KEYS: Final = ("assay", "loss_on_drying", "concentration", "density", "contents")


class StrengthKeys(Schema):
    """What an amount holds, wherever a lot, a charge or an outturn states it."""

    assay = FractionField(above_zero=True, description="mass fraction of the wanted substance, on the dry basis")
    loss_on_drying = FractionField(below_one=True, description="mass fraction lost on drying")
    concentration = AmountField("molar-concentration", "mass-concentration")
    density = AmountField("density")
    contents = ContentsField(description="mass fractions of named materials, of the amount as it stands")


def strength_rules(body: Mapping[str, Any]) -> Iterator[Fault]:
    """Yield the fault of an amount that states its strength in two ways."""
    return not_both(body, "assay", "concentration", "state the mass fraction or the concentration")


class LotSchema(StrengthKeys, RecordShape):
    """An identifiable amount on a shelf as it stands: opening stock, bought or found."""

    makes = Lot
    computed = STAMPED | {"balance", "source"}

    code = CodeField()
    material = CodeField(required=True)
    amount = AmountField("mass", "volume", "amount", required=True)
    hazards = hazards_field()
    received_on = DateField()
    expires_on = DateField()
    origin = ChoiceField(ORIGINS)
    value = MoneyField(description="what the whole lot is worth in the books")
    supplier = CodeField()
    project = CodeField()
    note = TextField(LONGEST_NOTE)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """One way to state the strength; a lot expires after it came."""
        yield from strength_rules(body)
        yield from in_order(data, "received_on", "expires_on")


class PoolPartSchema(Part):
    """One lot that goes into a pool, and how much of it."""

    makes = PoolPart

    lot = CodeField(required=True)
    amount = AmountField("mass", "volume", "amount", required=True)


class PoolSchema(RecordShape):
    """Several lots of one material united into a new one."""

    makes = Pool
    computed = STAMPED

    code = CodeField()
    made_on = DateField(required=True)
    parts = Several(Within(PoolPartSchema), at_least=1, at_most=MOST_PARTS, required=True, data_key="from")
    lot = CodeField(required=True, description="the lot that it makes")
    assay = FractionField(above_zero=True, description="measured on the pool; else the mass-weighted mean of its parts")
    loss_on_drying = FractionField(below_one=True)
    project = CodeField()
    note = TextField(LONGEST_NOTE)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """A pool is a new lot: a topped-up bottle is a new pool at each top-up."""
        lots = [part.get("lot") for part in parts(body, "from", MOST_PARTS)]
        yield from no_repeats(lots, "/from/{}/lot", "the lot")
        for index, lot in enumerate(lots):
            if given(body, "lot") and lot == body["lot"]:
                detail = "a pool cannot be made from the lot that it makes: give the pool a lot of its own"
                yield Fault("own-ancestor", detail, expected="another lot", pointer=f"/from/{index}/lot")
