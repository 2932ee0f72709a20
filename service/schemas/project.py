"""The workshop itself and its projects, as they are written."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from service.domain.workshop import MaterialLimit, Project, Workshop
from service.errors import Fault
from service.schemas.fields import AmountField, CodeField, CurrencyField, DateField, TextField
from service.schemas.material import LONGEST_NAME, LONGEST_NOTE
from service.schemas.shape import STAMPED, Part, RecordShape, Several, Within, given

MOST_LIMITS: Final = 200
_LIMITS: Final = ("largest_amount", "largest_concentration", "licence")


class MaterialLimitSchema(Part):
    """A limit that the workshop recorded for a material, with where it comes from and since when."""

    makes = MaterialLimit

    material = CodeField(required=True)
    source = TextField(500, required=True, description="where the limit comes from")
    on = DateField(required=True, description="the day it was looked up or came into force")
    largest_amount = AmountField("mass", "volume", "amount", sign="non-negative")
    largest_concentration = AmountField("molar-concentration", "mass-concentration", sign="non-negative")
    licence = TextField(500, description="the licence that is needed or held")

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """A limit limits something."""
        if not any(given(body, key) for key in _LIMITS):
            yield Fault("missing", f"this limits nothing: state one of {', '.join(_LIMITS)}")


class WorkshopSchema(RecordShape):
    """One makerspace: its book currency, its room, the limits that it keeps for itself."""

    makes = Workshop
    computed = STAMPED

    code = CodeField(description='always "workshop"')
    title = TextField(LONGEST_NAME)
    currency = CurrencyField(description="the book currency, ISO 4217; EUR where none is stated")
    room_volume = AmountField("volume")
    limits = Several(Within(MaterialLimitSchema), at_most=MOST_LIMITS)

    def make(self, values: dict[str, Any]) -> Workshop:
        """Build it; there is one workshop in a book, so it keeps no code."""
        return Workshop(**{name: value for name, value in values.items() if name != "code"})


class ProjectSchema(RecordShape):
    """A piece of shared work; runs are booked on one."""

    makes = Project
    computed = STAMPED

    code = CodeField()
    name = TextField(LONGEST_NAME, required=True)
    note = TextField(LONGEST_NOTE)
