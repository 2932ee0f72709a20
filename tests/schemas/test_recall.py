"""A record comes from memory only where the very body made it."""

from __future__ import annotations

import pytest

from service.errors import InvalidInput
from service.schemas.kinds import load_record
from service.schemas.recall import _Recall, recalled
from tests.schemas.bodies import BODIES


def test_the_same_revision_is_read_once() -> None:
    first = recalled("memory-1", "runs", "a", 1, BODIES["runs"])
    assert first == load_record("runs", "a", BODIES["runs"])
    assert recalled("memory-1", "runs", "a", 1, BODIES["runs"]) is first


@pytest.mark.parametrize("other", [("memory-3", "projects", "a", 1), ("memory-2", "suppliers", "a", 1)])
def test_neither_workshops_nor_kinds_meet(other: tuple[str, str, str, int]) -> None:
    body = {"name": "one"}
    assert recalled(*other, body) is not recalled("memory-2", "projects", "a", 1, body)


def test_another_book_may_have_the_same_numbers() -> None:
    assert recalled("memory-4", "projects", "a", 1, {"name": "one"}).name == "one"  # type: ignore[union-attr]
    assert recalled("memory-4", "projects", "a", 1, {"name": "two"}).name == "two"  # type: ignore[union-attr]


def test_what_is_refused_is_not_kept() -> None:
    for _ in range(2):
        with pytest.raises(InvalidInput):
            recalled("memory-5", "projects", "a", 1, {})


def test_the_longest_unused_goes_first() -> None:
    recall = _Recall(2)
    body = {"name": "p"}
    record = load_record("projects", "p", body)
    one, two, three = (("w", "projects", "p", revision) for revision in (1, 2, 3))
    recall.keep(one, body, record)
    recall.keep(two, body, record)
    assert recall.get(one, body) is record
    recall.keep(three, body, record)
    assert recall.get(two, body) is None
    assert recall.get(one, body) is record
    assert recall.get(three, body) is record
