"""What a careless or malicious client may send, made from the OpenAPI document: every field of every operation is
found there, so that a new operation is attacked without a new line here.

``VALUES`` are texts and JSON values that have broken parsers, drivers and databases. ``attacks`` turns an operation and
its sound example into requests, each with one thing wrong.
"""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final
from urllib.parse import parse_qsl, quote, urlencode

SEED: Final = "hostile 1"
JSON: Final = "application/json"
SURPLUS: Final = "surplus_key"

_NUMBERS: Final = (
    "0", "-0", "-1", "+1", "00012", "1e-300", "1e300", "-1e300", "1e308", "1e309", "1e9999", "1e999999999",
    "4.9e-324", "0.000000000000000000000000000000000001", "123456789012345678901234567890", "9" * 400, "1_000", "1,5",
    "1 000", "1.", ".5", "1..2", "1e", "1e+", "--1", "0x10", "0b1", "1/3", "½", "١٢", "１２", "²", "NaN", "nan", "inf",
    "-Infinity", "∞", "1±", "1 ± 2", "1 ± -1", "1(2", "1(99999999999999999999)", "10**10**8", "9^9^9", "1;2", "1.0.0",
)  # fmt: skip
_UNITS: Final = (
    "g", "kg", "mL", "mol", "m3", "ng", "g/mL", "mol/L", "kJ/mol", "h", "kWh", "°C", "degC", "RT", "furlong", "g g",
    "g**9", "g^-1", "g/", "/g", "(g)", "g\u200b", "µg", "μg", "G", "EUR", "%",
)  # fmt: skip
_DATES: Final = (
    "0000-00-00", "0001-01-01", "1899-12-31", "9999-12-31", "10000-01-01", "-2026-01-01", "2026-02-29", "2026-02-30",
    "2026-13-01", "2026-1-1", "26-01-01", "01/02/2026", "2026-W01-1", "2026-01-01T00:00:00Z", "20260101",
    "2026-01-01 ", "２０２６-01-01", "2026-01-01\n", "today", "2026-01-01/2026-02-01", "2025-06-30", "2199-12-31",
)  # fmt: skip
_CODES: Final = (
    "water", "verdigris", "carbonate", "no-such-thing", "-", ".", "..", "../../etc/passwd", "a/b", "a%2Fb", "a b", "_a",
    "A" * 64, "A" * 65, "ä", "a\x00", "a\n", "CON", "null", "undefined", "true", "workshop", "00012", "1e5", "a,b",
    "verdigris/carbonate", "verdigris/", "/carbonate", "a//b", ",", ",,", "common", "*",
)  # fmt: skip
_TEXTS: Final = (
    "", " ", "\t", "\n", "\r\n", "\x00", "a\x00b", "\x07", "\x1b[31m", "\x7f", "\u0085", "\u2028", "\u202e", "\ufeff",
    "\ufffd", "\uffff", "\U0010ffff", "\ud800", "\udfff x", "é", "e\u0301", "Ω", "ﬁ", "🧪", "👩\u200d🔬",
    "Z\u0300" * 50,
    "a" * 63, "a" * 201, "a" * 4001, "a" * 50_000, "(" * 5_000, "=1+1", "+1+1", "-1+1", "@SUM(A1)",
    "=cmd|' /C calc'!A0",
    "' OR 1=1 --", "'; DROP TABLE revisions; --", '"', "\\", "\\x00", "%s%s%n", "%00", "%", "_", "${7*7}", "{{7*7}}",
    "{0.__class__}", "<script>alert(1)</script>", "]]>", "<?xml?>", "&amp;", "None", "null", "true", "on", "yes", "1",
    "json", "csv", "svg", "xml", "EUR", "eur", "XXX", "EURO", "€", "1 €", "12.50 EUR", "1e5 EUR", "-1 EUR", "0 EUR",
    "0.0000001 EUR", "99999999999999999999 EUR", "1,50 EUR", "EUR 5",
)  # fmt: skip
_FORMULAS: Final = (
    "CuSO4.5H2O", "CuSO4·5H2O", "H2O" * 60, "H999999999", "H0", "Xx", "h2o", "()", "(H", "H)", "((((((((H))))))))",
    "(" * 100 + "H" + ")" * 100, "C60H1e9", "H2O.", ".H2O", "99999999H2O", "H2O.0.5H2O", "[Cu(NH3)4]2+", "Na+", "e-",
    "D2O", "T", "Uuo", "{H}", "H₂O", "C(C(C(C(C(C(C(C(H)9)9)9)9)9)9)9)9)9",
)  # fmt: skip
TEXTS: Final[Sequence[str]] = tuple(
    dict.fromkeys(
        [
            *_NUMBERS,
            *(f"{number} {unit}" for number, unit in zip(_NUMBERS[:36] * 2, _UNITS * 3, strict=False)),
            *(f"{number} g" for number in _NUMBERS),
            *(f"12.5 {unit}" for unit in _UNITS),
            *_DATES,
            *_CODES,
            *_TEXTS,
            *_FORMULAS,
        ]
    )
)
"""Texts, for query parameters and bodies alike."""


