"""Single values: what looks like one and is none."""

from __future__ import annotations

from typing import Any

import pytest
from marshmallow import ValidationError

from service.schemas.fields import BoolField, CasField, IntegerField, TextField, ValueField


def refused(field: ValueField[Any], value: Any) -> str:
    """The code of the one fault of a value."""
    with pytest.raises(ValidationError) as error:
        field.deserialize(value)
    (fault,) = error.value.messages
    return str(fault.code)


@pytest.mark.parametrize("value", [1.0, 1.7, "1", True, None, [1]])
def test_a_whole_number_is_written_as_one(value: Any) -> None:
    assert refused(IntegerField(0, 10, required=True), value) in ("wrong-type", "missing")


def test_the_bounds_of_a_whole_number() -> None:
    field = IntegerField(1, 10)
    assert [field.deserialize(value) for value in (1, 10)] == [1, 10]
    assert {refused(field, value) for value in (0, 11, 10**400)} == {"out-of-range"}


@pytest.mark.parametrize("value", [0, 1, "true", "yes", "", []])
def test_nothing_stands_for_true_or_false(value: Any) -> None:
    assert refused(BoolField(), value) == "wrong-type"


def test_text_keeps_what_was_written() -> None:
    text = " Grünspan\tneutral\n(CH₃COO)₂Cu·H₂O 🧪 "
    assert TextField(100).deserialize(text) == text
    assert TextField(3).deserialize("abc") == "abc"
    assert refused(TextField(3), "abcd") == "too-long"
    for bad in ("\x00", "\r", "\x1b[0m", "\x7f", "\x85", "\ud83e"):
        assert refused(TextField(100), f"a{bad}") == "bad-character"


@pytest.mark.parametrize("number", ["7732-18-5", "7758-99-8", "64-17-5", "7647-14-5"])  # from memory
def test_registry_numbers(number: str) -> None:
    assert CasField().deserialize(number) == number
    other = number[:-1] + str((int(number[-1]) + 1) % 10)
    assert refused(CasField(), other) == "bad-cas"
