"""The values inside a body: each field reads one into its domain value and says for the documentation what it takes."""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Collection, Mapping
from typing import Any, ClassVar, Final, NoReturn, TypeVar

from marshmallow import ValidationError

from service.domain.formula import Formula, parse_formula
from service.domain.money import Money, parse_money
from service.domain.quantity import Quantity, Sign, parse_fraction, parse_number, parse_quantity
from service.domain.units import DIMENSIONS, wanted
from service.errors import Fault, InvalidInput
from service.schemas.shape import UNWRITABLE, Refusing, pointer_token

T = TypeVar("T")

CODE: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_DATE: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_FIRST_YEAR, _LAST_YEAR = 1900, 2200
_HAZARD: Final = re.compile(r"(?:H[2-4][0-9]{2}[A-Za-z]{0,2}|EUH[0-9]{3}[A-Z]?)(?:\+H[2-4][0-9]{2}[A-Za-z]{0,2})*")
_CAS: Final = re.compile(r"([1-9][0-9]{1,6})-([0-9]{2})-([0-9])")
_CURRENCY_SHAPE: Final = "three capital letters of ISO 4217, such as EUR"
_SOUND_MONEY: Final = {"amount": "1", "currency": "EUR"}
_MOST_BITS: Final = 128


class ValueField(Refusing[T]):
    """A field that reads one JSON value. Null means absent, and is taken wherever absence is."""

    documented: ClassVar[Mapping[str, Any]] = {}

    def __init__(
        self, *, required: bool = False, data_key: str | None = None, description: str | None = None, **documented: Any
    ):
        shown: dict[str, Any] = {**self.documented, **documented}
        if description:
            shown["description"] = description
        if not required and "oneOf" in shown:
            shown["oneOf"] = [*shown["oneOf"], {"type": "null"}]
        if not required and "enum" in shown:
            shown["enum"] = [*shown["enum"], None]
        super().__init__(required=required, allow_none=not required, data_key=data_key, metadata=shown)

    def read(self, written: Any) -> T:
        """Return the domain value of what a client wrote, or raise InvalidInput with its faults."""
        raise NotImplementedError

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> T:
        try:
            if isinstance(value, int) and value.bit_length() > _MOST_BITS:
                self.refuse("out-of-range", f"{self.called} is far too large a number")
            return self.read(value)
        except InvalidInput as refused:
            raise ValidationError(list(refused.faults)) from refused

    def plainly(self, written: Any) -> T:
        """Return the domain value of what a client wrote."""
        return self._deserialize(written, None, None)

    def refuse(self, code: str, detail: str, expected: str | None = None) -> NoReturn:
        """Raise the one fault of this place."""
        raise InvalidInput([Fault(code, detail, expected=expected)])

    def text(self, written: Any, longest: int, expected: str) -> str:
        """Return what was written where it is text of at most ``longest`` characters that a database can hold."""
        if not isinstance(written, str):
            self.refuse("wrong-type", f"{self.called} is not text", expected)
        if len(written) > longest:
            detail = f"{self.called} has {len(written)} characters, and at most {longest} are taken"
            self.refuse("too-long", detail, expected)
        if found := UNWRITABLE.search(written):
            sort = "half of a surrogate pair" if found[0] > "\ud7ff" else f"the control character U+{ord(found[0]):04X}"
            self.refuse("bad-character", f"{self.called} holds {sort}, at character {found.start() + 1}", expected)
        return written


class TextField(ValueField[str]):
    """Text of bounded length, with something to read in it, without control characters other than newline and tab."""

    def __init__(self, longest: int, **options: Any):
        self.longest = longest
        super().__init__(type="string", minLength=1, maxLength=longest, **options)

    def read(self, written: Any) -> str:
        """Return the text as it was written."""
        text = self.text(written, self.longest, f"text of at most {self.longest} characters")
        if not text.strip():
            self.refuse("empty", f"{self.called} says nothing: leave it out or write something", "text")
        return text


class CodeField(ValueField[str]):
    """The code of a record."""

    documented: ClassVar[Mapping[str, Any]] = {"type": "string", "pattern": f"^{CODE.pattern}$"}

    def read(self, written: Any) -> str:
        """Return the code."""
        expected = "letters, digits, dot, underscore and hyphen, at most 64, a letter or digit first"
        text = self.text(written, 64, expected)
        if not CODE.fullmatch(text):
            self.refuse("bad-code", f"{self.called} is no code: {expected}", expected)
        return text


