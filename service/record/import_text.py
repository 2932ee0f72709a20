"""From the text of an import to its lines, each with the place in the file at which its faults are told.

A line is one record: ``{"kind": "run", "code": "VG-031", "record": {…}}`` in a JSON array or one to a line of NDJSON.
Weighings in a table are read by :mod:`service.record.weighings`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, Protocol

from service.errors import MOST_FAULTS, Fault, InvalidInput, MalformedInput, TooLarge
from service.schemas.json_text import parse_json
from service.schemas.kinds import plural
from service.schemas.received import shown

MOST_RECORDS: Final = 10_000
MOST_FAULTS_LOOKED_FOR: Final = 10_000
"""Beyond so many faults nothing more of a file is looked at."""
_KEYS: Final = ("kind", "code", "record")
_EXPECTED: Final = '{"kind": "run", "code": "VG-031", "record": {…}}'


class Place(Protocol):
    """Where in the file one record stands."""

    def placed(self, faults: Iterable[Fault]) -> list[Fault]:
        """Return faults of the record, whose pointers point into its body, as faults of the file."""

    def as_dict(self) -> dict[str, Any]:
        """Return the place as the report tells it."""


@dataclass(frozen=True, slots=True)
class JsonPlace:
    """An element of an array by its pointer, or an object on a line of its own."""

    pointer: str = ""
    line: int | None = None

    def placed(self, faults: Iterable[Fault]) -> list[Fault]:
        """Put the way to the record before each pointer; the code of the record stands beside it."""
        found = []
        for fault in faults:
            if fault.parameter == "code":
                pointer = f"{self.pointer}/code"
            else:
                pointer = f"{self.pointer}/record{fault.pointer or ''}"
            found.append(replace(fault, parameter=None, pointer=pointer, line=self.line))
        return found

    def here(self, code: str, detail: str, received: Any, expected: str, key: str = "") -> Fault:
        """Return a fault of the line itself, or of one of its own keys."""
        pointer = self.pointer + (f"/{key}" if key else "")
        return Fault(code, detail, shown(received), expected, pointer=pointer, line=self.line)

    def as_dict(self) -> dict[str, Any]:
        """Return the line in the file where it has one, else the pointer."""
        return {"pointer": self.pointer} if self.line is None else {"line": self.line}


@dataclass(frozen=True, slots=True)
class ImportLine:
    """One record to be written: its ``kind`` (as in an address), its ``code``, its ``body`` as JSON would give it.

    ``faults`` are those that reading it found, in words of the file; such a line is never written.
    """

    kind: str
    code: str
    body: Any
    place: Place
    faults: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True)
class ImportText:
    """What a file holds: its lines, the faults of what is no line at all, and what else there is to report of it.

    ``lost`` are the codes of records that could not be read, so that those who refer to them are not blamed as well.
    """

    lines: list[ImportLine]
    faults: list[Fault] = field(default_factory=list)
    lost: set[str] = field(default_factory=set)
    counts: Mapping[str, int] = field(default_factory=dict)


def read_array(payload: bytes) -> ImportText:
    """Read a JSON array of lines; raise :class:`MalformedInput` for other JSON and for what is none.

    >>> text = read_array(b'[{"kind": "project", "code": "pigments", "record": {"name": "pigment bench"}}]')
    >>> text.lines[0].kind, text.lines[0].place.as_dict()
    ('projects', {'pointer': '/0'})
    """
    told = parse_json(payload)
    if not isinstance(told, list):
        detail = "an import is a JSON array of lines; for one line a row, send NDJSON"
        raise MalformedInput([Fault("wrong-type", detail, shown(told), f"[{_EXPECTED}, …]", pointer="")])
    _check_count(len(told))
    return _lines((JsonPlace(f"/{index}"), line) for index, line in enumerate(told))


def read_ndjson(payload: bytes) -> ImportText:
    """Read one JSON object a line; blank lines say nothing. Raise :class:`MalformedInput` with every line that is none.

    >>> text = read_ndjson(b'\\n{"kind": "project", "code": "pigments", "record": {"name": "pigment bench"}}\\n')
    >>> text.lines[0].place.as_dict()
    {'line': 2}
    """
    rows = [(number, row) for number, row in enumerate(payload.split(b"\n"), start=1) if row.strip()]
    _check_count(len(rows))
    read: list[tuple[JsonPlace, Any]] = []
    malformed: list[Fault] = []
    for number, row in rows:
        try:
            read.append((JsonPlace(line=number), parse_json(row, first_line=number)))
        except MalformedInput as refused:
            malformed.extend(refused.faults)
    if malformed:
        raise MalformedInput(malformed)
    return _lines(read)


def _check_count(count: int) -> None:
    if count > MOST_RECORDS:
        detail = f"the file holds {count} records, and at most {MOST_RECORDS} are taken at once: cut it in two"
        raise TooLarge(detail, extra={"limit_records": MOST_RECORDS})


def _lines(read: Iterable[tuple[JsonPlace, Any]]) -> ImportText:
    text = ImportText([])
    for place, told in read:
        faults = [*_line_faults(place, told)]
        code = told.get("code") if isinstance(told, Mapping) else None
        if not faults:
            text.lines.append(ImportLine(plural(told["kind"]), told["code"], told["record"], place))
        else:
            text.faults.extend(faults)
            text.lost.update({code} if isinstance(code, str) else ())
    return text


def _line_faults(place: JsonPlace, told: Any) -> Iterable[Fault]:
    if not isinstance(told, Mapping):
        yield place.here("wrong-type", "a line of an import is an object", told, _EXPECTED)
        return
    unknown = [key for key in told if key not in _KEYS]
    for key in unknown[:MOST_FAULTS]:
        yield place.here("unknown-key", f"a line has kind, code and record, and no {shown(key)!r}", key, _EXPECTED)
    # The rest is only counted: nobody is shown more than this many faults.
    yield from [place.here("unknown-key", "one more unknown key", None, _EXPECTED)] * (len(unknown) - MOST_FAULTS)
    for key in _KEYS:
        if told.get(key) is None:
            yield place.here("missing", f"{key} is missing", None, _EXPECTED, key)
    for key in ("kind", "code"):
        if told.get(key) is not None and not isinstance(told[key], str):
            yield place.here("wrong-type", f"{key} is not text", told[key], _EXPECTED, key)
    if isinstance(told.get("kind"), str):
        try:
            plural(told["kind"])
        except InvalidInput as refused:
            yield from (place.here(found.code, found.detail, told["kind"], found.expected or "", "kind")
                        for found in refused.faults)  # fmt: skip
