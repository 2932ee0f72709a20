"""What was received, so that it can be shown beside what is wrong with it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from service.errors import Fault
from service.schemas.shape import printable

LONGEST_SHOWN: Final = 100
MOST_SHOWN: Final = 10


def received(fault: Fault, body: Any) -> Fault:
    """Return the fault with what stands at its pointer in ``body``, abridged; what it carries where nothing does."""
    pointer = fault.pointer
    if pointer is None and fault.parameter is None:
        pointer = ""
        fault = replace(fault, pointer=pointer)
    if pointer is None:
        return fault
    value = body
    for token in pointer.split("/")[1:]:
        key = token.replace("~1", "/").replace("~0", "~")
        if isinstance(value, Mapping):
            value = value.get(key)
        elif isinstance(value, list) and key.isdecimal() and int(key) < len(value):
            value = value[int(key)]
        else:
            value = None
    return fault if value is None else replace(fault, received=shown(value))


def shown(value: Any, depth: int = 3) -> Any:
    """Return what was received so that it can be shown: short, shallow, finite, and of characters that can be written.

    >>> shown({"name": "x" * 1000, "mass": float("inf")})["mass"]
    'inf'
    """
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        return printable(value if len(value) <= LONGEST_SHOWN else value[:LONGEST_SHOWN] + "…")
    if isinstance(value, int):
        return value if value.bit_length() < 64 else "a number of more than 19 digits"
    if isinstance(value, float):
        return value if math.isfinite(value) else str(value)
    if isinstance(value, Mapping):
        if depth == 0:
            return "{…}"
        some = list(value.items())[:MOST_SHOWN]
        return {shown(str(key)): shown(inner, depth - 1) for key, inner in some}
    if isinstance(value, list | tuple):
        return "[…]" if depth == 0 else [shown(inner, depth - 1) for inner in value[:MOST_SHOWN]]
    return type(value).__name__
