"""The OpenAPI 3.1 document, made from the declared operations by flask-smorest."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from importlib.metadata import version
from itertools import zip_longest
from typing import Any, Final
from urllib.parse import parse_qsl

from flask import Flask, Response
from flask_smorest import Api, Blueprint  # type: ignore[import-untyped]

from service.api import problems
from service.api.about import OPENAPI
from service.api.examples import examples
from service.api.operation import Answer, Operation, Service
from service.api.query import CODE_PATTERN
from service.api.wire import JSON, json_bytes
from service.schemas.answers import ProblemAnswer

TITLE: Final = "Weighbook"
DESCRIPTION: Final = (
    "Yield and cost of multi-step preparations, from what was weighed and paid.\n\n"
    "An amount goes in as text with its unit (`12.350 g`, `25 mL ± 0.1 mL`) and its digits are kept; what is computed "
    "comes in fixed units that the key names (`net_g`, `cost_per_g`), a yield as a fraction. Unknown is null, with the "
    "reason beside it. Every fault of a request is told at once, as `application/problem+json`.\n\n"
    "Within v1 changes are compatible: keys and enumerated words may be added, none is renamed or removed. A client "
    "ignores keys that it does not know. What will go is announced by `Deprecation` (RFC 9745) and `Sunset` (RFC 8594) "
    "header fields at least six months before."
)
TAGS: Final[Mapping[str, str]] = {
    "records": "What was weighed, bought and planned: read, write by code, remove, look back.",
    "answers": "What follows from the records: yields, cost, plans, batch sheets.",
    "imports": "Many records at once.",
    "workshop": "The workshop's own record and its tokens.",
    "service": "The service itself: health, limits, documentation.",
}
_CREATE_ONLY: Final = "If-None-Match-on-PUT"
"""The component that stands for If-None-Match where a record is written."""
_HEADER_PARAMETERS: Final[Mapping[str, tuple[str, str, str, Mapping[str, Any]]]] = {
    "If-Match": (
        "If-Match",
        "The ETag of the revision that is to be changed, or * for whatever stands there.",
        '"r3"',
        {},
    ),
    "If-None-Match": ("If-None-Match", "The ETags that are held already.", '"r3"', {}),
    _CREATE_ONLY: ("If-None-Match", "* to create only, and never to change.", "*", {"enum": ["*"]}),
    "Idempotency-Key": (
        "Idempotency-Key",
        "A name for this request: sent again, it finds the same record.",
        "bench-2-2026-11-25-07",
        {"pattern": "^[!-~]{1,255}$"},
    ),
}
"""Components of header fields: the field, what it means, an example, what its text is bound to."""
_RESPONSE_HEADERS: Final[Mapping[str, str]] = {
    "ETag": "The version of the answer, opaque.",
    "Link": 'The next page (RFC 8288), rel="next"; absent on the last.',
    "Location": "Where the new record stands.",
    "Idempotent-Replayed": "true where the record had been made by an earlier request of the same key.",
}
_PATH_PARAMETERS: Final[Mapping[str, str]] = {
    "code": "The code of the record.",
    "lot": "The code of a lot.",
    "project": "The code of a project.",
    "route": "The code of a route.",
    "run": "The code of a run.",
    "step": "The code of a step of the route.",
    "number": "The number of a revision, from 1.",
    "file": "The name of the file.",
}
_PATH_PARAMETER: Final = re.compile(r"<(\w+)>")


class Documentation(Api):  # type: ignore[misc]
    """flask-smorest's document with this service's own problems in place of its errors."""

    ERROR_SCHEMA = None
    DEFAULT_ERROR_RESPONSE_NAME = None

    def _register_responses(self) -> None:
        for status in sorted({int(problem.status) for problem in problems.PROBLEMS.values()}):
            kinds = [problem for problem in problems.PROBLEMS.values() if problem.status == status]
            codes = ", ".join(f"`{problem.code}`" for problem in kinds)
            response = {
                "description": f"{' / '.join(problem.title for problem in kinds)}: {codes}.",
                "content": {problems.MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
            }
            self.spec.components.response(f"Problem{status}", response)


def register(app: Flask, service: Service, operations: Iterable[Operation]) -> None:
    """Give the app a route for every operation, and the OpenAPI document of them all."""
    app.config.update(
        API_TITLE=TITLE,
        API_VERSION=version("weighbook"),
        OPENAPI_VERSION="3.1.0",
        API_SPEC_OPTIONS={
            "info": {"description": DESCRIPTION, "license": {"name": "MIT", "identifier": "MIT"}},
            "servers": [{"url": "/", "description": "where this document was read"}],
            "security": [{"token": []}],
        },
    )
    api = Documentation(app)
    components = api.spec.components
    components.schema("Problem", schema=ProblemAnswer)
    components.security_scheme(
        "token",
        {"type": "http", "scheme": "bearer", "description": "A token of one workshop: scope read, record or manage."},
    )
    for component, (name, description, example, bounds) in _HEADER_PARAMETERS.items():
        told = {"name": name, "description": description, "schema": {"type": "string", **bounds}, "example": example}
        components.parameter(component, "header", told)
    for name, description in _RESPONSE_HEADERS.items():
        components.header(name, {"description": description, "schema": {"type": "string"}})
    blueprints = {tag: Blueprint(tag, __name__, description=description) for tag, description in TAGS.items()}
    for operation in operations:
        _route(blueprints[operation.tag], operation, operation.view_for(service))
    for blueprint in blueprints.values():
        api.register_blueprint(blueprint)
    app.extensions[OPENAPI] = json_bytes(api.spec.to_dict())


def _route(blueprint: Blueprint, operation: Operation, view: Callable[..., Response]) -> None:
    blueprint.add_url_rule(
        operation.rule,
        endpoint=operation.id,
        view_func=blueprint.doc(**described(operation))(view),
        methods=[operation.method],
        parameters=_path_parameters(operation.rule, examples().get(operation.id, {}).get("path", "")),
    )


def described(operation: Operation) -> dict[str, Any]:
    """Return an operation as OpenAPI has it."""
    example = examples().get(operation.id, {})
    asked = dict(parse_qsl(example.get("path", "").partition("?")[2]))
    scope = "No token is needed." if operation.scope is None else f"Needs the scope `{operation.scope}`."
    found: dict[str, Any] = {
        "operationId": operation.id,
        "summary": operation.summary,
        "description": f"{operation.description} {scope}",
        "parameters": [
            *(parameter.documented(asked) for parameter in operation.parameters),
            *(_component_of(name, operation.method) for name in operation.fields),
        ],
        "responses": {str(status): _answer(answer, example) for status, answer in operation.answers.items()},
    }
    found["responses"] |= {
        str(status): {"$ref": f"#/components/responses/Problem{status}"} for status in operation.statuses()
    }
    if operation.scope is None:
        found["security"] = []
    if operation.body is not None:
        content = {media_type: {"schema": schema} for media_type, schema in operation.body.items()}
        if "request" in example and JSON in content:
            content[JSON]["example"] = example["request"]
        found["requestBody"] = {"required": True, "content": content}
    return found


def _component_of(field: str, method: str) -> str:
    return _CREATE_ONLY if (field, method) == ("If-None-Match", "PUT") else field


def _path_parameters(rule: str, asked: str) -> list[dict[str, Any]]:
    found = []
    for part, example in zip_longest(rule.split("/"), asked.partition("?")[0].split("/")):
        named = _PATH_PARAMETER.fullmatch(part or "")
        if named is not None:
            schema = {"type": "string", "pattern": f"^{CODE_PATTERN}$"}
            parameter = {"in": "path", "name": named[1], "required": True, "schema": schema}
            found.append(parameter | {"description": _PATH_PARAMETERS[named[1]], "example": example or named[1]})
    return found


def _answer(answer: Answer, example: Mapping[str, Any]) -> dict[str, Any]:
    content = {media_type: {"schema": schema} for media_type, schema in answer.content.items()}
    if "response" in example and content:
        next(iter(content.values()))["example"] = example["response"]
    found: dict[str, Any] = {"description": answer.description}
    if content:
        found["content"] = content
    if answer.headers:
        found["headers"] = {name: {"$ref": f"#/components/headers/{name}"} for name in answer.headers}
    return found
