"""Tables as spreadsheets save them: nothing in them is interpreted, and what does not fit is placed."""

from __future__ import annotations

import pytest

from service.errors import InvalidInput, MalformedInput, TooLarge
from service.record import sheet
from service.record.sheet import Row, read_sheet

COLUMNS = ("run", "lot", "amount", "note")


def read(text: str | bytes, needed: tuple[str, ...] = ("run",)) -> list[Row]:
    rows, faults = read_sheet(text if isinstance(text, bytes) else text.encode(), COLUMNS, needed)
    assert not faults
    return rows


def misfits(text: str) -> list[tuple[str, int | None, str | int | None]]:
    return [(fault.code, fault.line, fault.column) for fault in read_sheet(text.encode(), COLUMNS, ("run",))[1]]


@pytest.mark.parametrize(
    "cell",
    [
        "00012",
        "NA",
        "NaN",
        "null",
        "TRUE",
        "1e5",
        "1E5",
        "2026-03-04",
        "=1+1",
        "@SUM(A1)",
        "+1",
        "-1",
        "0x1F",
        "1,5 g",
        "½",
    ],
)
def test_a_cell_stays_as_it_was_typed(cell: str) -> None:
    assert read(f'run,lot\nA-1,"{cell}"\n')[0].cells["lot"] == cell


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("start", ["", "\ufeff"])
def test_delimiter_line_end_and_byte_order_mark_do_not_matter(delimiter: str, end: str, start: str) -> None:
    lines = [delimiter.join(cells) for cells in (("run", "note"), ("A-1", '"a, b; c\td"'), ("A-2", ""))]
    rows = read(start + end.join(lines) + end)
    assert rows == [Row(2, {"run": "A-1", "note": "a, b; c\td"}), Row(3, {"run": "A-2"})]


def test_a_row_is_placed_where_it_begins() -> None:
    rows = read('run,note\nA-1,"one\ntwo ""three"""\n\n , \nA-2, four \n')
    assert rows == [Row(2, {"run": "A-1", "note": 'one\ntwo "three"'}), Row(6, {"run": "A-2", "note": "four"})]


def test_columns_come_in_any_order_and_a_nameless_one_is_empty() -> None:
    assert read("note,run,\nx,A-1,\n") == [Row(2, {"note": "x", "run": "A-1"})]
    assert misfits("note,run,\nx,A-1,y\n") == [("unknown-column", 2, None)]


def test_every_fault_of_the_heading_is_told_at_once() -> None:
    with pytest.raises(InvalidInput) as refused:
        read("Ammount,run,run,colour\n", ("run", "lot", "note"))
    told = [(fault.code, fault.line, fault.column) for fault in refused.value.faults]
    assert told == [
        ("unknown-column", 1, 1),
        ("repeated-column", 1, 3),
        ("unknown-column", 1, 4),
        ("missing-column", 1, "lot"),
        ("missing-column", 1, "note"),
    ]
    assert "did you mean 'amount'?" in refused.value.faults[0].detail


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ("A-1,L,1,5 g,x", [("wrong-number-of-cells", 2, None)]),
        ("A-1,L", [("wrong-number-of-cells", 2, None)]),
        ("A-1,L,1 g,x,,", []),
        (f"A-1,L,1 g,{'x' * 1000}", []),
        (f"A-1,L,1 g,{'x' * 1001}", [("too-long", 2, "note")]),
    ],
)
def test_rows_that_do_not_fit_are_placed(row: str, expected: list[object]) -> None:
    assert misfits(f"run,lot,amount,note\n{row}\n") == expected


@pytest.mark.parametrize(
    ("payload", "code", "line"),
    [
        (b"run,note\nA-1,\xff\n", "not-utf-8", 2),
        ("run,note\n".encode("utf-16"), "not-utf-8", 1),
        (b"\x1f\x8b\x08\x00run", "not-utf-8", 1),
        (b'run,note\nA-1,"open\n', "not-csv", 2),
        (b'run,note\nA-1,"a"b\n', "not-csv", 2),
    ],
)
def test_what_is_no_table_is_malformed(payload: bytes, code: str, line: int) -> None:
    with pytest.raises(MalformedInput) as refused:
        read(payload)
    assert [(fault.code, fault.line) for fault in refused.value.faults] == [(code, line)]


def test_rows_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheet, "MOST_ROWS", 3)
    assert len(read("run\na\nb\nc\n")) == 3
    with pytest.raises(TooLarge):
        read("run\na\nb\nc\nd\n")


def test_lines_and_headings_are_bounded_before_they_are_looked_at() -> None:
    with pytest.raises(MalformedInput) as endless:
        read("run" + "," * 100_001 + "\n")
    assert [(fault.code, fault.line) for fault in endless.value.faults] == [("too-long", 1)]
    with pytest.raises(InvalidInput) as broad:
        read(",".join(["run", *(f"c{i}" for i in range(30_000))])[:99_000])
    assert {fault.code for fault in broad.value.faults} == {"too-many", "unknown-column"}
    assert len(broad.value.faults) == 100
