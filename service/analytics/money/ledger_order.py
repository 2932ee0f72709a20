"""The order of a ledger: by day, and within a day by who feeds whom, so that the order of entry does not matter.

From it follow the levels of the graph (an event stands one above the highest event whose lots it takes), and of every
take how far into its lot it reaches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.errors import Conflict

IntArray = NDArray[np.int64]

BEFORE_ALL: Final = 0
NEVER: Final = np.iinfo(np.int64).max
LAST_DAY: Final = NEVER - 1
"""Everything has happened by then but what never does: an open run's end."""
_SUM_LIMIT: Final = 2.0**62


@dataclass(frozen=True, slots=True, eq=False)
class LedgerOrder:
    """How a ledger is walked; every array holds numbers of events, lots or takes, or bounds within these arrays.

    ``level`` by event; ``events`` by level, then number. ``lots`` by the level of their event, then event, then number;
    the lots of level i are ``lots[level_bounds[i]:level_bounds[i + 1]]``, those of event e ``lots[first_lot[e]:
    first_lot[e] + lot_count[e]]``. ``place`` of a lot in ``lots``. ``takes`` by the place of their lot, then the day
    and the number of the event; those of the lot at place p are ``takes[take_bounds[p]:take_bounds[p + 1]]``, and
    ``reach`` is what had been taken of the lot with each of them, in its own unit (whole Python numbers where 64 bits
    do not hold them). The takes of event e are numbers ``event_bounds[e]`` to ``event_bounds[e + 1]``; ``rank`` is the
    place of a take in ``takes``.
    """

    level: IntArray
    events: IntArray
    lots: IntArray
    level_bounds: IntArray
    first_lot: IntArray
    lot_count: IntArray
    place: IntArray
    takes: IntArray
    take_bounds: IntArray
    reach: NDArray[Any]
    event_bounds: IntArray
    rank: IntArray


def order_of(
    *,
    begun: IntArray,
    ended: IntArray,
    take_event: IntArray,
    take_lot: IntArray,
    take_quantity: IntArray,
    made_by: IntArray,
    events: Sequence[str],
    lots: Sequence[str],
) -> LedgerOrder:
    """Return the order of a ledger; the columns are those of the ledger, ``take_event`` sorted.

    Raises ``Conflict``, with the events and the lot in ``extra``: ``before-it-existed`` where a lot is taken on a day
    before the one it was made on, ``own-ancestor`` where within a day it is used for itself.

    >>> columns = {name: np.array(values) for name, values in {
    ...     "begun": [5, 5, 5], "ended": [5, 5, 5], "take_event": [0, 1], "take_lot": [1, 0],
    ...     "take_quantity": [3, 4], "made_by": [2, 1]}.items()}
    >>> order_of(**columns, events=["filter", "mix", "bought"], lots=["salt", "mixture"]).level
    array([2, 1, 0])
    """
    makers = made_by[take_lot]
    _check_days(begun, ended, take_event, take_lot, makers, events, lots)
    event_bounds = np.searchsorted(take_event, np.arange(len(events) + 1))
    walk = np.lexsort((_depths_within_days(ended, take_event, take_lot, makers, events, lots), ended))
    level = _levels(walk, makers, take_event, event_bounds)

    by_lot = np.lexsort((made_by, level[made_by]))
    place = _inverse(by_lot)
    makers_in_order = made_by[by_lot]
    lot_count = np.bincount(made_by, minlength=len(events))
    first_lot = np.zeros(len(events), dtype=np.int64)
    first_lot[makers_in_order[::-1]] = np.arange(len(lots))[::-1]
    deepest = int(level.max(initial=-1))

    started = _inverse(np.argsort(begun, kind="stable"))
    take_place = place[take_lot]
    takes = np.argsort(take_place * len(events) + started[take_event])
    take_bounds = np.searchsorted(take_place[takes], np.arange(len(lots) + 1))
    return LedgerOrder(
        level=level,
        events=np.argsort(level, kind="stable"),
        lots=by_lot,
        level_bounds=np.searchsorted(level[makers_in_order], np.arange(deepest + 2)),
        first_lot=first_lot,
        lot_count=lot_count,
        place=place,
        takes=takes,
        take_bounds=take_bounds,
        reach=running_sums(take_quantity[takes], take_bounds),
        event_bounds=event_bounds,
        rank=_inverse(takes),
    )