def _deep(levels: int) -> Any:
    value: Any = "x"
    for _ in range(levels):
        value = [value]
    return value


THINGS: Final[Sequence[Any]] = (
    None, True, False, 0, -1, 1, 1.7, -0.0, 1e300, 5e-324, 2**31, 2**53 + 1, 2**63, -(2**63) - 1, 10**19, 10**20,
    10**25, 10**400, [], {}, [[]], [None], [{}], {"": None}, {"a": {"a": {"a": {}}}}, ["x"] * 501, [1, "1", None, {}],
    {"x" * 300: 1}, {"\x00": 1}, {"__class__": "x"}, {"_schema": ["x"]}, {"$ref": "#/"}, {"~0/~1": 1},
    {"value": True, "unit": "g"}, {"value": "1"}, {"unit": "g"}, {"value": "1", "unit": None},
    {"value": 10**19, "unit": "g"}, {"value": 1e300, "unit": "kg"}, {"value": {"value": 1}, "unit": []},
    {"value": "1", "unit": "g", "uncertainty": "-1"}, {"value": "1", "unit": "g", "uncertainty": 1e300},
    {"value": "1", "unit": "g", "extra": 1}, {"value": "", "unit": ""}, {"amount": True, "currency": []},
    {"amount": "1e9", "currency": "EUR"}, {"amount": "-1", "currency": "EUR"}, {"amount": "1", "currency": "eur"},
    {"amount": "1", "currency": "XYZ"}, {"amount": 0.1, "currency": "EUR"}, {"amount": "0.0000001", "currency": "EUR"},
    {"amount": "999999999999999999", "currency": "EUR"}, {"low": "0.9", "likely": "0.5", "high": "0.1"},
    {"reactants": {}, "products": {}}, {"reactants": [], "products": {"a": 10**15}}, _deep(20), _deep(40),
)  # fmt: skip
"""JSON values that are no text."""

VALUES: Final[Sequence[Any]] = (*TEXTS, *THINGS)
"""Every hostile value."""

