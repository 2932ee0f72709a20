"""A table as a spreadsheet saves it: from bytes to rows of text, with the line in which each row begins.

Every cell is text and stays as it was typed, but for blanks around it: lot 00012 stays 00012, NA stays NA, and what
looks like a formula is not one. Comma, semicolon and tab are told apart by the heading.
"""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any, Final

from service.errors import Fault, InvalidInput, MalformedInput, TooLarge
from service.schemas.received import shown

MOST_ROWS: Final = 100_000
LONGEST_CELL: Final = 1000
LONGEST_LINE: Final = 100_000
MOST_COLUMNS: Final = 100
DELIMITERS: Final = {",": "comma", ";": "semicolon", "\t": "tab"}


@dataclass(frozen=True, slots=True)
class Row:
    """One row: the ``line`` of the file in which it begins, from 1, and its cells by column, without the empty ones."""

    line: int
    cells: dict[str, str]


def read_sheet(payload: bytes, columns: Collection[str], needed: Collection[str]) -> tuple[list[Row], list[Fault]]:
    """Return the rows of a CSV text, and the faults of those whose cells do not fit the heading.

    ``columns`` are those that there may be, in any order, ``needed`` those that there must be. Rows without anything in
    them are passed over. Raises :class:`MalformedInput` where it is no table in UTF-8, :class:`InvalidInput` with every
    fault of the heading, :class:`TooLarge` beyond ``MOST_ROWS``.

    >>> read_sheet(b"lot;note\\n00012;NA\\n", ["lot", "note"], ["lot"])
    ([Row(line=2, cells={'lot': '00012', 'note': 'NA'})], [])
    """
    text = _decoded(payload)
    delimiter = _delimiter(text, columns)
    lines = _split(text, delimiter)
    heading = next(lines, (1, []))[1]
    _check_heading(heading, columns, needed)
    rows: list[Row] = []
    faults: list[Fault] = []
    for line, values in lines:
        if not any(values):
            continue
        if len(rows) == MOST_ROWS:
            raise TooLarge(f"the table has more than {MOST_ROWS} rows: cut it in two", extra={"limit_rows": MOST_ROWS})
        found = [*_row_faults(line, values, heading, delimiter)]
        faults += found
        # A row that does not fit is kept by its known cells, so that its run is known to be there.
        rows.append(Row(line, {name: value for name, value in zip(heading, values, strict=False) if name and value}))
    return rows, faults


def _decoded(payload: bytes) -> str:
    try:
        return payload.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = payload.count(b"\n", 0, error.start) + 1
        detail = f"the table is not UTF-8 text (line {line}): save it as CSV in UTF-8"
        raise MalformedInput([Fault("not-utf-8", detail, expected="CSV in UTF-8", line=line)]) from error


def _delimiter(text: str, columns: Collection[str]) -> str:
    """The delimiter by which the heading gives the most known columns."""
    heading = text.partition("\n")[0]

    def known(delimiter: str) -> int:
        return sum(name.strip().strip('"') in columns for name in heading.split(delimiter))

    return max(DELIMITERS, key=known)


def _split(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Each row that is there, with the line in which it begins."""
    reader = csv.reader(_lines(text), delimiter=delimiter, strict=True)
    begins = 1
    try:
        for values in reader:
            yield begins, [value.strip() for value in values]
            begins = reader.line_num + 1
    except csv.Error as error:
        detail = f"the row that begins in line {begins} is no CSV: {error}; a quotation mark inside a cell is doubled"
        raise MalformedInput([Fault("not-csv", detail, expected="CSV as in RFC 4180", line=begins)]) from error


def _lines(text: str) -> Iterator[str]:
    for number, line in enumerate(io.StringIO(text, newline=""), start=1):
        if len(line) > LONGEST_LINE:
            detail = f"line {number} has {len(line)} characters, and at most {LONGEST_LINE} are taken"
            raise MalformedInput([Fault("too-long", detail, expected="CSV as in RFC 4180", line=number)])
        yield line


def _check_heading(heading: list[str], columns: Collection[str], needed: Collection[str]) -> None:
    expected = ", ".join(columns)
    faults: list[Fault] = []

    def refuse(code: str, detail: str, received: Any, column: str | int) -> None:
        faults.append(Fault(code, detail, shown(received), expected, line=1, column=column))

    if len(heading) > MOST_COLUMNS:
        refuse("too-many", f"the heading names {len(heading)} columns", None, MOST_COLUMNS + 1)
    for place, name in enumerate(heading[:MOST_COLUMNS], start=1):
        if name and name not in columns:
            near = difflib.get_close_matches(name[:64].lower(), columns, n=1)
            hint = f"did you mean {near[0]!r}?" if near else "leave it out"
            refuse("unknown-column", f"no column is called {shown(name)!r}: {hint}", name, place)
        elif name and name in heading[: place - 1]:
            refuse("repeated-column", f"the column {name} is there twice", name, place)
    for name in needed:
        if name not in heading:
            refuse("missing-column", f"the column {name} is missing", None, name)
    if faults:
        raise InvalidInput(faults)


def _row_faults(line: int, values: list[str], heading: list[str], delimiter: str) -> Iterator[Fault]:
    beyond = any(values[len(heading) :])
    if len(values) < len(heading) or beyond:
        detail = (
            f"the row has {len(values)} cells, the heading {len(heading)}: a cell that holds a "
            f"{DELIMITERS[delimiter]} is written in quotation marks, and a number with a decimal point"
        )
        yield Fault("wrong-number-of-cells", detail, len(values), f"{len(heading)} cells", line=line)
    for name, value in zip(heading, values, strict=False):
        if len(value) > LONGEST_CELL:
            detail = f"the cell has {len(value)} characters, and at most {LONGEST_CELL} are taken"
            yield Fault("too-long", detail, shown(value), detail, line=line, column=name)
        elif value and not name:
            yield Fault("unknown-column", "the cell stands under no heading", shown(value), line=line)
