"""The order in which the lines of an import are written: each after those that it names, however they came."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from service.domain.reference import Reference, references
from service.errors import Fault
from service.record.derive import made_lots
from service.record.import_text import ImportLine
from service.schemas.kinds import KINDS, singular

Target = tuple[str, str]
"""Kind and code."""
_RANK: Final = {kind: rank for rank, kind in enumerate(KINDS)}


@dataclass(frozen=True, slots=True)
class LoadedLine:
    """A line with its record as it was read: what it names, and what is there once it is written."""

    line: ImportLine
    named: tuple[Reference, ...]
    gives: frozenset[Target]
    record: Any = None


def loaded_line(line: ImportLine, record: Any) -> LoadedLine:
    """Return a line with what its record names and gives: itself, and the lots that are written through it."""
    lots = made_lots(record)
    gives = frozenset({(line.kind, line.code), *(("lots", lot) for lot in lots)})
    return LoadedLine(line, references(line.kind, record), gives, record)


def in_order(lines: Sequence[LoadedLine]) -> tuple[list[LoadedLine], list[tuple[LoadedLine, list[Fault]]]]:
    """Return the lines in an order in which they can be written, and those that wait for each other, with the faults.

    A line comes after every line that gives what it names. Among those that are free to come, kinds follow in the order
    of :data:`KINDS`, and lines of a kind as they stood in the file. Lines that only wait for a circle are in neither.
    """
    givers: dict[Target, int] = {}
    for index, line in enumerate(lines):
        for target in line.gives:
            givers.setdefault(target, index)
    after: list[list[int]] = [[] for _ in lines]
    waits: list[set[int]] = [set() for _ in lines]
    for index, line in enumerate(lines):
        for giver in {giver for giver, _ in _givers_of(line, givers)} - {index}:
            waits[index].add(giver)
            after[giver].append(index)
    free = [(_RANK[lines[index].line.kind], index) for index, giver in enumerate(waits) if not giver]
    heapq.heapify(free)
    ordered = []
    while free:
        _, index = heapq.heappop(free)
        ordered.append(lines[index])
        for other in after[index]:
            waits[other].discard(index)
            if not waits[other]:
                heapq.heappush(free, (_RANK[lines[other].line.kind], other))
    return ordered, _circles(lines, waits, givers)


def _givers_of(line: LoadedLine, givers: Mapping[Target, int]) -> Iterator[tuple[int, Reference]]:
    for reference in line.named:
        if (giver := givers.get((reference.kind, reference.code))) is not None:
            yield giver, reference


def _circles(
    lines: Sequence[LoadedLine], waits: Sequence[set[int]], givers: Mapping[Target, int]
) -> list[tuple[LoadedLine, list[Fault]]]:
    """The lines that wait for each other; one that no other waits for is taken away, again and again."""
    circle = {index for index, giver in enumerate(waits) if giver}
    awaited = dict.fromkeys(circle, 0)
    for index in circle:
        for giver in waits[index]:
            awaited[giver] += 1
    ends = [index for index, count in awaited.items() if not count]
    while ends:
        index = ends.pop()
        circle.discard(index)
        for giver in waits[index]:
            awaited[giver] -= 1
            if not awaited[giver]:
                ends.append(giver)
    found = []
    for index in sorted(circle):
        faults = [
            _circle_fault(lines[giver], reference)
            for giver, reference in _givers_of(lines[index], givers)
            if giver in circle and giver != index
        ]
        found.append((lines[index], faults))
    return found


def _circle_fault(giver: LoadedLine, reference: Reference) -> Fault:
    source = f"{singular(giver.line.kind)} {giver.line.code}"
    named = f"{singular(reference.kind)} {reference.code}"
    what = source if (reference.kind, reference.code) == (giver.line.kind, giver.line.code) else f"{named}, of {source}"
    detail = f"this takes from {what}, which in turn takes from this: each would have to be there before the other"
    return Fault("circle", detail, reference.code, "records of which none comes from itself", reference.pointer)


def given_by_body(line: ImportLine) -> Iterable[Target]:
    """Yield what a line that cannot be read would have given, so that those who name it are not blamed as well."""
    yield line.kind, line.code
    # The lot that a stock entry names is not its own.
    if isinstance(line.body, Mapping) and line.kind != "stock-entries":
        lists = [several for key in ("outturns", "lines") if isinstance(several := line.body.get(key), list)]
        rows = [line.body, *(row for several in lists for row in several)]
        yield from (
            ("lots", row["lot"]) for row in rows if isinstance(row, Mapping) and isinstance(row.get("lot"), str)
        )