RAW: Final[Sequence[bytes]] = (
    b"", b" ", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf{}", b"{", b"[", b'"', b"{}{}", b"[1,]", b"{'a':1}", b"nul", b"NaN",
    b'{"a":NaN}', b'{"a":Infinity}', b'{"a":1e400}', b'{"a":-1e400}', b'{"a":01}', b'{"a":1,"a":2}', b'{"a":"\x00"}',
    b'{"a":"\\u0000"}', b'{"a":"\\ud800"}', b'{"\\udfff":1}', b'{"a":"\xc3\x28"}', b'{"a":"\xed\xa0\x80"}',
    b"[" * 100_000,
    b'{"a":' * 10_000, b"[" + b"1," * 5_000 + b"1]", b'{"a":' + b"9" * 5_000 + b"}", b"// x\n{}", b"a=1&b=2",
    b"<a/>", b"\x1f\x8b\x08\x00\x00", b"code,kind\n1", b"\n\n\n", b'{"kind":"run"}\n{"kind"', b"[[]]", b"[null]",
    b"[{}]",
    b'[{"kind":"run","code":"x","record":null}]', b'[{"kind":null,"code":{},"record":[]}]',
    b'[{"kind":"token","code":"x","record":{}}]',
)  # fmt: skip
"""Bodies that are no record, and mostly no JSON."""

FIELD_VALUES: Final[Sequence[str]] = (
    "*", '"r1"', '"r999999999999999999999"', 'W/"r1"', '"r1.abc"', '"r-1"', "r1", '"', '""', ",", "*, *", '"a", "b"',
    'W/"', "x" * 300, '"' + "x" * 5_000 + '"', "\xe9", "0", "null", "'; DROP TABLE x", "  ", '"r1"' + ',"r2"' * 500,
    "text/csv", "text/html;q=0.1", "*/*;q=0", "application/json;q=x", ";;;", "a/b/c", "gzip", "bytes=0-1",
)  # fmt: skip
"""Header field values."""


@dataclass(frozen=True)
class Attack:
    """One request with something wrong: where it is wrong, how it is sent."""

    operation: str
    place: str
    method: str
    path: str
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes | None = None
    media_type: str | None = None

    def __str__(self) -> str:
        return f"{self.method} {self.path[:160]} [{self.place}] {(self.body or b'')[:160]!r} {dict(self.headers)}"[:500]


@dataclass(frozen=True)
class Target:
    """An operation as the document has it, and the sound request of its example."""

    id: str
    method: str
    rule: str
    described: Mapping[str, Any]
    path: str
    query: tuple[tuple[str, str], ...]
    body: Any
    schema: Mapping[str, Any] | None
    body_types: tuple[str, ...]

    @property
    def parameters(self) -> list[Mapping[str, Any]]:
        """The query parameters."""
        return [each for each in self.described.get("parameters", []) if each.get("in") == "query"]

    @property
    def fields(self) -> list[str]:
        """The header fields that it reads, by the names of their components."""
        return [each["$ref"].rpartition("/")[2] for each in self.described.get("parameters", []) if "$ref" in each]

    def sound(self, place: str = "sound") -> Attack:
        """The request of the example; a write of an existing record overwrites whatever stands there."""
        headers = {"If-Match": "*"} if "If-Match" in self.fields else {}
        sent = None if self.schema is None else dumped(self.body)
        return Attack(self.id, place, self.method, with_query(self.path, self.query), headers, sent, self.media_type)

    @property
    def media_type(self) -> str | None:
        """What its body is sent as."""
        return self.body_types[0] if self.body_types else None


def with_query(path: str, asked: Sequence[tuple[str, str]]) -> str:
    """An address with its query; what is no character is sent as the bytes that it would be."""
    return f"{path}?{urlencode(asked, errors='surrogatepass')}" if asked else path


def dumped(value: Any) -> bytes:
    """JSON as a client may write it, however wrong."""
    return json.dumps(value).encode()


def targets(document: Mapping[str, Any], examples: Mapping[str, Mapping[str, Any]]) -> list[Target]:
    """Every operation of the document with its example; one without an example is a failure."""
    found = []
    for rule, item in document["paths"].items():
        for method, described in item.items():
            if method == "parameters":
                continue
            name = described["operationId"]
            assert name in examples, f"{name} has no example: nothing sound can be made hostile"
            path, _, asked = examples[name].get("path", rule).partition("?")
            content = described.get("requestBody", {}).get("content", {})
            assert not content or JSON not in content or "request" in examples[name], name
            body = examples[name].get("request")
            schema = content.get(JSON, {}).get("schema") if content else None
            found.append(
                Target(
                    name, method.upper(), rule, described, path, tuple(parse_qsl(asked)), body, schema, tuple(content)
                )
            )
    return found


def drawn(place: str, values: Sequence[Any], most: int | None) -> Sequence[Any]:
    """Some of the values, the same ones for one place in every run; all of them where ``most`` is None."""
    if most is None or most >= len(values):
        return values
    return random.Random(f"{SEED} {place}").sample(list(values), most)


def of_query(target: Target, most: int | None) -> Iterator[Attack]:
    """Each query parameter with hostile texts, given twice, and one that nobody knows."""
    for parameter in target.parameters:
        name = parameter["name"]
        others = [(key, value) for key, value in target.query if key != name]
        place = f"{target.id}?{name}"
        for text in drawn(place, [*TEXTS, *near(parameter["schema"])], most):
            yield replace(target.sound(place), path=with_query(target.path, [*others, (name, str(text))]))
        if most is None:
            twice = [*others, (name, "1"), (name, "2")]
            yield replace(target.sound(place), path=with_query(target.path, twice))
    for text in drawn(f"{target.id}?", [text for text in TEXTS if text], 1 if most else 20):
        yield replace(target.sound(f"{target.id}?*"), path=with_query(target.path, [*target.query, (text, text)]))


def of_path(target: Target, most: int | None) -> Iterator[Attack]:
    """Each part of the address that is a parameter, with hostile texts."""
    parts = target.rule.split("/")
    standing = target.path.split("/")
    for index, part in enumerate(parts):
        if not part.startswith("{"):
            continue
        place = f"{target.id}/{part}"
        for text in drawn(place, TEXTS, most):
            changed = [*standing[:index], quote(text, safe="", errors="surrogatepass"), *standing[index + 1 :]]
            yield replace(target.sound(place), path=with_query("/".join(changed), target.query))


def of_fields(target: Target, most: int | None) -> Iterator[Attack]:
    """Each header field that it reads, and those that every operation has."""
    for name in [*target.fields, "Content-Type" if target.schema else "Accept"]:
        place = f"{target.id}:{name}"
        for text in drawn(place, FIELD_VALUES, most):
            attack = target.sound(place)
            if name == "Content-Type":
                yield replace(attack, media_type=text)
            else:
                yield replace(attack, headers={**attack.headers, name: text})


def of_raw(target: Target, most: int | None) -> Iterator[Attack]:
    """Bodies that are no record at all, of each media type that it takes."""
    for media_type in target.body_types:
        place = f"{target.id} body as {media_type}"
        for body in drawn(place, RAW, most):
            yield replace(target.sound(place), body=body, media_type=media_type)


def of_body(target: Target, document: Mapping[str, Any], most: int | None) -> Iterator[Attack]:
    """Each field of the body, however deep, with hostile values; and the whole of it."""
    if target.schema is None:
        return
    for where, schema in [((), target.schema), *places(target.schema, document)]:
        place = f"{target.id} /{'/'.join(map(str, where))}"
        for value in drawn(place, [*VALUES, *near(schema)], most):
            yield replace(target.sound(place), body=dumped(put_at(target.body, where, value)))


def places(
    schema: Mapping[str, Any], document: Mapping[str, Any], within: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str | int, ...], Mapping[str, Any]]]:
    """Every place inside a value of the schema, with the schema there; of a list its first entry."""
    if "$ref" in schema:
        name = schema["$ref"]
        if name not in within:
            yield from places(document["components"]["schemas"][name.rpartition("/")[2]], document, (*within, name))
        return
    for choice in (*schema.get("anyOf", ()), *schema.get("oneOf", ()), *schema.get("allOf", ())):
        yield from places(choice, document, within)
    inner: list[tuple[str | int, Mapping[str, Any]]] = list(schema.get("properties", {}).items())
    if inner or schema.get("additionalProperties") is False:
        inner.append((SURPLUS, {}))
    if isinstance(schema.get("additionalProperties"), Mapping):
        inner.append(("water", schema["additionalProperties"]))
    if "items" in schema:
        inner.append((0, schema["items"]))
    for key, described in inner:
        yield (key,), described
        for deeper, its in places(described, document, within):
            yield (key, *deeper), its


