"""Rows as CSV (RFC 4180) and as newline-delimited JSON.

A text that a spreadsheet would take for a formula is written with an apostrophe before it; numbers are written as they
are, so that a negative number stays a number.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

_RUN_BY_SPREADSHEETS: Final = ("=", "+", "-", "@", "\t", "\r", "\n")


def csv_text(rows: Sequence[Mapping[str, Any]], columns: Sequence[str] | None = None) -> str:
    """Return the rows as CSV with a heading line.

    ``columns`` are the names to write and their order; by default all that occur, in order of first appearance. An
    object inside a row becomes columns of its own (``runs.counted``), a list becomes JSON text, null an empty cell.

    >>> csv_text([{"run": "A-1", "yield": -0.5, "runs": {"counted": 2}, "note": "=1+1"}]).splitlines()
    ['run,yield,runs.counted,note', "A-1,-0.5,2,'=1+1"]
    """
    flat = [dict(_flat(row)) for row in rows]
    heading = list(columns) if columns is not None else list(dict.fromkeys(key for row in flat for key in row))
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow([_cell(name) for name in heading])
    writer.writerows([_cell(row.get(name)) for name in heading] for row in flat)
    return text.getvalue()


def ndjson_text(rows: Iterable[Mapping[str, Any]]) -> str:
    """Return the rows as one JSON object a line.

    >>> ndjson_text([{"run": "A-1"}, {"run": "A-2"}])
    '{"run": "A-1"}\\n{"run": "A-2"}\\n'
    """
    return "".join(json.dumps(row, ensure_ascii=False, allow_nan=False) + "\n" for row in rows)


def _flat(row: Mapping[str, Any], prefix: str = "") -> Iterable[tuple[str, Any]]:
    for key, value in row.items():
        if isinstance(value, Mapping) and value:
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield prefix + key, value


def _cell(value: Any) -> Any:
    if value is None or value == {}:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        if not math.isfinite(value):
            raise ValueError(f"{value} is no number to write in a table")
        return repr(value)
    if isinstance(value, list | tuple):
        return json.dumps(value, ensure_ascii=False, allow_nan=False)
    text = str(value)
    return "'" + text if text.startswith(_RUN_BY_SPREADSHEETS) else text
