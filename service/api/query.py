"""Query parameters: each declared once with its reader, read all together, every fault told at once.

An unknown parameter is a fault, because a misspelt filter must not widen an answer in silence.
"""

from __future__ import annotations

import datetime as dt
import difflib
import json
import re
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, Final

from werkzeug.datastructures import MultiDict

from service.domain.money import parse_money
from service.domain.quantity import parse_fraction, parse_quantity
from service.errors import Fault, InvalidInput, MalformedInput

CODE_PATTERN: Final = "[A-Za-z0-9][A-Za-z0-9._-]{0,63}"
"""What a record's code looks like."""
MOST_VALUES: Final = 100
"""The most values that one repeated parameter takes."""

_MONEY: Final = re.compile("([^A-Za-z]+?) *([A-Za-z]{3})?")
_DATE: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_WHOLE: Final = re.compile(r"[0-9]{1,9}")

Reader = Callable[[str], Any]


@dataclass(frozen=True, slots=True)
class Parameter:
    """One query parameter: its name, how its text is read, what the documentation says of it.

    ``read`` raises :class:`InvalidInput` with one fault, or ValueError where ``expected`` says all there is to say.
    A ``repeated`` parameter is read to a tuple; each of its values may itself hold several with commas between, unless
    commas are ``in_values``. Of parameters of one ``choice_of``, exactly one is given; a switch that is off is not.
    """

    name: str
    description: str
    read: Reader
    expected: str
    schema: Mapping[str, Any] = field(default_factory=lambda: {"type": "string"})
    default: Any = None
    repeated: bool = False
    required: bool = False
    choice_of: str | None = None
    in_values: bool = False

    def documented(self, asked: Mapping[str, str]) -> dict[str, Any]:
        """Return the parameter as OpenAPI has it, with what the example has ``asked`` of it."""
        schema = dict(self.schema)
        if self.repeated:
            schema = {"type": "array", "items": schema, "maxItems": MOST_VALUES}
        elif self.default not in (None, ()):
            schema["default"] = str(self.default) if schema.get("type") == "string" else self.default
        told = {"in": "query", "name": self.name, "description": self.description, "required": self.required}
        if self.name in asked:
            told["example"] = [asked[self.name]] if self.repeated else _json_value(asked[self.name], schema)
        return {**told, "schema": schema}


def _json_value(text: str, schema: Mapping[str, Any]) -> Any:
    return text if schema.get("type") == "string" else json.loads(text)


def read_query(given: MultiDict[str, str], parameters: Collection[Parameter]) -> dict[str, Any]:
    """Read a query string by its declaration; a parameter that was not given has its default.

    Raises :class:`MalformedInput` with every fault: unknown (with the nearest known name), given twice, missing,
    unreadable.

    >>> read_query(MultiDict([("limit", "5")]), [whole("limit", "page size", least=1, most=1000, default=100)])
    {'limit': 5}
    """
    known = {parameter.name: parameter for parameter in parameters}
    faults = [_unknown(name, known) for name in given if name not in known]
    found: dict[str, Any] = {}
    for name, parameter in known.items():
        texts = given.getlist(name)
        if not texts:
            found[name] = () if parameter.repeated else parameter.default
            if parameter.required:
                detail = f"the parameter {name} is missing"
                faults.append(Fault("missing-parameter", detail, expected=parameter.expected, parameter=name))
            continue
        if parameter.repeated and not parameter.in_values:
            texts = [part.strip() for text in texts for part in text.split(",")]
        if len(texts) > (MOST_VALUES if parameter.repeated else 1):
            detail = f"the parameter {name} is given {len(texts)} times"
            faults.append(Fault("repeated-parameter", detail, len(texts), parameter.expected, parameter=name))
            continue
        values = []
        for text in texts:
            try:
                values.append(parameter.read(text))
            except InvalidInput as error:
                faults += [Fault(f.code, f.detail, text[:64], f.expected, parameter=name) for f in error.faults]
            except ValueError:
                detail = f"{name} cannot be read: it takes {parameter.expected}"
                faults.append(Fault("bad-parameter", detail, text[:64], parameter.expected, parameter=name))
        if len(values) == len(texts):
            found[name] = tuple(values) if parameter.repeated else values[0]
    faults += _of_choices(given, parameters, found)
    if faults:
        raise MalformedInput(faults)
    return found


def _of_choices(
    given: MultiDict[str, str], parameters: Collection[Parameter], found: Mapping[str, Any]
) -> Iterator[Fault]:
    """Say of each choice whether nothing was chosen, or more than one."""
    choices: dict[str, list[str]] = {}
    for parameter in parameters:
        if parameter.choice_of is not None:
            choices.setdefault(parameter.choice_of, []).append(parameter.name)
    for names in choices.values():
        expected = f"exactly one of {', '.join(names[:-1])} and {names[-1]}"
        chosen = [name for name in names if name in given and found.get(name) is not False]
        if not chosen:
            detail = f"the parameter {names[0]} is missing: it takes {expected}"
            yield Fault("missing-parameter", detail, expected=expected, parameter=names[0])
        for name in chosen[1:]:
            detail = f"{name} and {chosen[0]} cannot be asked together: it takes {expected}"
            yield Fault("conflicting-parameters", detail, given[name][:64], expected, parameter=name)


def _unknown(name: str, known: Mapping[str, Parameter]) -> Fault:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
    hint = f"did you mean {near[0]}?" if near else f"it takes {', '.join(sorted(known)) or 'none'}"
    expected = ", ".join(sorted(known)) or "no parameter"
    return Fault(
        "unknown-parameter", f"no parameter is called {name[:64]}: {hint}", name[:64], expected, parameter=name[:64]
    )


