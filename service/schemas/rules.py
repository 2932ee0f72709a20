"""What several keys of one object say together, wherever it is asked in more than one record."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from service.errors import Fault
from service.schemas.shape import given


def in_order(data: Mapping[str, Any], first: str, last: str) -> Iterator[Fault]:
    """Yield the fault of a day ``last`` that lies before the day ``first``; either may be absent."""
    begin, end = data.get(first), data.get(last)
    if begin is not None and end is not None and end < begin:
        detail = f"{last} {end} is before {first} {begin}"
        yield Fault("wrong-order", detail, expected=f"{first} or a later day", pointer=f"/{last}")


def not_both(body: Mapping[str, Any], one: str, other: str, why: str) -> Iterator[Fault]:
    """Yield the fault of two keys that each say the same thing in another way."""
    if given(body, one) and given(body, other):
        yield Fault("conflicting-keys", f"{one} and {other} are both given: {why}", pointer=f"/{other}")


def needed(body: Mapping[str, Any], key: str, why: str) -> Iterator[Fault]:
    """Yield the fault of a key that the rest of the object makes necessary."""
    if not given(body, key):
        yield Fault("missing", f"{key} is missing: {why}", pointer=f"/{key}")


def no_repeats(codes: list[Any], pointer: str, what: str) -> Iterator[Fault]:
    """Yield a fault for each code that stood before in the same list; ``pointer`` has ``{}`` where its index goes."""
    seen: set[str] = set()
    for index, code in enumerate(codes):
        if not isinstance(code, str):
            continue
        if code in seen:
            yield Fault("repeated-code", f"{what} {code[:64]!r} stands here twice", pointer=pointer.format(index))
        seen.add(code)


def parts(body: Mapping[str, Any], key: str, at_most: int) -> list[Mapping[str, Any]]:
    """Return the objects of the list that a body gives under ``key``, an empty one in the place of what is none."""
    value = body.get(key)
    return [one if isinstance(one, Mapping) else {} for one in value[:at_most]] if isinstance(value, list) else []
