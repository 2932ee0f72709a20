"""Query parameters: every fault at once, each by its name."""

from __future__ import annotations

import datetime as dt

import pytest
from werkzeug.datastructures import MultiDict

from service.api import query
from service.errors import MalformedInput

PARAMETERS = (
    query.amount_g("target", "what is wanted", required=True),
    query.fraction("confidence", "how surely", default=0.9, below_one=True),
    query.choice("stock", "whose lots", ("own", "all"), default="own"),
    query.day("as_of", "when"),
    query.code("acknowledge", "cautions", repeated=True),
    query.whole("limit", "page size", least=1, most=1000, default=100),
    query.yes_or_no("labour", "count hours"),
)


def read(*pairs: tuple[str, str]) -> dict[str, object]:
    return query.read_query(MultiDict(pairs), PARAMETERS)


def test_an_amount_is_read_with_and_without_a_space() -> None:
    assert read(("target", "25g")) == read(("target", "25 g")) == read(("target", "0.025 kg"))
    assert read(("target", "25g")) == {
        "target": 25.0,
        "confidence": 0.9,
        "stock": "own",
        "as_of": None,
        "acknowledge": (),
        "limit": 100,
        "labour": False,
    }


def test_several_codes_come_repeated_or_with_commas() -> None:
    asked = read(("target", "1 g"), ("acknowledge", "a,b"), ("acknowledge", "c"), ("as_of", "2026-11-25"))
    assert asked["acknowledge"] == ("a", "b", "c")
    assert asked["as_of"] == dt.date(2026, 11, 25)


def test_every_fault_is_told_at_once() -> None:
    with pytest.raises(MalformedInput) as caught:
        read(
            ("confidance", "0.9"),
            ("confidence", "90 %"),
            ("stock", "mine"),
            ("stock", "own"),
            ("as_of", "25.11.2026"),
            ("limit", "1001"),
            ("labour", "yes"),
            ("acknowledge", "a b"),
            ("x\0", "1"),
        )
    found = {(fault.parameter, fault.code) for fault in caught.value.faults}
    assert found == {
        ("confidance", "unknown-parameter"),
        ("confidence", "unknown-unit"),
        ("stock", "repeated-parameter"),
        ("as_of", "bad-parameter"),
        ("limit", "bad-parameter"),
        ("labour", "bad-parameter"),
        ("acknowledge", "bad-parameter"),
        ("target", "missing-parameter"),
        ("x\0", "unknown-parameter"),
    }
    (near,) = [fault for fault in caught.value.faults if fault.parameter == "confidance"]
    assert near.detail == "no parameter is called confidance: did you mean confidence?"


@pytest.mark.parametrize("written", ["0", "1", "-0.1", "nan", "1e999", "０.5", "0,5", ""])
def test_a_probability_lies_between_its_ends(written: str) -> None:
    with pytest.raises(MalformedInput):
        read(("target", "1 g"), ("confidence", written))


@pytest.mark.parametrize("written", ["2026-02-30", "2026-1-1", "20261125", "２０２６-11-25", "2026-11-25T00:00", ""])
def test_a_date_is_a_day_that_exists(written: str) -> None:
    with pytest.raises(MalformedInput):
        read(("target", "1 g"), ("as_of", written))


def test_equal_questions_are_spelled_alike() -> None:
    one = read(("target", "25g"), ("acknowledge", "a,b"))
    other = read(("acknowledge", "a"), ("acknowledge", "b"), ("confidence", "0.90"), ("target", "0.025 kg"))
    assert query.canonical(one) == query.canonical(other)
