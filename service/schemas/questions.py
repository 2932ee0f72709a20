"""Bodies that ask: what a plan is asked for, as every question about plans states it, and how such a body is read."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any, ClassVar, Final

from marshmallow import EXCLUDE, ValidationError

from service.errors import MOST_FAULTS, Fault, InvalidInput
from service.schemas.fields import (
    CODE,
    AmountField,
    BoolField,
    ChoiceField,
    CodeField,
    CurrencyField,
    FractionField,
    IntegerField,
    MoneyField,
)
from service.schemas.received import received
from service.schemas.shape import Part, Several, flattened, given

LEAST_CONFIDENCE, MOST_CONFIDENCE = 0.5, 0.99
LEAST_TRIALS, MOST_TRIALS = 256, 4096
STOCKS: Final = ("own", "all", "none")
_STEP: Final = re.compile(f"(?:{CODE.pattern}/)?{CODE.pattern}")


class StepField(CodeField):
    """A step of the plan: of a route that feeds the planned one, route/step."""

    documented: ClassVar[Mapping[str, Any]] = {"type": "string", "pattern": f"^{_STEP.pattern}$"}

    def read(self, written: Any) -> str:
        """Return the step's code in the plan."""
        expected = "the code of a step; of a route that feeds this one route/step"
        text = self.text(written, 129, expected)
        if not _STEP.fullmatch(text):
            self.refuse("bad-code", f"{self.called} is no step: {expected}", expected)
        return text


class AskedSchema(Part):
    """What a plan is asked for, and on what terms."""

    target = AmountField("mass", description='the amount of product that is wanted, such as "25 g"')
    confidence = FractionField(description="the probability of reaching the target; 0.9 where it is left out")
    stock = ChoiceField(STOCKS, description="own: lots of the project and of none; all; none")
    project = CodeField(description="the project whose lots are its own")
    currency = CurrencyField(description="the currency of the answer; the workshop's own where it is left out")
    trials = IntegerField(LEAST_TRIALS, MOST_TRIALS, description=f"of the simulation; {MOST_TRIALS} where left out")
    acknowledge = Several(CodeField(), at_most=100, description="codes of cautions that are known and taken")

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """The confidence lies where a plan can be made."""
        yield from confidence_range(data)


class BackwardsSchema(AskedSchema):
    """The same, or in place of a target the most that a budget or the shelf reaches."""

    budget = MoneyField(description="in place of a target: the cash for packs and shipping")
    from_stock = BoolField(description="in place of a target: all that the shelf alone gives")

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """Exactly one of three questions."""
        yield from super().rules(data, body)
        expected = "exactly one of target, budget and from_stock"
        chosen = [key for key in ("target", "budget", "from_stock") if given(body, key) and body[key] is not False]
        if not chosen:
            yield Fault("missing", f"target is missing: it takes {expected}", expected=expected, pointer="/target")
        for key in chosen[1:]:
            detail = f"{key} and {chosen[0]} cannot be asked together: it takes {expected}"
            yield Fault("conflicting-keys", detail, expected=expected, pointer=f"/{key}")
        if (budget := data.get("budget")) is not None and budget.amount <= 0:
            yield Fault("out-of-range", "a budget is above 0", expected="money above 0", pointer="/budget/amount")


def confidence_range(data: Mapping[str, Any]) -> Iterable[Fault]:
    """Yield the fault of a confidence that no plan is made for."""
    confidence = data.get("confidence")
    if confidence is not None and not LEAST_CONFIDENCE <= confidence.base() <= MOST_CONFIDENCE:
        expected = f"a fraction from {LEAST_CONFIDENCE} to {MOST_CONFIDENCE}"
        yield Fault("out-of-range", f"confidence is not {expected}", expected=expected, pointer="/confidence")


def load_question(shape: Part, body: Any, what: str) -> Any:
    """Read a body that asks. Raises InvalidInput with every fault, each with its pointer and what was received."""
    faults: list[Fault] = []
    found = None
    if not isinstance(body, Mapping):
        expected = "an object with " + ", ".join(shape.keys)
        faults.append(Fault("wrong-type", f"{what} is asked by a JSON object", expected=expected, pointer=""))
    else:
        try:
            found = shape.load(body, unknown=EXCLUDE)
        except ValidationError as refused:
            faults.extend(flattened(refused.messages))
    if faults or found is None:
        raise InvalidInput(
            [*(received(fault, body) for fault in faults[:MOST_FAULTS]), *faults[MOST_FAULTS:]],
            None if len(faults) == 1 else f"the question cannot be taken as it stands: {len(faults)} faults",
        )
    return found
