"""The route as it is written: the steps that lead to a product."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from service.domain.graph import connect
from service.domain.route import Route
from service.errors import Fault
from service.schemas.fields import ChoiceField, CodeField, TextField
from service.schemas.material import LONGEST_NAME, LONGEST_NOTE
from service.schemas.rules import no_repeats, parts
from service.schemas.shape import STAMPED, RecordShape, Several, Within
from service.schemas.step import StepSchema

MOST_STEPS: Final = 100
CHANGES: Final = ("revision", "correction")


class RouteSchema(RecordShape):
    """A way to make a material, a graph of steps."""

    makes = Route
    computed = STAMPED | {"upstream"}

    code = CodeField()
    name = TextField(LONGEST_NAME, required=True)
    product = CodeField(required=True)
    steps = Several(Within(StepSchema), at_least=1, at_most=MOST_STEPS, required=True)
    change = ChoiceField(
        CHANGES,
        description="where a step with runs is altered: revision keeps them computed by the step as it was, correction "
        "derives them again",
    )
    note = TextField(LONGEST_NOTE)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """Each step has a code of its own in its route."""
        codes = [step.get("code") for step in parts(body, "steps", MOST_STEPS)]
        return no_repeats(codes, "/steps/{}/code", "the step")

    def make(self, values: dict[str, Any]) -> Route:
        """Build it with its graph, or raise InvalidInput; what ``change`` asks is no part of the route."""
        return connect(Route(**{name: value for name, value in values.items() if name != "change"}))
