"""Pages for people: the documentation, drawn by Swagger UI out of an installed package, and one for each problem."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

from flask import Response
from swagger_ui_bundle import swagger_ui_path  # type: ignore[import-untyped]
from werkzeug.exceptions import NotFound

from service.api.conditional import not_modified, tag_of, with_tag
from service.api.operation import Answer, Call, Operation
from service.api.problems import PROBLEMS

HTML: Final = "text/html; charset=utf-8"
_FILES: Final = {
    "swagger-ui-bundle.js": "text/javascript; charset=utf-8",
    "swagger-ui.css": "text/css; charset=utf-8",
    "favicon-32x32.png": "image/png",
}
_START: Final = """\
SwaggerUIBundle({
  url: "/v1/openapi.json",
  dom_id: "#docs",
  deepLinking: true,
  validatorUrl: null,
  presets: [SwaggerUIBundle.presets.apis],
});
"""
_DOCS: Final = """\
<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>Weighbook: documentation</title>
<link rel="stylesheet" href="/docs/swagger-ui.css">
<link rel="icon" href="/docs/favicon-32x32.png">
</head>
<body>
<div id="docs"><noscript>The document itself is at <a href="/v1/openapi.json">/v1/openapi.json</a>.</noscript></div>
<script src="/docs/swagger-ui-bundle.js"></script>
<script src="/docs/start.js"></script>
</body>
</html>
"""
# Swagger UI sets styles on elements and draws its icons from data: addresses; it asks this host and no other.
_DOCS_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_PAGE: Final = """\
<!doctype html>
<html lang="en">
<head><meta charset="utf-8"><title>{title}</title></head>
<body>
<h1>{title}</h1>
<p>Status {status}, code <code>{code}</code>.</p>
<p>{meaning}</p>
<p><a href="/docs">The documentation</a></p>
</body>
</html>
"""


def _page(text: str, media_type: str, policy: str | None = None) -> Response:
    tag = tag_of(text)
    response = not_modified(tag) or with_tag(Response(text, content_type=media_type), tag)
    if policy is not None:
        response.headers["Content-Security-Policy"] = policy
    return response


def _docs(_: Call) -> Response:
    return _page(_DOCS, HTML, _DOCS_POLICY)


def _docs_file(_: Call, file: str) -> Response:
    if file == "start.js":
        return _page(_START, "text/javascript; charset=utf-8")
    if file not in _FILES:
        raise NotFound
    tag = tag_of(swagger_ui_path.name, file)  # the folder is named by its version
    unchanged = not_modified(tag)
    if unchanged is not None:
        return unchanged
    return with_tag(Response((swagger_ui_path / file).read_bytes(), content_type=_FILES[file]), tag)


def _problem(_: Call, code: str) -> Response:
    problem = PROBLEMS.get(code)
    if problem is None:
        raise NotFound
    told = {"title": problem.title, "code": problem.code, "meaning": problem.meaning}
    page = _PAGE.format(status=problem.status.value, **{name: escape(text) for name, text in told.items()})
    return _page(page, HTML)


def operations() -> Sequence[Operation]:
    """Return the operations that answer with pages."""
    page = {200: Answer("The page.", {"text/html": {"type": "string"}}, ("ETag",))}
    files = {media_type.partition(";")[0]: {"type": "string"} for media_type in _FILES.values()}
    return (
        Operation(
            id="read_docs",
            method="GET",
            rule="/docs",
            tag="service",
            summary="The documentation as a page",
            description="Every operation, to read and to try. The page asks no other host.",
            view=_docs,
            answers=page,
            scope=None,
        ),
        Operation(
            id="read_docs_file",
            method="GET",
            rule="/docs/<file>",
            tag="service",
            summary="A part of the documentation's page",
            description="The scripts and styles of the page.",
            view=_docs_file,
            answers={200: Answer("The file.", files, ("ETag",))},
            scope=None,
        ),
        Operation(
            id="read_problem",
            method="GET",
            rule="/problems/<code>",
            tag="service",
            summary="What a problem means",
            description="The page that the type of a problem leads to: what it means and how to mend it.",
            view=_problem,
            answers=page,
            scope=None,
        ),
    )
