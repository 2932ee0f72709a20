"""The run as it is written: what was weighed in and out, when and by whom."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, ClassVar, Final

from service.domain.lot import strength_of
from service.domain.money import Money
from service.domain.quantity import Quantity
from service.domain.run import (
    CO_PRODUCT,
    FAILED,
    FINISHED,
    OPEN,
    PRODUCT,
    RECOVERED,
    ROLES,
    STATUSES,
    WASTE,
    Charge,
    Outturn,
    Run,
    UnitPrice,
)
from service.errors import Fault, InvalidInput
from service.schemas.fields import (
    AmountField,
    BoolField,
    ChoiceField,
    CodeField,
    DateField,
    FractionField,
    MoneyField,
    TextField,
    ValueField,
)
from service.schemas.lot import STRENGTH_KEYS, StrengthKeys, strength_rules
from service.schemas.material import LONGEST_NOTE
from service.schemas.rules import in_order, no_repeats, not_both, parts
from service.schemas.shape import STAMPED, Part, RecordShape, Several, Within, given

MOST_LINES: Final = 200
MOST_PORTIONS: Final = 50
MOST_TAGS: Final = 20
LONGEST_OPERATOR: Final = 64


def with_strength(values: dict[str, Any]) -> dict[str, Any]:
    """Return the values with those that say what an amount holds brought together as its ``strength``."""
    stated = {key: values.pop(key) for key in STRENGTH_KEYS if key in values}
    return {**values, "strength": strength_of(**stated)} if stated else values


class UnitPriceField(ValueField[UnitPrice]):
    """A price for an amount: an amount of money, its currency, and per how much."""

    documented: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "properties": {**MoneyField.documented["properties"], "per": {"type": "string", "examples": ["1 kg"]}},
        "required": ["amount", "currency", "per"],
        "additionalProperties": False,
    }

    def read(self, written: Any) -> UnitPrice:
        """Return the price."""
        if not isinstance(written, Mapping):
            self.refuse("wrong-type", f'{self.called} is not {{"amount", "currency", "per"}}', "amount, currency, per")
        faults: list[Fault] = []
        money: Money | None = None
        per: Quantity | None = None
        try:
            money = MoneyField().read({key: value for key, value in written.items() if key != "per"})
        except InvalidInput as refused:
            faults.extend(refused.faults)
        if written.get("per") is None:
            faults.append(Fault("missing", "per is missing: a price is per an amount", expected="1 kg", pointer="/per"))
        else:
            try:
                per = AmountField("mass", "volume", "amount").read(written["per"])
            except InvalidInput as refused:
                faults.extend(fault.under("/per") for fault in refused.faults)
        if money is None or per is None:
            raise InvalidInput(faults)
        return UnitPrice(money, per)


class PortionsField(ValueField[tuple[Quantity, ...]]):
    """A gross weight, or a list of them: portions weighed one after another on one tare."""

    def __init__(self, **options: Any):
        self.weight = AmountField("mass", required=True)
        one = {"oneOf": self.weight.metadata["oneOf"]}
        many = {"type": "array", "items": one, "minItems": 1, "maxItems": MOST_PORTIONS}
        super().__init__(oneOf=[*one["oneOf"], many], examples=["142.31 g", ["142.31 g", "138.02 g"]], **options)

    def read(self, written: Any) -> tuple[Quantity, ...]:
        """Return the portions, one or more."""
        if not isinstance(written, list):
            return (self.weight.read(written),)
        if not 1 <= len(written) <= MOST_PORTIONS:
            expected = f"1 to {MOST_PORTIONS} portions"
            self.refuse("too-many" if written else "too-few", f"{self.called} lists {len(written)}", expected)
        faults: list[Fault] = []
        portions: list[Quantity] = []
        for index, portion in enumerate(written):
            try:
                portions.append(self.weight.read(portion))
            except InvalidInput as refused:
                faults.extend(fault.under(f"/{index}") for fault in refused.faults)
        if faults:
            raise InvalidInput(faults)
        return tuple(portions)


class ChargeSchema(StrengthKeys, Part):
    """One amount put in."""

    makes = Charge

    lot = CodeField(description="the lot that it was taken from")
    material = CodeField(description="the material, where it comes from no lot")
    amount = AmountField("mass", "volume", "amount", required=True)
    price = UnitPriceField()

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """A charge is of something, of one strength."""
        if not given(body, "lot") and not given(body, "material"):
            detail = "the charge is of nothing: name its lot, or its material"
            yield Fault("missing", detail, expected="lot or material")
        yield from strength_rules(body)

    def make(self, values: dict[str, Any]) -> Charge:
        """Build it with its strength."""
        return Charge(**with_strength(values))


class OutturnSchema(StrengthKeys, Part):
    """One amount taken out: net, or gross and tare."""

    makes = Outturn

    material = CodeField(required=True)
    role = ChoiceField(ROLES)
    lot = CodeField(description="the lot that it makes")
    net = AmountField("mass", "volume")
    gross = PortionsField()
    tare = AmountField("mass", sign="non-negative")
    cost_share = FractionField(description="the share of the run's cost that it carries")
    credit = MoneyField(description="what of the run's cost it carries before the rest is shared; it has a lot then")
    realisable_value = MoneyField(
        description="what all of it would fetch, less what selling it costs: by this the rest of the cost is shared"
    )
    waste_class = CodeField()
    expires_on = DateField()

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """One weighing, in one of two ways, of more than nothing."""
        yield from strength_rules(body)
        yield from self._credit(data, body)
        yield from self._realisable(data, body)
        expected = "net, or gross and tare"
        if given(body, "net"):
            for key in ("gross", "tare"):
                yield from not_both(body, "net", key, "give the net weight, or what the balance showed")
        elif not given(body, "gross") and not given(body, "tare"):
            yield Fault("missing", "nothing was weighed here: give net, or gross and tare", expected=expected)
        else:
            for key, other in (("gross", "tare"), ("tare", "gross")):
                if not given(body, key):
                    yield Fault("missing", f"{key} is missing beside {other}", expected=expected, pointer=f"/{key}")
        tare = data.get("tare")
        for index, portion in enumerate(data.get("gross") or ()):
            if tare is not None and portion.exact_base() <= tare.exact_base():
                detail = f"gross {portion.text()} less tare {tare.text()} leaves nothing: are the two exchanged?"
                place = f"/gross/{index}" if isinstance(body["gross"], list) else "/gross"
                yield Fault("negative-net", detail, expected="gross above tare", pointer=place)

    def _credit(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterator[Fault]:
        if not given(body, "credit"):
            return
        if data.get("role", PRODUCT) not in (CO_PRODUCT, RECOVERED):
            detail = "a credit is what a co-product or recovered material carries; the rest is the product's"
            yield Fault("not-with-role", detail, expected="the role co-product or recovered", pointer="/credit")
        if not given(body, "lot"):
            yield Fault("missing", "a credit is carried by a lot: say which this makes", pointer="/lot")
        yield from not_both(body, "credit", "cost_share", "it carries a sum, or a share")

    def _realisable(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterator[Fault]:
        if not given(body, "realisable_value"):
            return
        role = data.get("role", PRODUCT)
        if role not in ROLES or role == WASTE:
            detail = "waste carries no cost by its value: what it fetches is a co-product's"
            expected = "the role product, co-product or recovered"
            yield Fault("not-with-role", detail, expected=expected, pointer="/realisable_value")
        elif role != PRODUCT and not given(body, "lot"):
            yield Fault("missing", "what is shared by value is carried by a lot: say which this makes", pointer="/lot")
        for key in ("cost_share", "credit"):
            yield from not_both(body, key, "realisable_value", "a share is stated, or found by what it would fetch")

    def make(self, values: dict[str, Any]) -> Outturn:
        """Build it with its strength."""
        return Outturn(**with_strength(values))


def _share_faults(status: str | None, outturns: Sequence[Outturn]) -> Iterator[Fault]:
    """Yield the fault of stated shares of the cost that are not shares of one whole.

    They are at most 1; where none is left that would take the rest they are 1: of a finished run, when every lot that
    it makes states a share or carries a credit, and so does the product that it handed over without one. What a failed
    or abandoned run leaves over is the failure's.
    """
    stated = [outturn.cost_share.value for outturn in outturns if outturn.cost_share is not None]
    whole = sum(stated)
    if whole > 1:
        detail = f"the shares of cost come to {whole:f}, more than the whole"
        yield Fault("out-of-range", detail, expected="at most 1 together", pointer="/outturns")
    silent = [each for each in outturns if each.cost_share is None and each.credit is None]
    takes_the_rest = [each for each in silent if each.lot or each.role == PRODUCT]
    if stated and whole < 1 and status == FINISHED and not takes_the_rest:
        detail = f"every lot that comes out states its share of the cost, and they come to {whole:f}, not to 1"
        expected = "shares that sum to 1, or a lot or product that states none and takes the rest"
        yield Fault("shares-not-one", detail, expected=expected, pointer="/outturns")


class ExcludeSchema(Part):
    """Why a run is left out of statistics; it never leaves the cost."""

    reason = TextField(500, required=True)

    def make(self, values: dict[str, Any]) -> str:
        """Return the reason."""
        return str(values["reason"])


class RunSchema(RecordShape):
    """One execution of one step."""

    makes = Run
    computed = STAMPED | {"result", "findings"}

    code = CodeField()
    route = CodeField(required=True)
    step = CodeField(required=True)
    status = ChoiceField(STATUSES, required=True)
    charges = Several(Within(ChargeSchema), at_least=1, at_most=MOST_LINES, required=True)
    outturns = Several(Within(OutturnSchema), at_most=MOST_LINES)
    started_on = DateField()
    finished_on = DateField()
    project = CodeField()
    operator = TextField(LONGEST_OPERATOR)
    labour = AmountField("time", sign="non-negative")
    energy = AmountField("energy", sign="non-negative")
    all_weighed = BoolField(description="true asks for a closed mass balance")
    excluded = Within(ExcludeSchema, data_key="exclude", description="leaves the run out of statistics, never of cost")
    tags = Several(CodeField(), at_most=MOST_TAGS)
    note = TextField(LONGEST_NOTE)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """The status agrees with what came out; lots are new; shares of cost are shares of one."""
        yield from in_order(data, "started_on", "finished_on")
        charges, outturns = parts(body, "charges", MOST_LINES), parts(body, "outturns", MOST_LINES)
        yield from self._status(data.get("status"), body, outturns)
        lots = [line.get("lot") for line in outturns]
        yield from no_repeats(lots, "/outturns/{}/lot", "the lot")
        taken = {line["lot"] for line in charges if isinstance(line.get("lot"), str)}
        for index, lot in enumerate(lots):
            if isinstance(lot, str) and lot in taken:
                detail = f"{lot[:64]!r} is charged and taken out in one run: what comes out is a new lot"
                yield Fault("own-ancestor", detail, expected="a lot of its own", pointer=f"/outturns/{index}/lot")
        yield from _share_faults(data.get("status"), data.get("outturns") or ())

    def _status(
        self, status: str | None, body: Mapping[str, Any], outturns: list[Mapping[str, Any]]
    ) -> Iterator[Fault]:
        products = [index for index, line in enumerate(outturns) if line.get("role") in (None, PRODUCT)]
        if status == OPEN and outturns:
            detail = "an open run has nothing weighed out yet: finish it, or leave the outturns out"
            yield Fault("not-with-status", detail, expected="no outturns", pointer="/outturns")
        if status == OPEN and given(body, "finished_on"):
            detail = "an open run has no day on which it was finished"
            yield Fault("not-with-status", detail, expected="no finished_on", pointer="/finished_on")
        if status == FINISHED and not products:
            detail = "a finished run has product weighed out: add it, or say failed, abandoned or open"
            yield Fault("missing", detail, expected="an outturn with the role product", pointer="/outturns")
        if status == FAILED:
            for index in products:
                detail = "a failed run gives no product: poor but usable is finished; else it is recovered or waste"
                expected = "the role recovered, waste or co-product"
                yield Fault("not-with-status", detail, expected=expected, pointer=f"/outturns/{index}/role")
