"""The questions about a route's plan: what if, where to push, how to carry on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from http import HTTPStatus
from typing import Any

from flask import Response

from service.answer import carry_on, push, what_if
from service.answer.book import Book
from service.api import query
from service.api.answered import (
    AS_OF,
    CURRENCY,
    DEFAULT_CONFIDENCE,
    STATE,
    answer_operation,
    answered,
    as_of,
    book_asked,
)
from service.api.operation import Answer, Call, Operation
from service.api.wire import JSON, json_body, json_response
from service.schemas.carry_on_answers import CarryOnAnswer
from service.schemas.plan_questions import CarryOnSchema, load_carry_on
from service.schemas.push_answers import PushAnswer
from service.schemas.what_if import WhatIfSchema, load_what_if
from service.schemas.what_if_answers import WhatIfAnswer


def _asked(call: Call, compute: Callable[[Book], dict[str, Any]]) -> Response:
    """Answer from one snapshot, of an earlier state where one is asked for."""
    with book_asked(call) as book:
        return json_response(compute(book))


def _what_if(call: Call, route: str) -> Response:
    asked = load_what_if(json_body(call.service.body_limit_bytes))
    return _asked(call, lambda book: what_if.what_if_of(book, route, asked, as_of(call)))


def _carry_on(call: Call, route: str) -> Response:
    asked = load_carry_on(json_body(call.service.body_limit_bytes))
    return _asked(call, lambda book: carry_on.carry_on_of(book, route, asked, as_of(call)))


def _push(call: Call, route: str) -> Response:
    asked = call.query
    return answered(
        call,
        push.METHOD,
        lambda book: push.push_of(
            book,
            route,
            target_g=asked["target"],
            confidence=asked["confidence"],
            stock=asked["stock"],
            project=asked["project"],
            acknowledge=asked["acknowledge"],
            currency=asked["currency"],
            as_of=as_of(call),
            trials=asked["trials"],
        ),
    )


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
        parameters=(AS_OF, STATE),
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
            "content, the stock, a line of a bill changed, added or removed, a step bought in place of made, another "
            "route, target or confidence. All are planned on the same draws, so that they differ by what was changed; "
            "each difference from today has its Monte Carlo uncertainty. Nothing is recorded.",
            _what_if,
            WhatIfSchema,
            WhatIfAnswer,
        ),
        _question(
            "ask_carry_on",
            "/v1/routes/<route>/carry-on",
            "How to carry on in the middle of the work",
            "From what is in hand at each stage: the probability of reaching the target, how much of it to carry on, "
            "whether one more batch of an earlier step pays first, and a smaller start with a rule for topping it up "
            "beside the single one. Nothing is recorded.",
            _carry_on,
            CarryOnSchema,
            CarryOnAnswer,
        ),
        answer_operation(
            "get_push",
            "/v1/routes/<route>/push",
            "Where a plan is best pushed, and what to measure next",
            "What each step would save a gram, and how much surer the target would be at the amounts planned, at its "
            "best run so far and at what is possible; how far the cost follows each price; each unknown at either of "
            "its ends; and what of the variance of the product each is owed.",
            _push,
            PushAnswer,
            ("steps", "prices", "tornado", "variance"),
            (
                query.amount_g("target", 'The amount of product that is wanted, such as "25 g".', required=True),
                query.fraction(
                    "confidence", "The probability of reaching it.", default=DEFAULT_CONFIDENCE, between=(0.5, 0.99)
                ),
                query.choice("stock", "What of the shelf may be taken.", ("own", "all", "none"), default="own"),
                query.code("project", "The project whose lots are its own."),
                query.code("acknowledge", "Codes of cautions that are known and taken.", repeated=True),
                CURRENCY,
                query.whole("trials", "Trials of the simulation.", least=1024, most=65536, default=16384),
            ),
        ),
    )
