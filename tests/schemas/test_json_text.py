"""The JSON reader against RFC 8259 and against what a usual parser lets pass."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import MalformedInput
from service.schemas.json_text import DEEPEST, parse_json

# Each is refused: what is sent, the code, and where (line, column) the fault stands.
REFUSED = [
    (b"", "empty-body", 1, 1),
    (b" \n ", "empty-body", 1, 1),
    (b"{", "not-json", 1, 2),
    (b"{} {}", "not-json", 1, 4),
    (b"{'a': 1}", "not-json", 1, 2),
    (b'{"a": 01}', "not-json", 1, 8),
    (b'{"a": +1}', "not-json", 1, 7),
    (b'{"a": .5}', "not-json", 1, 7),
    (b'{"a": "\t"}', "not-json", 1, 8),
    (b'{"a": [NaN]}', "not-a-number", 1, 8),
    (b'{"a": Infinity}', "not-a-number", 1, 7),
    (b'{"a":\n -Infinity}', "not-a-number", 2, 2),
    (b'{"a": 1e400}', "out-of-range", 1, 7),
    (b'{"a": -1e400}', "out-of-range", 1, 7),
    (b'{"a": 1e-400}', "out-of-range", 1, 7),
    (b'{"a": 123456789012345678901}', "too-many-digits", 1, 7),
    (b'{"a": 0.123456789012345678}', "too-many-digits", 1, 7),
    (b'{"a": 1, "b": {"c": 1, "c": 2}}', "duplicate-key", 1, 24),
    (b'{"a": 1,\n "\\u0061": 2}', "duplicate-key", 2, 2),
    (b'{"a": "x\\u0000"}', "nul-in-text", 1, 7),
    (b'{"\\u0000": 1}', "nul-in-text", 1, 2),
    (b'{"a": "\\ud800"}', "lone-surrogate", 1, 7),
    (b'{"a": "\\udc00\\ud800"}', "lone-surrogate", 1, 7),
    (b'{"a": "\xff"}', "not-utf-8", 1, 8),
    ('{"a": 1}'.encode("utf-16"), "not-utf-8", 1, 1),
    (b"\xef\xbb\xbf{}", "byte-order-mark", 1, 1),
    (b"[" * 100_000, "too-deep", 1, DEEPEST + 1),
    (b"[" * (DEEPEST + 1) + b"]" * (DEEPEST + 1), "too-deep", 1, DEEPEST + 1),
]


@pytest.mark.parametrize(("body", "code", "line", "column"), REFUSED)
def test_what_is_refused_is_named_and_placed(body: bytes, code: str, line: int, column: int) -> None:
    with pytest.raises(MalformedInput) as caught:
        parse_json(body)
    (fault,) = caught.value.faults
    assert (caught.value.code, fault.code, fault.line, fault.column) == (code, code, line, column)


@pytest.mark.parametrize(
    ("body", "value"),
    [
        (b"[" * DEEPEST + b"]" * DEEPEST, None),
        (b'["' + b"[" * 100 + b'"]', ["[" * 100]),
        (b'{"a": {"b": 1}, "b": [{"b": 1}, {"b": 2}]}', {"a": {"b": 1}, "b": [{"b": 1}, {"b": 2}]}),
        (b'["\\ud83d\\ude00", "\\\\u0000"]', ["\N{GRINNING FACE}", "\\u0000"]),
        (b"[12345678901234567890, -0, 0.5, 1e3, 1.2345678901234567, 0e-999]", None),
    ],
)
def test_what_is_good_is_read(body: bytes, value: object) -> None:
    assert parse_json(body) == (json.loads(body) if value is None else value)


texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**20) + 1, 10**20 - 1)
    | texts
    # Subnormal numbers carry fewer digits than they are written with; nothing here weighs 1e-308.
    | st.floats(allow_nan=False, allow_infinity=False, allow_subnormal=False),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=4),
    max_leaves=20,
)


@given(values, st.booleans())
def test_it_reads_what_a_usual_writer_writes(value: object, escaped: bool) -> None:
    assert parse_json(json.dumps(value, ensure_ascii=escaped).encode()) == value


@given(st.binary(max_size=60) | st.text('[]{}:,"\\eE+-.0123456789NaInfity untrls', max_size=60).map(str.encode))
def test_it_agrees_with_a_usual_reader_or_refuses(body: bytes) -> None:
    try:
        read = parse_json(body)
    except MalformedInput:
        return
    assert read == json.loads(body)
    assert not (isinstance(read, float) and not math.isfinite(read))