class ChoiceField(ValueField[str]):
    """One word of a few."""

    def __init__(self, choices: Collection[str], **options: Any):
        self.choices = tuple(choices)
        super().__init__(type="string", enum=list(choices), **options)

    def read(self, written: Any) -> str:
        """Return the word."""
        expected = "one of " + ", ".join(self.choices)
        text = self.text(written, 64, expected)
        if text not in self.choices:
            near = difflib.get_close_matches(text, self.choices, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"it is {expected}"
            self.refuse("unknown-word", f"{self.called} cannot be {text!r}: {hint}", expected)
        return text


class DateField(ValueField[dt.date]):
    """A day, ISO 8601, written in full."""

    documented: ClassVar[Mapping[str, Any]] = {"type": "string", "format": "date", "examples": ["2026-04-11"]}

    def read(self, written: Any) -> dt.date:
        """Return the day."""
        expected = "a day as in 2026-04-11"
        text = self.text(written, 64, expected)
        if not _DATE.fullmatch(text):
            self.refuse("bad-date", f"{self.called} is not a day: write year-month-day, as in 2026-04-11", expected)
        try:
            day = dt.date.fromisoformat(text)
        except ValueError as refused:
            raise InvalidInput([Fault("bad-date", f"{text} is no day of the calendar", expected=expected)]) from refused
        if not _FIRST_YEAR <= day.year <= _LAST_YEAR:
            self.refuse("out-of-range", f"{text} is too far off: check the year", f"{_FIRST_YEAR} to {_LAST_YEAR}")
        return day


class BoolField(ValueField[bool]):
    """true or false, and nothing that looks like it."""

    documented: ClassVar[Mapping[str, Any]] = {"type": "boolean"}

    def read(self, written: Any) -> bool:
        """Return true or false."""
        if not isinstance(written, bool):
            self.refuse("wrong-type", f"{self.called} is neither true nor false", "true or false, without quotes")
        return written


class IntegerField(ValueField[int]):
    """A whole number in JSON, neither 1.0 nor "1", within bounds."""

    def __init__(self, smallest: int, largest: int, **options: Any):
        self.smallest, self.largest = smallest, largest
        super().__init__(type="integer", minimum=smallest, maximum=largest, **options)

    def read(self, written: Any) -> int:
        """Return the number."""
        expected = f"a whole number from {self.smallest} to {self.largest}"
        if isinstance(written, bool) or not isinstance(written, int):
            self.refuse("wrong-type", f"{self.called} is not {expected}", expected)
        if not self.smallest <= written <= self.largest:
            self.refuse("out-of-range", f"{self.called} is not {expected}", expected)
        return written


class AmountField(ValueField[Quantity]):
    """An amount with a unit of one of ``dimensions``, as text or as an object."""

    def __init__(self, *dimensions: str, sign: Sign = "positive", **options: Any):
        self.dimensions = dimensions
        self.sign = sign
        examples = [DIMENSIONS[dimension].example for dimension in dimensions]
        options.setdefault("description", wanted(dimensions))
        super().__init__(oneOf=amount_shapes(unit=True), examples=examples, **options)

    def read(self, written: Any) -> Quantity:
        """Return the amount with its digits as written."""
        return parse_quantity(written, self.dimensions, sign=self.sign)


class FractionField(ValueField[Quantity]):
    """A fraction from 0 to 1, never percent; ``above_zero`` and ``below_one`` shut the ends."""

    def __init__(self, *, above_zero: bool = False, below_one: bool = False, **options: Any):
        self.above_zero, self.below_one = above_zero, below_one
        super().__init__(oneOf=amount_shapes(unit=False), examples=["0.149", "0.012 ± 0.002"], **options)

    def read(self, written: Any) -> Quantity:
        """Return the fraction as a quantity in the unit 1."""
        return self.read_as(written, self.called)

    def read_as(self, written: Any, name: str) -> Quantity:
        """Return the fraction; ``name`` is what a fault calls it."""
        fraction = parse_fraction(written, name=name)
        if self.above_zero and fraction.value == 0:
            self.refuse("out-of-range", f"{name} is 0: leave out what is not measured", "a fraction above 0")
        if self.below_one and fraction.value == 1:
            self.refuse("out-of-range", f"{name} is 1, which leaves nothing", "a fraction below 1")
        return fraction


class NumberField(ValueField[Quantity]):
    """A number without a unit."""

    def __init__(self, sign: Sign = "positive", **options: Any):
        self.sign = sign
        super().__init__(oneOf=amount_shapes(unit=False), examples=["1.1"], **options)

    def read(self, written: Any) -> Quantity:
        """Return the number as a quantity in the unit 1."""
        return parse_number(written, name=self.called, sign=self.sign)


class MoneyField(ValueField[Money]):
    """A sum of money; zero is a price, less than zero is none."""

    documented: ClassVar[Mapping[str, Any]] = {
        "type": "object",
        "properties": {
            "amount": {"type": ["string", "integer"], "description": "decimal text", "examples": ["12.50"]},
            "currency": {"type": "string", "description": _CURRENCY_SHAPE, "examples": ["EUR"]},
        },
        "required": ["amount", "currency"],
        "additionalProperties": False,
    }

    def read(self, written: Any) -> Money:
        """Return the sum."""
        try:
            return parse_money(written)
        except InvalidInput as refused:
            raise InvalidInput(self._faults(written, refused)) from refused

    def _faults(self, written: Any, refused: InvalidInput) -> list[Fault]:
        """Return every fault of a sum that was refused, each at the key where it is."""
        expected = 'money such as {"amount": "12.50", "currency": "EUR"}'
        if not isinstance(written, Mapping):
            return [Fault("wrong-type", f"{self.called} is not an object with amount and currency", expected=expected)]
        faults = [
            Fault("unknown-key", "money has amount and currency", expected=expected, pointer=f"/{pointer_token(key)}")
            for key in written
            if key not in _SOUND_MONEY
        ]
        for key in _SOUND_MONEY:
            if written.get(key) is None:
                faults.append(Fault("missing", f"{key} is missing", expected=expected, pointer=f"/{key}"))
                continue
            try:
                parse_money({**_SOUND_MONEY, key: written[key]})
            except InvalidInput as one:
                faults.extend(fault.under(f"/{key}") for fault in one.faults)
        return faults or list(refused.faults)


class CurrencyField(ValueField[str]):
    """The code of a currency."""

    documented: ClassVar[Mapping[str, Any]] = {
        "type": "string",
        "pattern": "^[A-Z]{3}$",
        "description": _CURRENCY_SHAPE,
        "examples": ["EUR"],
    }

    def read(self, written: Any) -> str:
        """Return the code."""
        return parse_money({"amount": "1", "currency": self.text(written, 64, _CURRENCY_SHAPE)}).currency


class FormulaField(ValueField[Formula]):
    """A chemical formula."""

    documented: ClassVar[Mapping[str, Any]] = {
        "type": "string",
        "maxLength": 200,
        "examples": ["CuSO4.5H2O", "[Fe(CN)6]4-"],
    }

    def read(self, written: Any) -> Formula:
        """Return the formula with its elements and molar mass."""
        return parse_formula(self.text(written, 10_000, "a formula such as CuSO4.5H2O"))


class HazardField(ValueField[str]):
    """A GHS hazard statement by its code, as a label prints it: H302, H360FD, EUH031, H300+H310."""

    documented: ClassVar[Mapping[str, Any]] = {
        "type": "string",
        "pattern": f"^{_HAZARD.pattern}$",
        "examples": ["H302", "EUH031"],
    }

    def read(self, written: Any) -> str:
        """Return the code."""
        expected = "the code of a GHS hazard statement, such as H302 or EUH031"
        text = self.text(written, 64, expected)
        if not _HAZARD.fullmatch(text):
            self.refuse("bad-hazard", f"{text!r} is no code of a hazard statement: write H302 or EUH031", expected)
        return text


class CasField(ValueField[str]):
    """A CAS registry number. Its last digit checks the others: their sum, each times its place from the right, mod 10.

    Source: CAS, "Check Digit Verification of CAS Registry Numbers" (from memory).
    """

    documented: ClassVar[Mapping[str, Any]] = {
        "type": "string",
        "pattern": f"^{_CAS.pattern}$",
        "examples": ["7758-99-8"],
    }

    def read(self, written: Any) -> str:
        """Return the number as written."""
        expected = "a CAS registry number such as 7758-99-8"
        text = self.text(written, 64, expected)
        match = _CAS.fullmatch(text)
        if match is None:
            self.refuse("bad-cas", f"{text!r} has not the form of a CAS registry number", expected)
        digits, check = match[1] + match[2], match[3]
        if sum(place * int(digit) for place, digit in enumerate(reversed(digits), start=1)) % 10 != int(check):
            self.refuse("bad-cas", f"the last digit of {text} does not fit the others: check what was copied", expected)
        return text


def amount_shapes(*, unit: bool) -> list[dict[str, Any]]:
    """Return the two ways to write an amount, or a number where there is no ``unit``, as OpenAPI schemas."""
    number = {"type": ["string", "number"]}
    properties: dict[str, Any] = {"value": number, "uncertainty": {"type": ["string", "number", "null"]}}
    if unit:
        properties["unit"] = {"type": "string"}
    alone = {"type": "string"} if unit else number
    required = ["value", "unit"] if unit else ["value"]
    return [
        alone,
        {"type": "object", "properties": properties, "required": required, "additionalProperties": False},
    ]
