"""Values that are made of materials by code: what a feedstock contains, what a reaction turns into what."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Final

from service.domain.quantity import Quantity
from service.domain.reaction import MOST_COEFFICIENT, MOST_SPECIES, Reaction
from service.errors import Fault, InvalidInput
from service.schemas.fields import CODE, FractionField, ValueField, amount_shapes
from service.schemas.shape import pointer_token

MOST_CONTENTS: Final = 50
_SIDES: Final = ("reactants", "products")
_SIDE: Final = {
    "type": "object",
    "minProperties": 1,
    "maxProperties": MOST_SPECIES,
    "additionalProperties": {"type": "integer", "minimum": 1, "maximum": MOST_COEFFICIENT},
}


class ContentsField(ValueField[Mapping[str, Quantity]]):
    """The mass fractions of named materials in a feedstock."""

    def __init__(self, **options: Any):
        self.fraction = FractionField(above_zero=True, required=True)
        shapes = {"oneOf": amount_shapes(unit=False)}
        super().__init__(
            type="object",
            additionalProperties=shapes,
            maxProperties=MOST_CONTENTS,
            examples=[{"alizarin": "0.012 ± 0.002"}],
            **options,
        )

    def read(self, written: Any) -> Mapping[str, Quantity]:
        """Return the fraction of each material."""
        if not isinstance(written, Mapping):
            self.refuse("wrong-type", f"{self.called} is not an object", '{"material": "0.012"}')
        if len(written) > MOST_CONTENTS:
            self.refuse("too-many", f"{self.called} names {len(written)} materials, at most {MOST_CONTENTS} are taken")
        read: dict[str, Quantity] = {}
        faults: list[Fault] = []
        for material, fraction in written.items():
            place = f"/{pointer_token(material)}"
            if not CODE.fullmatch(material):
                faults.append(Fault("bad-code", f"{self.called} names a material by no code", pointer=place))
                continue
            try:
                read[material] = self.fraction.read_as(fraction, f"the content of {material}")
            except InvalidInput as refused:
                faults.extend(fault.under(place) for fault in refused.faults)
        if faults:
            raise InvalidInput(faults)
        return read


class ReactionField(ValueField[Reaction]):
    """A reaction: the coefficient of each material on each side."""

    documented: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "properties": dict.fromkeys(_SIDES, _SIDE),
        "required": list(_SIDES),
        "additionalProperties": False,
        "examples": [{"reactants": {"hydrogen": 2, "oxygen": 1}, "products": {"water": 2}}],
    }

    def read(self, written: Any) -> Reaction:
        """Return the reaction; whether it balances is asked where the formulas are known."""
        expected = '{"reactants": {"material": 1}, "products": {"material": 1}}'
        if not isinstance(written, Mapping):
            self.refuse("wrong-type", f"{self.called} is not an object", expected)
        faults = [
            Fault("unknown-key", "a reaction has reactants and products", pointer=f"/{pointer_token(key)}")
            for key in written
            if key not in _SIDES
        ]
        for side in _SIDES:
            faults.extend(fault.under(f"/{side}") for fault in _side_faults(side, written.get(side)))
        if faults:
            raise InvalidInput(faults)
        return Reaction(*(dict(written[side]) for side in _SIDES))


def _side_faults(side: str, written: Any) -> list[Fault]:
    """Return what is wrong with one side of a reaction, with pointers from that side on."""
    expected = "material codes, each with a whole number"
    if written is None:
        return [Fault("missing", f"the {side} are missing", expected=expected, pointer="")]
    if not isinstance(written, Mapping):
        return [Fault("wrong-type", f"the {side} are not an object", expected=expected, pointer="")]
    if not 1 <= len(written) <= MOST_SPECIES:
        detail = f"there are {len(written)} {side}; 1 to {MOST_SPECIES} are taken"
        return [Fault("too-many" if written else "too-few", detail, expected=expected, pointer="")]
    faults = []
    for material, coefficient in written.items():
        place = f"/{pointer_token(material)}"
        if not CODE.fullmatch(material):
            faults.append(Fault("bad-code", f"the {side} name a material by no code", pointer=place))
        whole = isinstance(coefficient, int) and not isinstance(coefficient, bool)
        if not whole or not 1 <= coefficient <= MOST_COEFFICIENT:
            detail = f"a coefficient is a whole number from 1 to {MOST_COEFFICIENT}"
            faults.append(Fault("bad-coefficient", detail, expected=detail, pointer=place))
    return faults
