"""Two roads through a body: whatever the short one takes, marshmallow takes too, and reads it as the same."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from marshmallow import EXCLUDE, ValidationError

from service.errors import InvalidInput
from service.schemas.kinds import _SHAPES, KINDS, load_record
from service.schemas.shape import NotPlainError
from tests.schemas.bodies import BODIES

REFUSALS = (NotPlainError, ValidationError, InvalidInput)
values = st.one_of(
    st.none(), st.booleans(), st.integers(-5, 10**40), st.floats(), st.just([]), st.just({}), st.just([None]),
    st.sampled_from(["5 g", "0.1 mol", "12 mL", "0.5", "2026-04-11", "finished", "open", "a-1", "", "H302", "x\x00"]),
)  # fmt: skip


def places(body: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every key and index inside a body."""
    inner = body.items() if isinstance(body, dict) else enumerate(body) if isinstance(body, list) else ()
    return [each for key, value in inner for each in [(*path, key), *places(value, (*path, key))]]


def altered(data: st.DataObject, kind: str) -> dict[str, Any]:
    """A sound body in which a few values are others, or are gone."""
    body = copy.deepcopy(BODIES[kind])
    for _ in range(data.draw(st.integers(0, 3))):
        *way, last = data.draw(st.sampled_from(places(body)))
        inner = body
        for key in way:
            inner = inner[key]
        if isinstance(inner, dict) and data.draw(st.booleans()):
            del inner[last]
            if not body:
                break
        else:
            # A drawn list is the same each time: put into itself it would have no end.
            inner[last] = copy.deepcopy(data.draw(values))
    return body


@pytest.mark.parametrize("kind", KINDS)
def test_a_sound_body_takes_the_short_road(kind: str) -> None:
    shape = _SHAPES[kind]
    plainly = shape.plainly(BODIES[kind])
    assert plainly == shape.load(BODIES[kind], unknown=EXCLUDE)
    nulls = {
        key: BODIES[kind].get(key)
        for key in shape.keys
        if key in BODIES[kind] or not shape.load_fields[shape.keys[key]].required
    }
    assert shape.plainly(nulls) == shape.load(nulls, unknown=EXCLUDE)


@given(kind=st.sampled_from(KINDS), data=st.data())
def test_what_the_short_road_takes_is_taken_and_the_same(kind: str, data: st.DataObject) -> None:
    shape, body = _SHAPES[kind], altered(data, kind)
    try:
        plainly = shape.plainly(body)
    except REFUSALS:
        return
    assert plainly == shape.load(body, unknown=EXCLUDE)


@given(kind=st.sampled_from(KINDS), data=st.data())
def test_what_marshmallow_takes_takes_the_short_road(kind: str, data: st.DataObject) -> None:
    """Else the long road would be walked in vain, in silence."""
    shape, body = _SHAPES[kind], altered(data, kind)
    try:
        read = shape.load(body, unknown=EXCLUDE)
    except REFUSALS:
        with pytest.raises(REFUSALS):
            shape.plainly(body)
    else:
        assert shape.plainly(body) == read
        if kind == "workshop":
            return
        bare = {key: value for key, value in body.items() if key != "code"}
        try:
            # Both roads read the values; the record may refuse what they come to together, as a route does its graph.
            made = shape.make({**{name: value for name, value in read.items() if value is not None}, "code": "a-1"})
        except REFUSALS:
            with pytest.raises(InvalidInput):
                load_record(kind, "a-1", bare)
        else:
            assert load_record(kind, "a-1", bare) == made
