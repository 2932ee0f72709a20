"""Read a JSON text strictly (RFC 8259), and say by name, line and column what cannot be taken.

Beyond the grammar it refuses what passes a usual parser and harms later: NaN and Infinity, numbers beyond a float or
with more digits than one keeps, an object that names a key twice, a NUL or half a surrogate pair in text, nesting
deeper than ``DEEPEST``.
"""

from __future__ import annotations

import json
import math
import re
from typing import Any, Final, NoReturn

from service.errors import Fault, MalformedInput

DEEPEST: Final = 32
MOST_DIGITS_OF_AN_INTEGER: Final = 20
MOST_DIGITS_OF_A_FLOAT: Final = 17
"""A float keeps 17 significant digits (IEEE 754 binary64); a client that has more writes text."""

_TEXT: Final = r'"(?:[^"\\]|\\.)*+"'
_TOKEN: Final = re.compile(rf"{_TEXT}|[\[\]{{}}:,]|-?(?:[0-9.eE+-]+|Infinity)|NaN", re.DOTALL)
_SUSPECT_ESCAPE: Final = re.compile(r"\\u(?:0000|[dD][89a-fA-F])")
_BRACKET: Final = re.compile(rf"{_TEXT}|[\[\]{{}}]", re.DOTALL)


class _RefusedError(Exception):
    """A value that the grammar allows and this reader does not; where it stands is found afterwards."""


class _PlacedError(Exception):
    """What is refused, and the character of the text at which it stands."""

    def __init__(self, text: str, position: int, code: str, detail: str, expected: str, received: str | None) -> None:
        super().__init__(detail)
        self.text, self.position = text, position
        self.code, self.detail, self.expected, self.received = code, detail, expected, received

    def fault(self, first_line: int) -> Fault:
        """Return the fault with its line and column, where the text begins in ``first_line``."""
        line = first_line + self.text.count("\n", 0, self.position)
        column = self.position - self.text.rfind("\n", 0, self.position)
        detail = f"{self.detail} (line {line}, column {column})"
        return Fault(self.code, detail, self.received, self.expected, line=line, column=column)


def parse_json(body: bytes, *, first_line: int = 1) -> Any:
    """Return the value of a JSON text in UTF-8; raise :class:`MalformedInput` with its line and column, from 1.

    ``first_line`` is the line in which the text begins, where it is one line of a file of many.

    >>> parse_json(b'{"amount": "12.350 g", "equivalents": 1.1}')
    {'amount': '12.350 g', 'equivalents': 1.1}
    >>> parse_json(b'{"amount": NaN}')
    Traceback (most recent call last):
    ...
    service.errors.MalformedInput: NaN is no JSON number (line 1, column 12)
    """
    try:
        return _parsed(body)
    except _PlacedError as refused:
        raise MalformedInput([refused.fault(first_line)], code=refused.code) from None


def _parsed(body: bytes) -> Any:
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        before = body[: error.start].decode("utf-8")
        _refuse(before, len(before), "not-utf-8", "the body is not UTF-8 text", "JSON in UTF-8")
    if text.startswith("\ufeff"):
        _refuse(text, 0, "byte-order-mark", "the body begins with a byte order mark: send it without", "JSON in UTF-8")
    _check_depth(text)
    try:
        value = json.loads(
            text,
            parse_constant=_refuse_unplaced,
            parse_int=_integer,
            parse_float=_float,
            object_pairs_hook=_distinct,
        )
    except json.JSONDecodeError as error:
        if not text.strip():
            _refuse(text, 0, "empty-body", "the body is empty: send one JSON value", "JSON")
        _refuse(text, error.pos, "not-json", f"the body is not JSON: {error.msg}", "JSON as in RFC 8259")
    except _RefusedError:
        _refuse_first(text)
    if _SUSPECT_ESCAPE.search(text):
        _check_text(text)
    return value


def _refuse(text: str, position: int, code: str, detail: str, expected: str, received: str | None = None) -> NoReturn:
    raise _PlacedError(text, position, code, detail, expected, received)


def _check_depth(text: str) -> None:
    if text.count("[") + text.count("{") <= DEEPEST:
        return
    depth = 0
    for match in _BRACKET.finditer(text):
        character = match[0][0]
        if character in "[{":
            depth += 1
            if depth > DEEPEST:
                detail = f"the body nests deeper than {DEEPEST} levels"
                _refuse(text, match.start(), "too-deep", detail, f"at most {DEEPEST} levels")
        elif character in "]}":
            depth -= 1


def _refuse_unplaced(written: str) -> NoReturn:
    raise _RefusedError(written)


def _integer(written: str) -> int:
    if _fault_of_number(written):
        raise _RefusedError(written)
    return int(written)


def _float(written: str) -> float:
    if _fault_of_number(written):
        raise _RefusedError(written)
    return float(written)


def _distinct(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise _RefusedError
    return found


def _fault_of_number(written: str) -> tuple[str, str, str] | None:
    """Say what is wrong with one number as it is written: code, detail, expected."""
    if written in ("NaN", "Infinity", "-Infinity"):
        return "not-a-number", f"{written} is no JSON number", "a finite number, or null"
    mantissa, _, exponent = written.lower().partition("e")
    digits = re.sub(r"[^0-9]", "", mantissa).lstrip("0")
    whole = "." not in mantissa and not exponent
    most = MOST_DIGITS_OF_AN_INTEGER if whole else MOST_DIGITS_OF_A_FLOAT
    if len(digits if whole else digits.rstrip("0")) > most or len(written) > 64:
        return "too-many-digits", f"the number has more than {most} digits: write it as text", f"at most {most} digits"
    if not whole and (not math.isfinite(float(written)) or (digits and float(written) == 0)):
        return "out-of-range", f"{written} is beyond what a number can hold", "a number from 1e-307 to 1e308"
    return None


def _refuse_first(text: str) -> NoReturn:
    """Find the first number or key that was refused; the text is known to be JSON but for that."""
    keys: list[set[str] | None] = []
    previous = ""
    for match in _TOKEN.finditer(text):
        token = match[0]
        if token == "{":
            keys.append(set())
        elif token == "[":
            keys.append(None)
        elif token in ("}", "]"):
            keys.pop()
        elif token[0] == '"':
            known = keys[-1] if keys else None
            if known is not None and previous in ("{", ","):
                key = json.loads(token)
                if key in known:
                    detail = f"the object names the key {key[:64]!r} twice"
                    _refuse(text, match.start(), "duplicate-key", detail, "each key once", key[:64])
                known.add(key)
        elif token not in (":", ","):
            fault = _fault_of_number(token)
            if fault is not None:
                code, detail, expected = fault
                _refuse(text, match.start(), code, detail, expected, token[:64])
        previous = token
    raise AssertionError("what the parser refused was not found again")


def _check_text(text: str) -> None:
    """Refuse a NUL or half a surrogate pair that was written as an escape."""
    for match in _TOKEN.finditer(text):
        if match[0][0] != '"' or not _SUSPECT_ESCAPE.search(match[0]):
            continue
        read = json.loads(match[0])
        if "\0" in read:
            _refuse(text, match.start(), "nul-in-text", "a text holds a NUL character", "text without NUL")
        if any("\ud800" <= character <= "\udfff" for character in read):
            detail = "a text holds half of a surrogate pair, which is no character"
            _refuse(text, match.start(), "lone-surrogate", detail, "whole characters")
