"""The question in the middle of the work, as it is asked: a target, and what is in hand at each stage."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from service.domain.what_if import CarryOn, InHand
from service.errors import Fault
from service.schemas.fields import AmountField, CodeField, FractionField, MoneyField
from service.schemas.questions import AskedSchema, StepField, load_question
from service.schemas.shape import Part, Several, Within, given

MOST_IN_HAND = 100


class InHandSchema(Part):
    """So much of what a step makes."""

    makes = InHand

    step = StepField(description="the step that made it; of a route that feeds this one: route/step")
    material = CodeField(description="in place of the step: what it is")
    amount = AmountField("mass", required=True)
    assay = FractionField(above_zero=True, description="as usual for the step where it is left out")

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """It is named once."""
        chosen = [key for key in ("step", "material") if given(body, key)]
        expected = "exactly one of step and material"
        if not chosen:
            yield Fault("missing", f"it takes {expected}", expected=expected, pointer="/step")
        if len(chosen) > 1:
            yield Fault("conflicting-keys", f"it takes {expected}", expected=expected, pointer="/material")


class CarryOnSchema(AskedSchema):
    """A target, and what is in hand; what the shelf holds of that is not counted besides."""

    makes = CarryOn

    in_hand = Several(Within(InHandSchema), at_most=MOST_IN_HAND, at_least=1, required=True)
    worth_per_g = MoneyField(description="what a gram of product that is missing costs; its replacement if left out")

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """There is a target."""
        yield from super().rules(data, body)
        if not given(body, "target"):
            yield Fault("missing", "target is missing", expected="a mass such as 25 g", pointer="/target")


def load_carry_on(body: Any) -> CarryOn:
    """Read the body of a question in the middle of the work. Raises InvalidInput with every fault of it."""
    found: CarryOn = load_question(CarryOnSchema(), body, "how to carry on")
    return found
