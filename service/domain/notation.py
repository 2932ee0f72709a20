"""How a measured number is written: one number, perhaps its uncertainty, perhaps a unit. Knows no unit by name.

The grammar is anchored and bounded, and nothing in it is evaluated. What cannot be read is refused with the reason and
a way to mend it.
"""

from __future__ import annotations

import math
import re
import reprlib
from collections.abc import Mapping
from decimal import Decimal
from typing import Any, Final, NoReturn

from service.errors import Fault, InvalidInput

MOST_CHARACTERS: Final = 64
MOST_DIGITS: Final = 20
LARGEST_EXPONENT: Final = 15
"""The largest power of ten of a first digit, and of a last digit below the point."""

_NUMBER: Final = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_MEASURED: Final = re.compile(
    rf"(?P<mantissa>{_NUMBER})(?:\((?P<last_digits>[0-9]+)\))?(?:[eE](?P<exponent>[+-]?[0-9]+))?(?P<rest>.*)", re.DOTALL
)
_BRACKETED: Final = re.compile(r"\(([^()±]*(?:\([0-9]+\))?[^()±]*±[^()±]*)\)(.*)", re.DOTALL)
_GROUPED: Final = re.compile(r"[0-9][\s_'’˙][0-9]|[0-9],[0-9]+[.,][0-9]|[0-9]\.[0-9]+[.,][0-9]")
_COMMA: Final = re.compile(r"[0-9],[0-9]")
_NOT_FINITE: Final = re.compile(r"[+-]?(?:s?nan|inf(?:inity)?|∞)(?![a-z])", re.IGNORECASE)
_REST_OF_SUM: Final = re.compile(r"(?:[*×x^/]|\+|-)\s*[0-9(.]|\*\*|[eE][+-]?[0-9.]")


def exponent_of(value: Decimal) -> int:
    """Return the power of ten of the last digit written: -2 for 12.35.

    >>> exponent_of(Decimal("12.35"))
    -2
    """
    exponent = value.as_tuple().exponent
    assert isinstance(exponent, int), "only finite numbers are read"
    return exponent


