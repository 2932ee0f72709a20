"""What-ifs as they are asked: a question of today and up to twenty scenarios of changes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from service.domain import what_if
from service.domain.what_if import MOST_SCENARIOS, Change, Scenario, WhatIf
from service.errors import Fault
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
from service.schemas.questions import STOCKS, BackwardsSchema, StepField, confidence_range, load_question
from service.schemas.rules import no_repeats, parts
from service.schemas.shape import Part, Several, Within, given

MOST_CHANGES = 50


@dataclass(frozen=True, slots=True)
class _Keys:
    """What a kind of change states: all of ``all_of``, exactly one of each of ``one_of``, any but none of ``some_of``,
    and ``may`` besides."""

    all_of: tuple[str, ...] = ()
    one_of: tuple[tuple[str, ...], ...] = ()
    some_of: tuple[str, ...] = ()
    may: tuple[str, ...] = ()

    @property
    def known(self) -> list[str]:
        return [*self.all_of, *(key for keys in self.one_of for key in keys), *self.some_of, *self.may]

    def faults(self, body: Mapping[str, Any], kind: str) -> Iterable[Fault]:
        def missing(key: str, said: str) -> Fault:
            return Fault("missing", f"a change of {kind} states {said}", expected=said, pointer=f"/{key}")

        for key in self.all_of:
            if not given(body, key):
                yield missing(key, key)
        for keys in self.one_of:
            chosen = [key for key in keys if given(body, key)]
            said = f"exactly one of {', '.join(keys[:-1])} and {keys[-1]}"
            if not chosen:
                yield missing(keys[0], said)
            for key in chosen[1:]:
                detail = f"{key} and {chosen[0]} are both given: a change of {kind} states {said}"
                yield Fault("conflicting-keys", detail, expected=said, pointer=f"/{key}")
        if self.some_of and not any(given(body, key) for key in self.some_of):
            yield missing(self.some_of[0], " or ".join(self.some_of))
        for key in KEYS:
            if given(body, key) and key not in self.known:
                expected = ", ".join(self.known)
                yield Fault("unfit-key", f"a change of {kind} has no {key}", expected=expected, pointer=f"/{key}")


CHANGES: Final[Mapping[str, _Keys]] = {
    what_if.YIELD: _Keys(("step",), (("yield", "factor"),)),
    what_if.FAILURE_RATE: _Keys(("step", "failure_rate")),
    what_if.LIMITS: _Keys(("step",), some_of=("smallest", "largest")),
    what_if.PRICE: _Keys((), (("offer", "material"), ("price", "factor")), may=("per",)),
    what_if.PACK: _Keys(("offer", "pack")),
    what_if.ASSAY: _Keys(("assay",), (("offer", "material"),)),
    what_if.CONTENT: _Keys(("material", "analyte", "content")),
    what_if.STOCK: _Keys((), (("stock", "material", "lot"),), may=("on",)),
    what_if.BILL: _Keys(("step", "material"), (("equivalents", "per_key_input", "per_batch", "remove"),)),
    what_if.BUY: _Keys(("step",)),
    what_if.ROUTE: _Keys(("route",)),
    what_if.TARGET: _Keys(("target",)),
    what_if.CONFIDENCE: _Keys(("confidence",)),
}
_SUBJECTS: Final = ("step", "material", "offer", "lot", "analyte")
KEYS: Final = tuple(dict.fromkeys(key for keys in CHANGES.values() for key in keys.known))


class ChangeSchema(Part):
    """One thing that is otherwise. Its kind says which of the other keys it states."""

    makes = Change

    kind = ChoiceField(tuple(CHANGES), required=True)
    step = StepField(description="a step of the plan; of a route that feeds this one: route/step")
    material = CodeField()
    offer = CodeField(description="an offer that stands on the day of the answer")
    lot = CodeField()
    route = CodeField(description="another route, planned in place of this one")
    analyte = CodeField(description="what the content is of")
    new_yield = NumberField(data_key="yield", description="the mean yield of batches that give something")
    factor = NumberField(description="so many times what is so today")
    failure_rate = FractionField(below_one=True, description="the expected chance that a batch gives nothing")
    smallest = AmountField("mass", description="the smallest batch, as key input")
    largest = AmountField("mass", description="the largest batch, as key input")
    price = MoneyField(description="of the offer's pack, or of the amount per of the material")
    per = AmountField("mass", "volume", description="what a price of a material is for")
    pack = AmountField("mass", "volume", "amount")
    assay = FractionField(above_zero=True)
    content = FractionField(above_zero=True)
    stock = ChoiceField(STOCKS, description="what of the shelf may be taken")
    on = BoolField(description="whether the material's stock, or the lot, may be taken; false where left out")
    equivalents = NumberField(description="moles per mole of key input")
    per_key_input = AmountField("mass-per-mass", "volume-per-mass", "amount-per-mass")
    per_batch = AmountField("mass", "volume", "amount", description="an amount whatever the size of the batch")
    remove = BoolField(description="true: the line falls away")
    target = AmountField("mass")
    confidence = FractionField()

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """The keys are those of its kind."""
        kind = data.get("kind")
        if kind is not None:
            yield from CHANGES[kind].faults(body, kind)
        yield from confidence_range(data)
        if kind == what_if.PRICE and given(body, "material") and given(body, "price") and not given(body, "per"):
            yield Fault("missing", "a price of a material is for an amount: state per", "", pointer="/per")
        if kind == what_if.PRICE and given(body, "per") and (given(body, "offer") or given(body, "factor")):
            yield Fault("conflicting-keys", "per goes with the price of a material only", pointer="/per")
        if kind == what_if.STOCK and given(body, "stock") and given(body, "on"):
            yield Fault("conflicting-keys", "on goes with a material or a lot only", pointer="/on")
        if data.get("remove") is False:
            detail = "a line that stays is not named: remove is true, or left out"
            yield Fault("out-of-range", detail, False, "true", "/remove")
        smallest, largest = data.get("smallest"), data.get("largest")
        if smallest is not None and largest is not None and largest.base() < smallest.base():
            yield Fault("wrong-order", "the largest batch is smaller than the smallest", pointer="/largest")


class ScenarioSchema(Part):
    """Changes under a name."""

    makes = Scenario

    name = TextField(100, required=True)
    changes = Several(Within(ChangeSchema), at_most=MOST_CHANGES, at_least=1, required=True)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """Nothing is changed twice."""
        stated: dict[tuple[Any, ...], int] = {}
        for at, each in enumerate(parts(body, "changes", MOST_CHANGES)):
            kind = each.get("kind")
            # Either limit of a step may be stated by itself.
            several = [key for key in ("smallest", "largest") if given(each, key)] if kind == what_if.LIMITS else [""]
            for which in several:
                subject = (kind, which, *(repr(each.get(key)) for key in _SUBJECTS))
                before = stated.setdefault(subject, at)
                if before != at:
                    detail = f"it changes what /changes/{before} changes already: state it once"
                    yield Fault("repeated-change", detail, pointer=f"/changes/{at}")


class WhatIfSchema(BackwardsSchema):
    """A question of today, and the scenarios that are put beside it."""

    makes = WhatIf

    scenarios = Several(Within(ScenarioSchema), at_most=MOST_SCENARIOS, at_least=1, required=True)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """Every scenario has a name of its own."""
        yield from super().rules(data, body)
        names = [each.get("name") for each in parts(body, "scenarios", MOST_SCENARIOS)]
        yield from no_repeats(names, "/scenarios/{}/name", "the name")


def load_what_if(body: Any) -> WhatIf:
    """Read the body of a what-if. Raises InvalidInput with every fault of it, each with its pointer."""
    found: WhatIf = load_question(WhatIfSchema(), body, "a what-if")
    return found