def amount_g(name: str, description: str, *, required: bool = False, choice_of: str | None = None) -> Parameter:
    """Declare an amount in mass, read to grams: ``25g`` and ``25 g`` alike."""

    def read(text: str) -> float:
        return parse_quantity(text, ("mass",)).base()

    schema = {"type": "string", "minLength": 1, "examples": ["25 g"]}
    return Parameter(name, description, read, 'a mass such as "25 g"', schema, required=required, choice_of=choice_of)


def money(name: str, description: str, *, choice_of: str | None = None) -> Parameter:
    """Declare an amount of money above 0, ``20 EUR`` or ``20``; read to amount and currency, None where left out."""

    def read(text: str) -> tuple[Decimal, str | None]:
        parts = _MONEY.fullmatch(text.strip())
        amount, stated = (text, None) if parts is None else parts.groups()
        return parse_money({"amount": amount, "currency": stated or "EUR"}, sign="positive").amount, stated

    schema = {"type": "string", "minLength": 1, "examples": ["20 EUR"]}
    return Parameter(name, description, read, 'an amount of money such as "20 EUR"', schema, choice_of=choice_of)


def fraction(
    name: str,
    description: str,
    *,
    default: float | None = None,
    below_one: bool = False,
    between: tuple[float, float] = (0, 1),
) -> Parameter:
    """Declare a fraction, read to a float ``between`` two ends; with ``below_one`` both ends are left out."""

    def read(text: str) -> float:
        value = parse_fraction(text, name=name).base()
        if not least <= value <= most or (below_one and value in between):
            raise ValueError(text)
        return value

    least, most = between
    ends = ("exclusiveMinimum", "exclusiveMaximum") if below_one else ("minimum", "maximum")
    schema = {"type": "number", **dict(zip(ends, between, strict=True))}
    expected = (
        f"a fraction between {least} and {most}, such as 0.9" if below_one else f"a fraction from {least} to {most}"
    )
    return Parameter(name, description, read, expected, schema, default)


def day(name: str, description: str) -> Parameter:
    """Declare a date, read to a date."""

    def read(text: str) -> dt.date:
        if not _DATE.fullmatch(text):
            raise ValueError(text)
        return dt.date.fromisoformat(text)

    return Parameter(name, description, read, "a date such as 2026-11-25", {"type": "string", "format": "date"})


def choice(
    name: str, description: str, of: Collection[str], *, default: str | None = None, repeated: bool = False
) -> Parameter:
    """Declare one of several words."""

    def read(text: str) -> str:
        if text not in of:
            raise ValueError(text)
        return text

    schema = {"type": "string", "enum": list(of)}
    return Parameter(name, description, read, " or ".join(of), schema, default, repeated)


def yes_or_no(name: str, description: str, *, default: bool = False, choice_of: str | None = None) -> Parameter:
    """Declare a switch, read to a bool."""

    def read(text: str) -> bool:
        if text not in ("true", "false"):
            raise ValueError(text)
        return text == "true"

    return Parameter(name, description, read, "true or false", {"type": "boolean"}, default, choice_of=choice_of)


def whole(name: str, description: str, *, least: int, most: int, default: int | None = None) -> Parameter:
    """Declare a whole number between two ends, both included."""

    def read(text: str) -> int:
        if not _WHOLE.fullmatch(text) or not least <= int(text) <= most:
            raise ValueError(text)
        return int(text)

    schema = {"type": "integer", "minimum": least, "maximum": most}
    return Parameter(name, description, read, f"a whole number from {least} to {most}", schema, default)


def code(
    name: str, description: str, *, repeated: bool = False, required: bool = False, of_route: bool = False
) -> Parameter:
    """Declare the code of a record; with ``of_route`` the code of a route and a slash may stand before it."""
    pattern = f"({CODE_PATTERN}/)?{CODE_PATTERN}" if of_route else CODE_PATTERN

    def read(text: str) -> str:
        if not re.fullmatch(pattern, text):
            raise ValueError(text)
        return text

    schema = {"type": "string", "pattern": f"^{pattern}$"}
    expected = "a code: a letter or digit, then at most 63 letters, digits, dots, dashes or underscores"
    return Parameter(name, description, read, expected, schema, repeated=repeated, required=required)


def text(name: str, description: str, *, most: int = 200, repeated: bool = False) -> Parameter:
    """Declare a text of at most ``most`` characters; commas are part of it."""

    def read(given: str) -> str:
        if not 0 < len(given) <= most or "\0" in given:
            raise ValueError(given)
        return given

    schema = {"type": "string", "minLength": 1, "maxLength": most}
    expected = f"a text of 1 to {most} characters"
    return Parameter(name, description, read, expected, schema, repeated=repeated, in_values=True)


def currency(name: str, description: str) -> Parameter:
    """Declare a currency by its ISO 4217 code."""

    def read(given: str) -> str:
        if not re.fullmatch("[A-Z]{3}", given):
            raise ValueError(given)
        return given

    schema = {"type": "string", "pattern": "^[A-Z]{3}$"}
    return Parameter(name, description, read, "a currency code such as EUR", schema)


def canonical(found: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what was asked in one order and one spelling, so that equal questions are equal.

    >>> canonical({"target": 25.0, "as_of": None, "stock": "own"})
    [('stock', 'own'), ('target', '25.0')]
    """
    return [(name, _spelled(value)) for name, value in sorted(found.items()) if value is not None and value != ()]


def _spelled(value: Any) -> str:
    if isinstance(value, tuple):
        return ",".join(_spelled(part) for part in value)
    return str(value) if isinstance(value, dt.date | str) else repr(value)
