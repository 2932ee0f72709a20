"""The material as it is written."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from service.domain.material import Material
from service.errors import Fault
from service.schemas.compositions import ContentsField
from service.schemas.fields import (
    AmountField,
    BoolField,
    CasField,
    ChoiceField,
    CodeField,
    FormulaField,
    FractionField,
    HazardField,
    TextField,
)
from service.schemas.rules import not_both
from service.schemas.shape import STAMPED, RecordShape, Several

PHASES: Final = ("solid", "liquid", "gas", "solution")
LONGEST_NAME: Final = 200
LONGEST_NOTE: Final = 4000
MOST_HAZARDS: Final = 50


def hazards_field() -> Several:
    """Return the list of hazard statements, as materials and lots have it."""
    return Several(HazardField(), at_most=MOST_HAZARDS, description="GHS hazard statements, by their codes")


class MaterialSchema(RecordShape):
    """A substance or feedstock as a kind of thing."""

    makes = Material
    computed = STAMPED | {"molar_mass_g_per_mol", "molar_mass_u_g_per_mol", "elements"}

    code = CodeField()
    name = TextField(LONGEST_NAME, required=True, description="what people call it")
    formula = FormulaField(description="leave it out for a feedstock, or state molar_mass instead")
    stated_molar_mass = AmountField("molar-mass", data_key="molar_mass")
    density = AmountField("density")
    phase = ChoiceField(PHASES)
    cas = CasField()
    analyte = CodeField(description="the pure material that this one is a crude or purified form of")
    hazards = hazards_field()
    contents = ContentsField(description="mass fractions of named materials in a feedstock, as it stands")
    lower_flammable_limit = FractionField(above_zero=True, description="volume fraction in air")
    solvent = BoolField(description="true where mass metrics count it as a solvent")

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """A formula has its own molar mass."""
        return not_both(body, "formula", "molar_mass", "a formula has its own molar mass, so leave molar_mass out")
