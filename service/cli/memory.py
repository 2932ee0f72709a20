"""Memory of a serving process: what one answer let go of is kept for the next."""

from __future__ import annotations

KEPT_BYTES = 16 * 2**20


def keep_freed_memory() -> None:
    """Have the C library keep up to 32 MB that was freed, in place of giving each answer's back to the system.

    A plan's arrays of trials come and go at the top of the heap; given back and asked for anew, every page of them
    costs a fault, together a third of the plan. The library of GNU raises its bound on what it keeps to twice the
    largest mapped block that was ever freed (mallopt(3), "M_TRIM_THRESHOLD"): so one block is asked for, never
    touched, and freed. Elsewhere that does nothing.
    """
    bytes(KEPT_BYTES)