def _check_days(
    begun: IntArray,
    ended: IntArray,
    take_event: IntArray,
    take_lot: IntArray,
    makers: IntArray,
    events: Sequence[str],
    lots: Sequence[str],
) -> None:
    early = np.flatnonzero(ended[makers] > begun[take_event])
    if early.size:
        taker, maker, lot = events[take_event[early[0]]], events[makers[early[0]]], lots[take_lot[early[0]]]
        raise Conflict(
            f"{taker!r} takes from the lot {lot!r} before {maker!r} has put it on the shelf",
            code="before-it-existed",
            extra={"lot": lot, "events": [maker, taker]},
        )


def _depths_within_days(
    ended: IntArray,
    take_event: IntArray,
    take_lot: IntArray,
    makers: IntArray,
    events: Sequence[str],
    lots: Sequence[str],
) -> IntArray:
    """Return how many events of its own day stand before each event in the longest line that leads to it."""
    depth = np.zeros(len(events), dtype=np.int64)
    within = np.flatnonzero(ended[makers] == ended[take_event])
    if not within.size:
        return depth
    fed: dict[int, list[int]] = {}
    waits: dict[int, int] = {}
    for maker, taker in zip(makers[within].tolist(), take_event[within].tolist(), strict=True):
        fed.setdefault(maker, []).append(taker)
        waits[taker] = waits.get(taker, 0) + 1
    ready = [maker for maker in fed if maker not in waits]
    found: dict[int, int] = {}
    for maker in ready:  # grows while it is walked
        for taker in fed.get(maker, ()):
            found[taker] = max(found.get(taker, 0), found.get(maker, 0) + 1)
            waits[taker] -= 1
            if not waits[taker]:
                ready.append(taker)
    stuck = {taker for taker, count in waits.items() if count}
    if stuck:
        _refuse_circle(stuck, makers[within].tolist(), take_event[within].tolist(), take_lot[within].tolist(),
                       events, lots)  # fmt: skip
    depth[list(found)] = list(found.values())
    return depth


def _refuse_circle(
    stuck: set[int],
    makers: Sequence[int],
    takers: Sequence[int],
    taken: Sequence[int],
    events: Sequence[str],
    lots: Sequence[str],
) -> None:
    """Raise for one circle: every stuck event waits for another one, so that walking back must come round."""
    behind = {taker: (maker, lot) for maker, taker, lot in zip(makers, takers, taken, strict=True) if maker in stuck}
    at, seen = min(stuck), []
    while at not in seen:
        seen.append(at)
        at = behind[at][0]
    circle = seen[seen.index(at) :][::-1]
    lot = lots[behind[circle[0]][1]]
    said = [events[event] for event in circle]
    raise Conflict(
        f"the lot {lot!r} would be its own ancestor: {' > '.join([*said, said[0]])}",
        code="own-ancestor",
        extra={"lot": lot, "events": said},
    )


def _levels(walk: IntArray, makers: IntArray, take_event: IntArray, event_bounds: IntArray) -> IntArray:
    in_order = ranges(event_bounds[walk], event_bounds[walk + 1])
    level = [0] * len(walk)
    for taker, maker in zip(take_event[in_order].tolist(), makers[in_order].tolist(), strict=True):
        if level[taker] <= level[maker]:
            level[taker] = level[maker] + 1
    return np.array(level, dtype=np.int64)


def ranges(starts: IntArray, ends: IntArray) -> IntArray:
    """Return the numbers from each start up to its end, one range after another.

    >>> ranges(np.array([5, 0]), np.array([7, 3]))
    array([5, 6, 0, 1, 2])
    """
    counts = ends - starts
    found: IntArray = np.arange(counts.sum()) + np.repeat(starts - (np.cumsum(counts) - counts), counts)
    return found


def running_sums(values: IntArray, bounds: IntArray) -> NDArray[Any]:
    """Return the running sums of ``values`` that begin anew at each of the ``bounds``, the last of which is their end.

    Whole Python numbers where 64 bits might not hold one; sums over all may wrap around, their differences do not.

    >>> running_sums(np.array([1, 2, 3, 4]), np.array([0, 2, 2, 4]))
    array([1, 3, 3, 7])
    """
    counts = np.diff(bounds)
    filled = bounds[:-1][counts > 0]
    if filled.size and float(np.add.reduceat(np.abs(values.astype(np.float64)), filled).max()) >= _SUM_LIMIT:
        values = values.astype(object)
    running = np.concatenate([np.zeros(1, dtype=values.dtype), np.cumsum(values)])
    within: NDArray[Any] = running[1:] - np.repeat(running[bounds[:-1]], counts)
    return within


def _inverse(order: IntArray) -> IntArray:
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    return place
