"""Names in questions about a plan that nothing of it has."""

from __future__ import annotations

import difflib
from collections.abc import Collection

from service.errors import Fault

MOST_NAMED = 20
"""So many of the names that could have been meant are told in full."""


def unknown_name(what: str, name: str, known: Collection[str], pointer: str) -> Fault:
    """Return the fault of a name that nothing has, with the nearest that something has."""
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    some = sorted(known)
    listed = ", ".join(some[:MOST_NAMED]) + (f" and {len(some) - MOST_NAMED} more" if len(some) > MOST_NAMED else "")
    expected = listed or "none here"
    hint = f"did you mean {near[0]!r}?" if near else f"there is {expected}"
    return Fault(f"unknown-{what}", f"the plan has no {what} {name!r}: {hint}", name, expected, pointer)
