"""Tables: numbers intact, nothing that a spreadsheet would run."""

from __future__ import annotations

import csv
import io
import json

from hypothesis import given
from hypothesis import strategies as st

from service.rendering.table import csv_text, ndjson_text

numbers = st.integers(-(10**18), 10**18) | st.floats(allow_nan=False, allow_infinity=False)


def read(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text, newline="")))


@given(numbers)
def test_a_number_comes_back_to_the_last_digit(number: float) -> None:
    heading, (cell,) = read(csv_text([{"cost_per_g": number}]))
    assert heading == ["cost_per_g"]
    assert type(number)(cell) == number


@given(st.sampled_from("=+-@\t\r\n"), st.text(max_size=20))
def test_no_text_begins_like_a_formula(first: str, rest: str) -> None:
    rows = read(csv_text([{"note": first + rest, first + rest: "x"}]))
    assert [cell[0] for cell in (rows[0][1], rows[1][0])] == ["'", "'"]


def test_text_that_looks_like_a_number_stays_as_it_is_written() -> None:
    assert csv_text([{"lot": "00012", "note": "NA"}]) == "lot,note\r\n00012,NA\r\n"


def test_objects_become_columns_and_lists_become_json() -> None:
    rows = [{"step": "alum", "runs": {"counted": 2, "left_out": []}}, {"step": "lake", "reasons": {"sd": "one run"}}]
    assert csv_text(rows) == ("step,runs.counted,runs.left_out,reasons.sd\r\nalum,2,[],\r\nlake,,,one run\r\n")


def test_columns_can_be_named() -> None:
    assert csv_text([], ["run", "yield"]) == "run,yield\r\n"
    assert csv_text([{"yield": None, "run": "A-1", "x": True}], ["run", "yield"]) == "run,yield\r\nA-1,\r\n"


@given(
    st.lists(st.dictionaries(st.text(max_size=5), numbers | st.none() | st.text(max_size=9), max_size=4), max_size=4)
)
def test_ndjson_has_a_row_a_line(rows: list[dict[str, object]]) -> None:
    lines = ndjson_text(rows).split("\n")
    assert [json.loads(line) for line in lines[:-1]] == rows
    assert lines[-1] == ""
