"""The error tree. Errors are typed by reason, carry what was received and what was expected, and know no HTTP.

WeighbookError
├── Fault            one thing wrong in one place (a value): pointer, code, received, expected, detail
├── InvalidInput     a well-formed body that cannot be taken: every fault at once
├── MalformedInput   text that is not JSON, or a query parameter that cannot be read
├── UnknownRecord    a record that is not there, in this workshop
├── Conflict         the record's present state forbids it (referred to, already different, written through another)
│   ├── StaleRevision      If-Match names a revision that is not the current one
│   └── RevisionRequired   a differing write without If-Match
├── NotComputable    an answer that the records cannot carry, with the reason
├── Unauthorised     no token, or one that is unknown, expired or revoked
├── Forbidden        a token without the scope
├── TooLarge         a body or a request beyond a limit
└── Unavailable      the database is busy, away or of another schema: try again
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

MOST_FAULTS = 100


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in one place of what was sent.

    ``pointer`` is a JSON Pointer (RFC 6901) into the body, ``parameter`` the name of a query parameter, ``line`` and
    ``column`` a place in a text file; whichever apply are given. ``code`` is stable for machines, ``detail`` is a
    sentence that a person at a bench can act on.

    >>> Fault(code="unknown-unit", detail="no unit is called 'gr'", received="12 gr", expected="g, mg or kg").as_dict()
    {'code': 'unknown-unit', 'detail': "no unit is called 'gr'", 'received': '12 gr', 'expected': 'g, mg or kg'}
    """

    code: str
    detail: str
    received: Any = None
    expected: str | None = None
    pointer: str | None = None
    parameter: str | None = None
    line: int | None = None
    column: str | int | None = None

    def under(self, prefix: str) -> Fault:
        """Return the same fault seen from one level further out: ``prefix`` is put before its pointer."""
        return replace(self, pointer=prefix + (self.pointer or ""))

    def as_dict(self) -> dict[str, Any]:
        """Return the fault as plain data, without the keys that do not apply."""
        optional = {
            "pointer": self.pointer,
            "parameter": self.parameter,
            "line": self.line,
            "column": self.column,
        }
        found: dict[str, Any] = {key: value for key, value in optional.items() if value is not None}
        found["code"] = self.code
        found["detail"] = self.detail
        found["received"] = self.received
        found["expected"] = self.expected
        return found


class WeighbookError(Exception):
    """The root. ``code`` names the reason for machines; ``str(error)`` is the sentence for people."""

    code = "error"

    def __init__(self, detail: str, *, code: str | None = None, extra: Mapping[str, Any] | None = None) -> None:
        super().__init__(detail)
        self.detail = detail
        self.extra: dict[str, Any] = dict(extra or {})
        if code is not None:
            self.code = code


class FaultyInput(WeighbookError):
    """Base of the errors that carry faults, at most ``MOST_FAULTS`` of them shown and the rest counted."""

    summary = "what was sent cannot be taken"

    def __init__(self, faults: Iterable[Fault], detail: str | None = None, *, code: str | None = None) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        if detail is None:
            detail = self.faults[0].detail if len(self.faults) == 1 else f"{self.summary}: {len(self.faults)} faults"
        super().__init__(detail, code=code)

    def shown(self) -> tuple[tuple[Fault, ...], int]:
        """Return the faults to show and how many more there are."""
        return self.faults[:MOST_FAULTS], max(0, len(self.faults) - MOST_FAULTS)


class InvalidInput(FaultyInput):
    """A well-formed body whose content is wrong."""

    code = "invalid-input"
    summary = "the record cannot be taken as it stands"


class MalformedInput(FaultyInput):
    """Text that is not acceptable JSON, or a query parameter that is unknown or unreadable."""

    code = "malformed-input"
    summary = "the request cannot be read"


class UnknownRecord(WeighbookError):
    """No record of that kind and code in this workshop."""

    code = "unknown-record"


class Conflict(WeighbookError):
    """The present state of the record forbids what was asked."""

    code = "conflict"


class StaleRevision(Conflict):
    """``If-Match`` names a revision that is not the current one."""

    code = "stale-revision"


class RevisionRequired(Conflict):
    """A write that would change an existing record came without ``If-Match``."""

    code = "revision-required"


class NotComputable(WeighbookError):
    """The records cannot carry the answer; the detail says which datum is missing and how to supply it."""

    code = "not-computable"


class Unauthorised(WeighbookError):
    """No token, or one that is unknown, expired or revoked."""

    code = "unauthorised"


class Forbidden(WeighbookError):
    """The token does not carry the scope that this needs."""

    code = "forbidden"


class TooLarge(WeighbookError):
    """A body or a request beyond a stated limit."""

    code = "too-large"


class Unavailable(WeighbookError):
    """The database is busy, away, full or of another schema; the same request may succeed later."""

    code = "unavailable"