class Written:
    """What one client wrote in one place, to be taken apart; ``expected`` says in words what the place can take.

    >>> Written("12.35(2) g", "a mass").parts()
    (Decimal('12.35'), Decimal('0.02'), 'g', '')
    """

    def __init__(self, written: object, expected: str) -> None:
        self.written = written
        self.expected = expected
        self.shown = written[:MOST_CHARACTERS] if isinstance(written, str) else reprlib.repr(written)

    def refuse(self, code: str, detail: str) -> NoReturn:
        """Raise :class:`InvalidInput` with the one fault that this place has."""
        received: Any = self.shown if not isinstance(self.written, int | float) else self.written
        if isinstance(received, float) and not math.isfinite(received):
            received = self.shown
        raise InvalidInput([Fault(code=code, detail=detail, received=received, expected=self.expected)])

    def parts(self) -> tuple[Decimal, Decimal | None, str, str]:
        """Return value, uncertainty, unit and the uncertainty's own unit; a unit that was not written is ``""``."""
        if isinstance(self.written, Mapping):
            return self._from_mapping(self.written)
        if isinstance(self.written, str):
            return self._from_text(self.written)
        value, uncertainty = self._number(self.written)
        return value, uncertainty, "", ""

    def _from_mapping(self, written: Mapping[Any, Any]) -> tuple[Decimal, Decimal | None, str, str]:
        strange = sorted(str(key)[:MOST_CHARACTERS] for key in written if key not in ("value", "unit", "uncertainty"))
        if strange:
            self.refuse("unknown-key", f"an amount has value, unit and uncertainty, and no {strange[0]!r}")
        if written.get("value") is None:
            self.refuse("not-a-number", "the amount has no value")
        unit = written.get("unit", "")
        if not isinstance(unit, str):
            self.refuse("unknown-unit", "the unit is not text")
        if len(unit) > MOST_CHARACTERS:
            self.refuse("too-long", f"a unit has at most {MOST_CHARACTERS} characters")
        value, spread = self._number(written["value"])
        stated = written.get("uncertainty")
        if stated is None:
            return value, spread, unit.strip(), ""
        if spread is not None:
            self.refuse("bad-uncertainty", "the uncertainty is given twice: in the value and beside it")
        uncertainty, again = self._number(stated)
        if again is not None:
            self.refuse("bad-uncertainty", "an uncertainty has no uncertainty of its own here")
        return value, self._positive(uncertainty), unit.strip(), ""

    def _number(self, written: object) -> tuple[Decimal, Decimal | None]:
        """Read one number without a unit, text or JSON number, with its ``(2)`` if it has one."""
        if isinstance(written, bool) or not isinstance(written, str | int | float):
            self.refuse("not-a-number", f"{reprlib.repr(written)} is not a number")
        if isinstance(written, int) and abs(written) >= 10**MOST_DIGITS:
            self.refuse("too-many-digits", f"a number has at most {MOST_DIGITS} digits")
        text = written if isinstance(written, str) else repr(written)
        self.shown = text[:MOST_CHARACTERS]
        value, uncertainty, rest = self._measured(text.strip())
        if rest:
            self.refuse("not-a-number", f"{self.shown!r} is not a number alone")
        return value, uncertainty

    def _from_text(self, written: str) -> tuple[Decimal, Decimal | None, str, str]:
        if len(written) > MOST_CHARACTERS:
            self.refuse("too-long", f"an amount has at most {MOST_CHARACTERS} characters, and this has {len(written)}")
        text = written.strip()
        for spelled in ("+/-", "+-"):
            text = text.replace(spelled, "±")
        if "±" not in text:
            value, uncertainty, unit = self._measured(text)
            return value, uncertainty, unit, ""
        if text.count("±") > 1:
            self.refuse("bad-uncertainty", f"{self.shown!r} states more than one uncertainty")
        outside = ""
        if bracketed := _BRACKETED.fullmatch(text):
            text, outside = bracketed[1], bracketed[2].strip()
        left, right = text.split("±")
        value, last_digits, unit = self._measured(left.strip())
        if last_digits is not None:
            self.refuse("bad-uncertainty", f"{self.shown!r} states the uncertainty twice: in brackets and after ±")
        uncertainty, again, uncertainty_unit = self._measured(right.strip())
        if again is not None:
            self.refuse("bad-uncertainty", f"the uncertainty in {self.shown!r} has an uncertainty of its own")
        if outside and (unit or uncertainty_unit):
            self.refuse("bad-uncertainty", f"{self.shown!r} has units inside and outside of its brackets: write one")
        if "%" in uncertainty_unit and not unit.startswith("%"):
            self.refuse("bad-uncertainty", f"the uncertainty in {self.shown!r} is a percentage: write it as an amount")
        return value, self._positive(uncertainty), unit or outside, uncertainty_unit

    def _positive(self, uncertainty: Decimal) -> Decimal:
        if uncertainty <= 0:
            self.refuse(
                "bad-uncertainty", f"an uncertainty of {uncertainty} is not above zero: leave out what is unknown"
            )
        return uncertainty

    def _measured(self, text: str) -> tuple[Decimal, Decimal | None, str]:
        """Read a number at the start of ``text``; return it, the uncertainty of its last digits, and what follows."""
        text = text.replace("−", "-")
        match = _MEASURED.fullmatch(text)
        if match is None:
            self._not_a_number(text)
        rest: str = match["rest"].strip()
        if rest:
            self._check_rest(text, rest)
        mantissa, digits, exponent = match["mantissa"], match["last_digits"], int(match["exponent"] or 0)
        if max(sum(character.isdigit() for character in mantissa), len(digits or "")) > MOST_DIGITS:
            self.refuse("too-many-digits", f"{self.shown!r} has more than {MOST_DIGITS} digits")
        if abs(exponent) > LARGEST_EXPONENT:
            self.refuse("out-of-range", f"the exponent in {self.shown!r} is beyond ±{LARGEST_EXPONENT}")
        value = Decimal(mantissa).scaleb(exponent)
        if value.adjusted() > LARGEST_EXPONENT:
            self.refuse("out-of-range", f"{self.shown!r} is beyond 10 to the {LARGEST_EXPONENT}")
        if exponent_of(value) < -LARGEST_EXPONENT:
            self.refuse("too-many-digits", f"{self.shown!r} has more than {LARGEST_EXPONENT} decimals")
        if digits is None:
            return value, None, rest
        return value, self._positive(Decimal(digits).scaleb(exponent_of(value))), rest

    def _not_a_number(self, text: str) -> NoReturn:
        if not text:
            self.refuse("not-a-number", f"{self.shown!r} lacks a number: nothing is written where one is wanted")
        if _NOT_FINITE.match(text):
            self.refuse("not-finite", f"{self.shown!r} is not a finite number: leave out what is not known")
        if any(character.isdigit() and not character.isascii() for character in text):
            self.refuse("not-a-number", f"{self.shown!r} has digits of another script: write 0 to 9")
        self.refuse("not-a-number", f"{self.shown!r} does not start with a number: write the number, then the unit")

    def _check_rest(self, text: str, rest: str) -> None:
        """Refuse what follows a number where it is more of the number rather than a unit, and say how to mend it."""
        if _GROUPED.search(text):
            self.refuse("digit-grouping", f"{self.shown!r} has marks between its digits: write 1000, not 1 000")
        if _COMMA.search(text):
            mended = text.replace(",", ".")
            self.refuse("decimal-comma", f'{self.shown!r} has a decimal comma: write a decimal point, as in "{mended}"')
        if any(character.isdigit() and not character.isascii() and character not in "²³" for character in rest):
            self.refuse("not-a-number", f"{self.shown!r} has digits of another script: write 0 to 9")
        if _REST_OF_SUM.match(rest):
            self.refuse("not-a-number", f"{self.shown!r} is not one number: write a single number, then the unit")
