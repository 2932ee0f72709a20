"""What is bought and for how much: suppliers, offers, rates and exchange rates, as they are written."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, ClassVar, Final

from service.domain.offer import Offer
from service.domain.shelf_life import ShelfLife, parse_shelf_life
from service.domain.supplier import Supplier
from service.domain.workshop import ExchangeRate, Rate
from service.errors import Fault
from service.schemas.fields import (
    AmountField,
    ChoiceField,
    CodeField,
    CurrencyField,
    DateField,
    FractionField,
    MoneyField,
    NumberField,
    TextField,
    ValueField,
)
from service.schemas.material import LONGEST_NAME
from service.schemas.rules import in_order
from service.schemas.shape import STAMPED, RecordShape, given

_COUNTED_BY: Final = {"labour": ("time",), "energy": ("energy",), "waste": ("mass", "volume")}


class SupplierSchema(RecordShape):
    """Who sells, and on what terms."""

    makes = Supplier
    computed = STAMPED

    code = CodeField()
    name = TextField(LONGEST_NAME, required=True)
    shipping = MoneyField(description="what one order costs to send")
    free_from = MoneyField(description="the order value from which shipping is free")
    minimum_order = MoneyField(description="the least order value")


class ShelfLifeField(ValueField[ShelfLife]):
    """How long something keeps."""

    documented: ClassVar[Mapping[str, Any]] = {
        "type": "string",
        "pattern": "^[0-9]{1,6} ?([Dd]|[Dd]ays?|[Ww]eeks?|[Mm]onths?|[Yy]|[Yy]ears?)$",
        "examples": ["18 months", "2 y"],
    }

    def read(self, written: Any) -> ShelfLife:
        """Return the calendar months and days."""
        return parse_shelf_life(self.text(written, 64, "a whole number of days, weeks, months or years"))


class OfferSchema(RecordShape):
    """A price for a pack of a material, with the days between which it stands, both included."""

    makes = Offer
    computed = STAMPED

    code = CodeField()
    material = CodeField(required=True)
    supplier = CodeField(required=True)
    pack = AmountField("mass", "volume", "amount", required=True)
    price = MoneyField(required=True)
    assay = FractionField(above_zero=True, description="mass fraction of the wanted substance, as printed")
    density = AmountField("density")
    valid_from = DateField()
    valid_to = DateField()
    shelf_life = ShelfLifeField(description="how long a pack keeps from the day on which it is bought")

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """An offer ends after it begins."""
        return in_order(data, "valid_from", "valid_to")


class RateSchema(RecordShape):
    """A dated price for an hour of labour, an amount of energy or an amount of waste."""

    makes = Rate
    computed = STAMPED

    code = CodeField()
    of = ChoiceField(_COUNTED_BY, required=True)
    waste_class = CodeField(data_key="class", description="the class of waste; null for all others")
    price = MoneyField(required=True)
    per = AmountField("time", "energy", "mass", "volume", required=True)
    valid_from = DateField(required=True)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """Labour counts in time, energy in energy, waste in mass or volume; only waste has classes."""
        of, per = data.get("of"), data.get("per")
        if of is not None and per is not None and per.dimension not in _COUNTED_BY[of]:
            wanted = " or ".join(_COUNTED_BY[of])
            yield Fault("wrong-dimension", f"the price of {of} is per {wanted}", expected=wanted, pointer="/per")
        if of not in (None, "waste") and given(body, "class"):
            yield Fault("conflicting-keys", f"{of} has no class: only waste has", pointer="/class")


class ExchangeRateSchema(RecordShape):
    """What one unit of a currency is worth in another from a day on."""

    makes = ExchangeRate
    computed = STAMPED

    code = CodeField()
    base = CurrencyField(required=True, description="one unit of this")
    quote = CurrencyField(required=True, description="is worth so much of this")
    rate = NumberField(required=True, description="units of quote for one of base")
    valid_from = DateField(required=True)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """Two currencies; a rate is taken as exact."""
        if data.get("base") is not None and data.get("base") == data.get("quote"):
            yield Fault("conflicting-keys", "base and quote are one currency", pointer="/quote")
        rate = data.get("rate")
        if rate is not None and rate.uncertainty is not None:
            yield Fault("bad-uncertainty", "an exchange rate states no uncertainty", pointer="/rate")

    def make(self, values: dict[str, Any]) -> ExchangeRate:
        """Build it with the plain decimal of the rate."""
        return ExchangeRate(**{**values, "rate": values["rate"].value})
