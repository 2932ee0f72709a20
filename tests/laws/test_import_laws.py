"""What holds of every import: the order of its lines says nothing, and text in a table is text."""

from __future__ import annotations

import csv
import io
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.reference import Reference
from service.errors import Fault, InvalidInput, MalformedInput
from service.record.import_order import LoadedLine, in_order
from service.record.import_text import ImportLine, ImportText, JsonPlace
from service.record.sheet import read_sheet
from service.record.weighings import read_weighings
from service.schemas.kinds import KINDS
from service.schemas.weighing_table import COLUMNS

# Anything that can be typed into a cell, but for blanks at its ends and lone surrogates, which no UTF-8 text holds.
cells = st.text(st.characters(codec="utf-8"), max_size=12).map(str.strip).filter(lambda cell: len(cell) <= 12)
graphs = st.integers(1, 9).flatmap(
    lambda size: st.lists(
        st.tuples(st.sampled_from(KINDS), st.sets(st.integers(0, size - 1), max_size=3)), min_size=size, max_size=size
    )
)


def lines_of(graph: list[tuple[str, set[int]]]) -> list[LoadedLine]:
    """A line for each node, which names the lines that its edges lead to."""
    found = []
    for number, (kind, edges) in enumerate(graph):
        named = tuple(Reference(graph[other][0], f"c-{other}", f"/{other}") for other in sorted(edges))
        gives = frozenset({(kind, f"c-{number}")})
        found.append(LoadedLine(ImportLine(kind, f"c-{number}", {}, JsonPlace(f"/{number}")), named, gives))
    return found


def reachable(graph: list[tuple[str, set[int]]], start: int) -> set[int]:
    """Every node that a way of one edge or more leads to, by walking."""
    seen: set[int] = set()
    waiting = [edge for edge in graph[start][1] if edge != start]
    while waiting:
        node = waiting.pop()
        if node not in seen:
            seen.add(node)
            waiting += [edge for edge in graph[node][1] if edge != node]
    return seen


@given(graphs)
def test_each_line_comes_after_those_that_it_names_and_circles_are_found(graph: list[tuple[str, set[int]]]) -> None:
    ordered, circles = in_order(lines_of(graph))
    below = [reachable(graph, number) for number in range(len(graph))]
    in_circles = {number for number in range(len(graph)) if number in below[number]}
    blocked = {number for number in range(len(graph)) if below[number] & in_circles}
    place = {int(each.line.code.removeprefix("c-")): at for at, each in enumerate(ordered)}
    assert place.keys() == set(range(len(graph))) - blocked
    for number, at in place.items():
        assert all(place[edge] < at for edge in graph[number][1] - {number})
    told = {int(each.line.code.removeprefix("c-")): faults for each, faults in circles}
    # Told are the lines of circles and those that lie between two of them; each with what it waits for.
    assert in_circles <= told.keys() <= blocked
    for number, faults in told.items():
        assert faults
        assert {int(str(fault.pointer).removeprefix("/")) for fault in faults} <= graph[number][1] - {number}


@given(graphs, st.randoms(use_true_random=False))
def test_the_order_of_the_file_decides_nothing_but_ties(graph: list[tuple[str, set[int]]], source: Any) -> None:
    lines = lines_of(graph)
    shuffled = source.sample(lines, len(lines))
    for found, other in zip(in_order(lines), in_order(shuffled), strict=True):
        codes = [
            {(each if isinstance(each, LoadedLine) else each[0]).line.code for each in half} for half in (found, other)
        ]
        assert codes[0] == codes[1]


@given(
    st.lists(st.fixed_dictionaries(dict.fromkeys(("run", "lot", "note"), cells)), max_size=5),
    st.sampled_from(",;\t"),
)
def test_what_a_spreadsheet_writes_is_read_back_as_text(rows: list[dict[str, str]], delimiter: str) -> None:
    text = io.StringIO()
    writer = csv.DictWriter(text, ("run", "lot", "note"), delimiter=delimiter, quoting=csv.QUOTE_ALL)
    writer.writeheader()
    writer.writerows(rows)
    found, faults = read_sheet(text.getvalue().encode(), ("run", "lot", "note"), ())
    assert not faults
    filled = [{name: cell for name, cell in row.items() if cell} for row in rows]
    assert [row.cells for row in found] == [row for row in filled if row]


def read_or_faults(payload: bytes) -> ImportText | tuple[Fault, ...]:
    try:
        return read_weighings(payload)
    except (InvalidInput, MalformedInput) as refused:
        return refused.faults


@settings(max_examples=200)
@given(st.lists(st.lists(st.sampled_from(["", "in", "out", "A-1", "5 g", "5,0 g", "1 EUR/g", "x", "=1", "m"]) | cells,
                         min_size=len(COLUMNS), max_size=len(COLUMNS)), max_size=6))  # fmt: skip
def test_any_table_is_read_or_refused_with_places(rows: list[list[str]]) -> None:
    text = io.StringIO()
    csv.writer(text).writerows([COLUMNS, *rows])
    read = read_or_faults(text.getvalue().encode())
    if not isinstance(read, ImportText):
        assert all(fault.line for fault in read)
        return
    faults = [*read.faults, *(fault for line in read.lines for fault in line.faults)]
    last = text.getvalue().count("\n") + text.getvalue().count("\r")
    assert all(fault.line is not None and 1 < fault.line <= last for fault in faults)
    assert read.counts["rows"] + read.counts["rows_not_filled_in"] <= len(rows)


@given(st.binary(max_size=80))
def test_any_bytes_are_a_table_or_refused(payload: bytes) -> None:
    # No eighty bytes hold the heading and a row.
    faults = read_or_faults(payload)
    assert not isinstance(faults, ImportText)
    assert faults
