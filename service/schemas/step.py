"""A step of a route as it is written: one key input, one product, a basis, a bill of other inputs, limits, cautions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Final

from service.domain.route import BASES, CONTENT, MASS_RATIO, STOICHIOMETRIC, BatchLimits, BillLine, ExpectedYield, Step
from service.errors import Fault
from service.schemas.compositions import ReactionField
from service.schemas.fields import (
    AmountField,
    BoolField,
    ChoiceField,
    CodeField,
    FractionField,
    MoneyField,
    NumberField,
    TextField,
)
from service.schemas.material import LONGEST_NAME, LONGEST_NOTE
from service.schemas.rules import needed, not_both
from service.schemas.shape import Part, Several, Within, given

MOST_LINES: Final = 50
_AMOUNT_OF_A_LINE: Final = ("equivalents", "per_key_input", "per_batch")
_ONE_SOURCE: Final = "an input comes from one place"


class BillLineSchema(Part):
    """One other input of a step, in one of three ways."""

    makes = BillLine

    material = CodeField(required=True)
    equivalents = NumberField(description="moles per mole of key input")
    per_key_input = AmountField("mass-per-mass", "volume-per-mass", "amount-per-mass")
    per_batch = AmountField("mass", "volume", "amount", description="an amount whatever the size of the batch")
    from_step = CodeField(description="the step of this route that makes it, where two do")
    from_route = CodeField(description="a route with runs of its own that makes it")

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """Exactly one way to say how much, at most one to say where from."""
        stated = [key for key in _AMOUNT_OF_A_LINE if given(body, key)]
        expected = "exactly one of " + ", ".join(_AMOUNT_OF_A_LINE)
        if not stated:
            yield Fault("missing", f"the line says not how much: give {expected}", expected=expected)
        for key in stated[1:]:
            detail = f"{stated[0]} and {key} are both given: a line says how much in one way"
            yield Fault("conflicting-keys", detail, expected=expected, pointer=f"/{key}")
        yield from not_both(body, "from_step", "from_route", _ONE_SOURCE)


class BatchLimitsSchema(Part):
    """The smallest and the largest batch; an end that is left out is open."""

    makes = BatchLimits

    smallest = AmountField("mass")
    largest = AmountField("mass")

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """The smallest batch is not above the largest."""
        smallest, largest = data.get("smallest"), data.get("largest")
        if smallest is not None and largest is not None and smallest.exact_base() > largest.exact_base():
            detail = f"the smallest batch, {smallest.text()}, is above the largest, {largest.text()}"
            yield Fault("wrong-order", detail, expected="smallest at most as large as largest", pointer="/smallest")

    def make(self, values: dict[str, Any]) -> BatchLimits:
        """Build it in gross grams of key input."""
        return BatchLimits(**{f"{name}_g": amount.base() for name, amount in values.items()})


class ExpectedYieldSchema(Part):
    """An opinion, used until the first run: the yields that 10, 50 and 90 % of batches stay under."""

    makes = ExpectedYield

    low = NumberField(required=True, description="P10, a fraction")
    likely = NumberField(required=True, description="P50, a fraction")
    high = NumberField(required=True, description="P90, a fraction")

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """The three points come in order."""
        for below, above in (("low", "likely"), ("likely", "high")):
            if below in data and above in data and data[below].value > data[above].value:
                detail = f"{below} is above {above}"
                yield Fault("wrong-order", detail, expected="low ≤ likely ≤ high", pointer=f"/{above}")

    def make(self, values: dict[str, Any]) -> ExpectedYield:
        """Build it in plain fractions."""
        return ExpectedYield(**{name: number.base() for name, number in values.items()})


class StepSchema(Part):
    """What lies between two weighings."""

    makes = Step

    code = CodeField(required=True)
    name = TextField(LONGEST_NAME, description="the code where none is given")
    basis = ChoiceField(BASES, required=True)
    key_input = CodeField(required=True, description="the material whose gross grams are the size of a batch")
    product = CodeField(required=True)
    analyte = CodeField(description="the material that a content step extracts")
    reaction = ReactionField()
    bill = Several(Within(BillLineSchema), at_most=MOST_LINES, description="the other inputs")
    co_products = Several(CodeField(), at_most=MOST_LINES)
    from_step = CodeField(description="the step of this route that makes the key input, where two do")
    from_route = CodeField(description="a route with runs of its own that makes the key input")
    limits = Within(BatchLimitsSchema, data_key="key_input_limits")
    minimum_assay = FractionField(above_zero=True)
    expected_yield = Within(ExpectedYieldSchema)
    vessel = AmountField("volume")
    closed_vessel = BoolField()
    foams = BoolField()
    all_at_once = BoolField(description="true where everything is charged at once")
    reaction_enthalpy = AmountField("molar-energy", sign="any", description="negative for heat given off")
    specific_heat = AmountField("specific-heat")
    reaction_mass = AmountField(
        "mass",
        "mass-per-mass",
        description="what is in the vessel while the heat is given off: a batch, or a gram of key input; else the bill",
    )
    labour = AmountField("time", sign="non-negative")
    elapsed = AmountField("time", sign="non-negative")
    energy = AmountField("energy", sign="non-negative")
    consumables = MoneyField(description="what a batch uses up that is no material: filters, gloves")
    cautions = Several(TextField(500), at_most=MOST_LINES)
    note = TextField(LONGEST_NOTE)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """What the basis asks for, and one place for each thing."""
        yield from not_both(body, "from_step", "from_route", _ONE_SOURCE)
        if data.get("product") is not None and data.get("product") == data.get("key_input"):
            detail = "a step makes another material than its key input: crude and pure are two, with one analyte"
            yield Fault("own-input", detail, expected="another material", pointer="/product")
        if data.get("basis") == CONTENT:
            yield from needed(body, "analyte", "a content step counts one material in its feed; name it")
        if data.get("basis") == STOICHIOMETRIC:
            yield from needed(body, "reaction", "a stoichiometric step is computed from one")
            yield from self._sides(data)
        opinion = data.get("expected_yield")
        if opinion is not None and data.get("basis") not in (None, MASS_RATIO) and opinion.high >= 1:
            detail = "an expected yield is a fraction below 1; only a mass-ratio step may give more than went in"
            yield Fault("out-of-range", detail, expected="0 < high < 1", pointer="/expected_yield/high")

    def _sides(self, data: Mapping[str, Any]) -> Iterator[Fault]:
        reaction = data.get("reaction")
        if reaction is None:
            return
        for key, side, codes in (
            ("key_input", "reactants", reaction.reactants),
            ("product", "products", reaction.products),
        ):
            code = data.get(key)
            if code is not None and code not in codes:
                detail = f"{key} {code!r} is not among the {side} of the reaction"
                yield Fault("not-in-reaction", detail, expected=f"one of {', '.join(codes)}", pointer=f"/{key}")

    def make(self, values: dict[str, Any]) -> Step:
        """Build it; a step without a name is called by its code."""
        return Step(**{"name": values["code"], **values})
