"""A record comes from memory only where the very body made it."""

from __future__ import annotations

import json

import pytest

from service.errors import InvalidInput
from service.schemas.kinds import load_record
from service.schemas.recall import _Recall, recalled
from tests.schemas.bodies import BODIES


def test_the_same_revision_is_read_once() -> None:
    text = json.dumps(BODIES["runs"])
    first = recalled("memory-1", "runs", "a", 1, text)
    assert first == load_record("runs", "a", BODIES["runs"])
    assert recalled("memory-1", "runs", "a", 1, text) is first


@pytest.mark.parametrize("other", [("memory-3", "projects", "a", 1), ("memory-2", "suppliers", "a", 1)])
def test_neither_workshops_nor_kinds_meet(other: tuple[str, str, str, int]) -> None:
    text = '{"name":"one"}'
    assert recalled(*other, text) is not recalled("memory-2", "projects", "a", 1, text)


def test_another_book_may_have_the_same_numbers() -> None:
    assert recalled("memory-4", "projects", "a", 1, '{"name":"one"}').name == "one"  # type: ignore[union-attr]
    assert recalled("memory-4", "projects", "a", 1, '{"name":"two"}').name == "two"  # type: ignore[union-attr]


def test_what_is_refused_is_not_kept() -> None:
    for _ in range(2):
        with pytest.raises(InvalidInput):
            recalled("memory-5", "projects", "a", 1, "{}")


def test_the_longest_unused_goes_first() -> None:
    recall = _Recall(2)
    text = '{"name":"p"}'
    record = load_record("projects", "p", {"name": "p"})
    one, two, three = (("w", "projects", "p", revision) for revision in (1, 2, 3))
    recall.keep(one, text, record)
    recall.keep(two, text, record)
    assert recall.get(one, text) is record
    recall.keep(three, text, record)
    assert recall.get(two, text) is None
    assert recall.get(one, text) is record
    assert recall.get(three, text) is record
