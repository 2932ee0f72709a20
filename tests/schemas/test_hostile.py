"""Whatever JSON may hold, a body is a record or is refused with faults that can be shown; nothing else happens."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import InvalidInput
from service.schemas.kinds import KINDS, SCHEMAS, load_record
from tests.schemas.bodies import BODIES, code_of, faults


def deep(levels: int) -> Any:
    value: Any = []
    for _ in range(levels):
        value = [value]
    return value


HOSTILE: list[Any] = [
    True,
    1.7,
    -1,
    0,
    10**400,
    1e308,
    float("nan"),
    float("inf"),
    "",
    " ",
    "\x00",
    "a\x00b",
    "\ud800",
    "\udfff x",
    "x" * 10**6,
    "(" * 10**6,
    "9" * 10**6,
    "9**9**9 g",
    "1e999999999 g",
    "1_000 g",
    "١ g",
    "NaN g",
    "=1+1",
    "../../etc",
    "' OR 1=1 --",
    "null",
    [],
    {},
    [[]],
    [None],
    {"": None},
    {"value": True, "unit": "g"},
    {"value": 10**400, "unit": "g"},
    {"value": float("nan"), "unit": "g"},
    {"value": {"value": 1}, "unit": []},
    {"amount": True, "currency": []},
    {"amount": float("nan"), "currency": "EUR"},
    {"reactants": [], "products": {"a": 10**30}},
    {"\ud800": "\x00"},
    {"x" * 10**6: 1},
    {"_schema": ["x"]},
    ["x"] * 10**4,
    deep(10**5),
]


def shown(kind: str, body: Any) -> None:
    """Load; where it is refused, every fault can be written as JSON in UTF-8, shortly."""
    for fault in faults(kind, body)[:100]:
        assert fault.code
        assert fault.detail
        assert fault.pointer is not None
        written = json.dumps(fault.as_dict(), allow_nan=False, ensure_ascii=False).encode("utf-8")
        assert len(written) < 5000


@pytest.mark.parametrize("kind", KINDS)
def test_hostile_values_in_every_key(kind: str) -> None:
    for key in SCHEMAS[kind]().keys:
        for value in HOSTILE:
            shown(kind, {**BODIES[kind], key: value})


@pytest.mark.parametrize(
    ("kind", "key"), [("runs", "charges"), ("runs", "outturns"), ("routes", "steps"), ("pools", "from")]
)
def test_hostile_values_in_every_key_of_a_line(kind: str, key: str) -> None:
    line = BODIES[kind][key][0]
    for inner in {**line, "net": None, "price": None, "contents": None, "concentration": None}:
        for value in HOSTILE:
            shown(kind, {**BODIES[kind], key: [{**line, inner: value}]})


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("value", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_bodies(kind: str, value: Any) -> None:
    shown(kind, value)
    shown(kind, {**BODIES[kind], "name": value, "extra": value})


def test_a_body_of_unknown_keys_is_counted_and_little_of_it_shown() -> None:
    with pytest.raises(InvalidInput) as refused:
        load_record("projects", "p", {"name": "p", **{f"key-{n}": n for n in range(100_000)}})
    some, more = refused.value.shown()
    assert (len(some), more) == (100, 99_900)
    assert {fault.pointer for fault in some} == {f"/key-{n}" for n in range(100)}


def test_numbers_that_are_booleans_and_fractions_that_are_counts() -> None:
    for value in (True, 1.7, "1", None):
        body = {"reactants": {"a": value}, "products": {"b": 1}}
        found = faults("routes", {**BODIES["routes"], "steps": [{**BODIES["routes"]["steps"][0], "reaction": body}]})
        assert "/steps/0/reaction/reactants/a" in {fault.pointer for fault in found}


keys = st.sampled_from(
    sorted({key for kind in KINDS for key in SCHEMAS[kind]().keys} | {"value", "unit", "amount", "lot"})
)
words = st.sampled_from(["1 g", "5 mL", "0.5", "finished", "product", "a", "EUR", "labour", "2026-01-01", "mass-ratio"])
scalars = st.none() | st.booleans() | st.integers() | st.floats() | st.text() | words
bodies = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys | st.text(max_size=5), inner, max_size=6),
    max_leaves=30,
)


@given(kind=st.sampled_from(KINDS), body=bodies)
def test_any_body_is_a_record_or_is_refused(kind: str, body: Any) -> None:
    shown(kind, body)


@given(kind=st.sampled_from(KINDS), data=st.data())
def test_a_sound_body_with_anything_in_it_is_a_record_or_is_refused(kind: str, data: st.DataObject) -> None:
    changed = data.draw(st.dictionaries(st.sampled_from(sorted(SCHEMAS[kind]().keys)), bodies, max_size=3))
    shown(kind, {**BODIES[kind], **changed})


@given(kind=st.sampled_from(KINDS), body=bodies)
def test_a_body_that_is_taken_makes_the_same_record_again(kind: str, body: Any) -> None:
    sound = {**BODIES[kind], **(body if isinstance(body, dict) else {})}
    if not faults(kind, sound):
        assert load_record(kind, code_of(kind), sound) == load_record(kind, code_of(kind), sound)
