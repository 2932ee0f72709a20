"""An operation of the API, declared once: its route, authorisation, reading and documentation come from it."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Any, Final

from flask import Response, request

from service.answer.snapshot import Memory
from service.api import auth
from service.api.counters import Counters
from service.api.query import CODE_PATTERN, Parameter, read_query
from service.api.quota import Quota
from service.api.wire import JSON
from service.errors import Fault, MalformedInput, UnknownRecord
from service.record.past import Past
from service.store.session import Database
from service.store.tokens import TokenHolder

_CODE: Final = re.compile(CODE_PATTERN)


@dataclass(frozen=True, slots=True)
class Service:
    """What the operations work with: database, columns in memory, earlier states, clock, limits, counts."""

    database: Database
    memory: Memory
    past: Past[Memory]
    now: Callable[[], dt.datetime]
    counters: Counters
    quota: Quota | None
    body_limit_bytes: int
    import_limit_bytes: int

    def today(self) -> dt.date:
        """Return the date (UTC) that an answer has where none is asked for."""
        return self.now().date()


@dataclass(frozen=True, slots=True)
class Call:
    """One request, as far as every operation reads it: who asks, what the query says, what answers.

    ``shape`` is the schema of the answer in JSON, None where it has none.
    """

    service: Service
    query: Mapping[str, Any]
    holder: TokenHolder | None = None
    shape: Any = None

    @property
    def who(self) -> TokenHolder:
        """Return who asks; only an operation with a scope may want to know."""
        assert self.holder is not None, "the operation has no scope"
        return self.holder


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer that is no error: what it means, its form (media type -> schema), its own headers."""

    description: str
    content: Mapping[str, Any] = field(default_factory=dict)
    headers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Operation:
    """One method of one path.

    ``rule`` is a route as Flask has it. ``scope`` is the least that a token must have, None where no token is needed.
    ``fields`` names the request header fields that it reads, ``body`` the media types that it takes with their schemas,
    ``problems`` the errors of its own beside those that follow from what it reads.
    """

    id: str
    method: str
    rule: str
    tag: str
    summary: str
    description: str
    view: Callable[..., Response]
    answers: Mapping[int, Answer]
    scope: str | None = "read"
    parameters: tuple[Parameter, ...] = ()
    fields: tuple[str, ...] = ()
    body: Mapping[str, Any] | None = None
    problems: tuple[int, ...] = ()

    def statuses(self) -> list[int]:
        """Return the status of every error that the operation can answer, in order."""
        found = {*self.problems, HTTPStatus.BAD_REQUEST, HTTPStatus.INTERNAL_SERVER_ERROR}
        if self.scope is not None:
            found |= {HTTPStatus.UNAUTHORIZED, HTTPStatus.FORBIDDEN, HTTPStatus.TOO_MANY_REQUESTS}
            found |= {HTTPStatus.SERVICE_UNAVAILABLE}
        if "<" in self.rule:
            found |= {HTTPStatus.NOT_FOUND}
        if self.method == "GET":
            found |= {HTTPStatus.NOT_ACCEPTABLE}
        if self.parameters:
            found |= {HTTPStatus.REQUEST_URI_TOO_LONG}
        if self.body is not None:
            found |= {HTTPStatus.REQUEST_ENTITY_TOO_LARGE, HTTPStatus.UNSUPPORTED_MEDIA_TYPE}
            found |= {HTTPStatus.UNPROCESSABLE_ENTITY}
        return sorted(int(status) for status in found)

    def view_for(self, service: Service) -> Callable[..., Response]:
        """Return the function that Flask calls: it lets in, reads, and calls the view."""
        shape = self.answers[HTTPStatus.OK].content.get(JSON) if HTTPStatus.OK in self.answers else None

        def answer(**path: str) -> Response:
            holder = None
            if self.scope is not None:
                holder = auth.identify(service.database, service.now(), self.scope)
                if service.quota is not None:
                    auth.take_from_quota(service.quota, holder)
            self._check_codes(path)
            query = read_query(request.args, self.parameters)
            return self.view(Call(service, query, holder, shape), **path)

        return answer

    def _check_codes(self, path: Mapping[str, str]) -> None:
        for name, code in path.items():
            if _CODE.fullmatch(code):
                continue
            if self.method == "PUT":
                expected = "a letter or digit, then at most 63 letters, digits, dots, dashes or underscores"
                detail = f"{code[:64]!r} cannot be a code: it is {expected}"
                raise MalformedInput([Fault("bad-code", detail, code[:64], expected, parameter=name)])
            raise UnknownRecord(f"nothing has the code {code[:64]!r}")
