"""A reaction balanced: no record is read or written, and the scope to read is enough."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from flask import Response

from service.api.operation import Answer, Call, Operation
from service.api.wire import JSON, json_body, json_response
from service.domain.formula import Formula, parse_formula
from service.domain.reaction import MOST_SPECIES, balance
from service.errors import Fault, InvalidInput

_SIDES: Final = ("reactants", "products")
_FORMULAS: Final = {
    "type": "array",
    "items": {"type": "string", "maxLength": 200},
    "minItems": 1,
    "maxItems": MOST_SPECIES,
}
_ASKED: Final = {
    "type": "object",
    "required": list(_SIDES),
    "properties": dict.fromkeys(_SIDES, _FORMULAS),
    "additionalProperties": False,
}
_COEFFICIENTS: Final = {"type": "object", "additionalProperties": {"type": "integer", "minimum": 1}}
_TOLD: Final = {
    "type": "object",
    "required": [*_SIDES, "equation"],
    "properties": {**dict.fromkeys(_SIDES, _COEFFICIENTS), "equation": {"type": "string"}},
}


def _balance(call: Call) -> Response:
    body = json_body(call.service.body_limit_bytes)
    reactants, products = _read(body)
    found = balance(reactants, products)
    sides = {
        "reactants": dict(zip((name for name, _ in reactants), found.reactants, strict=True)),
        "products": dict(zip((name for name, _ in products), found.products, strict=True)),
    }
    return json_response({**sides, "equation": " -> ".join(_written(sides[side]) for side in _SIDES)})


def _written(side: Mapping[str, int]) -> str:
    return " + ".join(f"{nu} {name}" if nu > 1 else name for name, nu in side.items())


def _read(body: Any) -> tuple[list[tuple[str, Formula]], list[tuple[str, Formula]]]:
    expected = "an object with reactants and products, each a list of formulas"
    if not isinstance(body, Mapping):
        raise InvalidInput([Fault("wrong-type", f"the body is not {expected}", expected=expected, pointer="")])
    faults = [
        Fault("unknown-key", f"a reaction has no {str(key)[:64]!r}", expected=expected, pointer=f"/{str(key)[:64]}")
        for key in body
        if key not in _SIDES
    ]
    sides = [_side(body.get(side), f"/{side}", faults) for side in _SIDES]
    if faults:
        raise InvalidInput(faults)
    return sides[0], sides[1]


def _side(given: Any, pointer: str, faults: list[Fault]) -> list[tuple[str, Formula]]:
    expected = f"a list of 1 to {MOST_SPECIES} different formulas"
    if not isinstance(given, list) or not 1 <= len(given) <= MOST_SPECIES:
        faults.append(Fault("wrong-type", f"{pointer[1:]} is not {expected}", expected=expected, pointer=pointer))
        return []
    found: dict[str, Formula] = {}
    for place, written in enumerate(given):
        at = f"{pointer}/{place}"
        if not isinstance(written, str):
            faults.append(Fault("wrong-type", "a formula is text", expected="a formula such as CuSO4", pointer=at))
        elif written in found:
            faults.append(Fault("duplicate", f"{written[:64]} stands there twice", written[:64], expected, pointer=at))
        else:
            try:
                found[written] = parse_formula(written)
            except InvalidInput as error:
                faults += [fault.under(at) for fault in error.faults]
    return list(found.items())


def operations() -> Sequence[Operation]:
    """Return the operation that balances a reaction."""
    return (
        Operation(
            id="balance_reaction",
            method="POST",
            rule="/v1/reactions/balance",
            tag="answers",
            summary="A reaction balanced",
            description="The smallest whole coefficients that keep every element and the charge. Where the atoms allow "
            "more than one balance, it says so and picks none.",
            view=_balance,
            answers={200: Answer("The reaction, balanced.", {JSON: _TOLD})},
            body={JSON: _ASKED},
        ),
    )
