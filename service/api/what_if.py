"""The questions about a route's plan that are asked with a body."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from http import HTTPStatus
from typing import Any

from flask import Response

from service.answer import what_if
from service.answer.book import Book
from service.api.answered import AS_OF, as_of
from service.api.operation import Answer, Call, Operation
from service.api.wire import JSON, json_body, json_response
from service.schemas.what_if import WhatIfSchema, load_what_if
from service.schemas.what_if_answers import WhatIfAnswer


def _asked(call: Call, compute: Callable[[Book], dict[str, Any]]) -> Response:
    """Answer from one snapshot."""
    with call.service.database.reading(call.who.workshop_id) as reading:
        answer = compute(Book(reading, call.service.memory))
    return json_response(answer)


def _what_if(call: Call, route: str) -> Response:
    asked = load_what_if(json_body(call.service.body_limit_bytes))
    return _asked(call, lambda book: what_if.what_if_of(book, route, asked, as_of(call)))


def _question(
    id: str, rule: str, summary: str, description: str, view: Callable[..., Response], body: Any, answer: Any
) -> Operation:
    return Operation(
        id=id,
        method="POST",
        rule=rule,
        tag="answers",
        summary=summary,
        description=description,
        view=view,
        answers={200: Answer(summary + ".", {JSON: answer})},
        parameters=(AS_OF,),
        body={JSON: body},
        problems=(HTTPStatus.UNPROCESSABLE_ENTITY,),
    )


def operations() -> Sequence[Operation]:
    """Return the operations that ask about a plan with a body."""
    return (
        _question(
            "ask_what_if",
            "/v1/routes/<route>/what-if",
            "Today's plan and up to twenty scenarios beside it",
            "Each scenario is a list of changes: a yield, a failure rate, limits, a price, a pack, an assay, a "
            "content, the stock, a line of a bill, a step bought in place of made, another route, target or "
            "confidence. All are planned on the same draws, so that they differ by what was changed; each difference "
            "from today has its Monte Carlo uncertainty. Nothing is recorded.",
            _what_if,
            WhatIfSchema,
            WhatIfAnswer,
        ),
    )