def near(schema: Mapping[str, Any]) -> Iterator[Any]:
    """Values that are nearly what the schema takes: beyond its lengths and ends, extreme numbers of the right unit."""
    for example in schema.get("examples", ()):
        yield example
        unit = str(example).partition(" ")[2] if isinstance(example, str) else ""
        if unit:
            yield from (f"{number} {unit}" for number in ("0", "-1", "1e-30", "1e-12", "1e12", "1e30", "0.1", "1 ± 1"))
    yield from schema.get("enum", ())
    if "maxLength" in schema:
        yield from ("a" * schema["maxLength"], "a" * (schema["maxLength"] + 1))
    if "maxItems" in schema:
        yield ["a"] * (schema["maxItems"] + 1)
    for end in ("minimum", "maximum"):
        if end in schema:
            yield from (schema[end], schema[end] - 1, schema[end] + 1)
    if schema.get("type") == "boolean":
        yield from (True, False, "true", "false", "TRUE")


def put_at(body: Any, where: Sequence[str | int], value: Any) -> Any:
    """A copy of the body with a value at a place; what has to stand around it is made."""
    if not where:
        return value
    key, *deeper = where
    changed = copy.copy(body)
    if isinstance(key, int):
        changed = list(changed) if isinstance(changed, list) else []
        standing = changed[key] if key < len(changed) else None
        return [*changed[:key], put_at(standing, deeper, value), *changed[key + 1 :]]
    changed = dict(changed) if isinstance(changed, Mapping) else {}
    changed[key] = put_at(changed.get(key), deeper, value)
    return changed
