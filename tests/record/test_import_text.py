"""Import lines as JSON and as NDJSON: each with its place, every fault at once, nothing guessed."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.errors import Fault, MalformedInput, TooLarge
from service.record.import_text import MOST_RECORDS, ImportText, read_array, read_ndjson

LINE: dict[str, Any] = {"kind": "exchange-rate", "code": "usd", "record": {"base": "USD"}}


def array(*lines: Any) -> ImportText:
    return read_array(json.dumps(lines).encode())


def ndjson(*lines: Any) -> ImportText:
    return read_ndjson("\n".join(map(json.dumps, lines)).encode())


def test_both_forms_give_the_same_lines() -> None:
    lines = [LINE, {**LINE, "kind": "workshop", "code": "workshop"}]
    read = [[(line.kind, line.code, line.body) for line in form(*lines).lines] for form in (array, ndjson)]
    assert read[0] == read[1]
    assert read[0][0] == ("exchange-rates", "usd", {"base": "USD"})


@pytest.mark.parametrize(
    ("line", "code", "pointer"),
    [
        (3, "wrong-type", ""),
        (None, "wrong-type", ""),
        ({**LINE, "kind": "runs"}, "unknown-kind", "/kind"),
        ({**LINE, "kind": 3}, "wrong-type", "/kind"),
        ({**LINE, "code": 3}, "wrong-type", "/code"),
        ({**LINE, "code": None}, "missing", "/code"),
        ({**LINE, "body": {}}, "unknown-key", ""),
        ({"kind": "run", "code": "A-1"}, "missing", "/record"),
    ],
)
def test_a_line_that_is_none_is_placed(line: Any, code: str, pointer: str) -> None:
    (of_array,), (of_ndjson,) = array(LINE, line).faults, ndjson(LINE, line).faults
    assert (of_array.code, of_array.pointer, of_array.line) == (code, f"/1{pointer}", None)
    assert (of_ndjson.code, of_ndjson.pointer, of_ndjson.line) == (code, pointer, 2)


def test_a_kind_is_named_in_the_singular_and_the_nearest_is_told() -> None:
    (fault,) = array({**LINE, "kind": "runs"}).faults
    assert "did you mean 'run'?" in fault.detail
    assert fault.received == "runs"


def test_faults_of_a_record_are_placed_in_the_file() -> None:
    of_array, of_ndjson = array(LINE).lines[0].place, ndjson(LINE).lines[0].place
    inside, of_code = Fault("x", "", pointer="/from/0/lot"), Fault("x", "", parameter="code")
    assert [fault.pointer for fault in of_array.placed([inside, of_code])] == ["/0/record/from/0/lot", "/0/code"]
    assert [(fault.line, fault.pointer) for fault in of_ndjson.placed([inside, of_code])] == [
        (1, "/record/from/0/lot"),
        (1, "/code"),
    ]


def test_every_line_of_ndjson_that_is_no_json_is_told_with_its_line() -> None:
    with pytest.raises(MalformedInput) as refused:
        read_ndjson(b'{"kind": "run"}\r\n\n{"a": NaN}\n{"a": 1, "a": 2}\n{\xff}\n')
    told = [(fault.code, fault.line, fault.column) for fault in refused.value.faults]
    assert told == [("not-a-number", 3, 7), ("duplicate-key", 4, 10), ("not-utf-8", 5, 2)]
    assert "(line 3, column 7)" in refused.value.faults[0].detail


@pytest.mark.parametrize("payload", [b"", b'{"kind": "run"}', b"[1", b"3"])
def test_what_is_no_array_is_malformed(payload: bytes) -> None:
    with pytest.raises(MalformedInput):
        read_array(payload)


def test_records_are_bounded() -> None:
    assert len(array(*[LINE] * MOST_RECORDS).lines) == MOST_RECORDS
    for form in (array, ndjson):
        with pytest.raises(TooLarge):
            form(*[LINE] * (MOST_RECORDS + 1))


def test_many_unknown_keys_are_counted_and_few_are_kept() -> None:
    (line,) = [{**LINE, **{f"k{i}": 0 for i in range(5000)}}]
    faults = array(line).faults
    assert len(faults) == 5000
    assert len({id(fault) for fault in faults}) < 200
