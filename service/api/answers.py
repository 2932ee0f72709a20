"""The answers about a route: yields, cost, plan, batch sheet; and a reaction balanced."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from http import HTTPStatus
from typing import Any, Final

from flask import Response, request

from service.answer import batch_sheet, cost, plan, yields
from service.answer.book import Book
from service.api import query
from service.api.conditional import not_modified, tag_of, with_tag
from service.api.operation import Answer, Call, Operation
from service.api.query import Parameter, canonical
from service.api.wire import CSV, FORMATS, JSON, NDJSON, json_bytes, media_type_asked
from service.rendering.table import csv_text, ndjson_text
from service.schemas.analytic_answers import BatchSheetAnswer, CostAnswer, PlanAnswer, YieldsAnswer

DEFAULT_CONFIDENCE: Final = 0.9
_AS_OF: Final = query.day("as_of", "The date of the answer; today (UTC) where it is left out.")
_CURRENCY: Final = query.currency("currency", "The currency of the answer; the workshop's own where it is left out.")
_FORMAT: Final = query.choice("format", "The form of the answer; goes before Accept.", FORMATS)

METHODS: Final[Mapping[str, str]] = dict(method.METHOD.split("/", 1) for method in (yields, cost, plan, batch_sheet))
"""Every method by its name, with its version: another version may give another number."""

Compute = Callable[[Book], dict[str, Any]]


def _answered(call: Call, method: str, compute: Compute) -> Response:
    """Answer from one snapshot; what the asker holds already is told unchanged before anything is computed."""
    media_type = media_type_asked(call.query["format"], tuple(FORMATS.values()))
    asked = {**call.query, "as_of": _as_of(call)}
    with call.service.database.reading(call.who.workshop_id) as reading:
        tag = tag_of(reading.workshop_id, reading.state, request.path, canonical(asked), media_type, method)
        unchanged = not_modified(tag)
        if unchanged is not None:
            return unchanged
        answer = compute(Book(reading, call.service.memory))
    if media_type == JSON:
        return with_tag(Response(json_bytes(answer), content_type=JSON), tag)
    rows = answer[call.query["table"]]
    rendered = csv_text(rows) if media_type == CSV else ndjson_text(rows)
    return with_tag(Response(rendered, content_type=f"{media_type}; charset=utf-8"), tag)


def _as_of(call: Call) -> Any:
    """Return the date that was asked for, else today."""
    return call.query["as_of"] or call.service.today()


def _yields(call: Call, route: str) -> Response:
    return _answered(
        call,
        yields.METHOD,
        lambda book: yields.yields_of(book, route, as_of=_as_of(call), confidence=call.query["confidence"]),
    )


def _cost(call: Call, route: str) -> Response:
    asked = call.query
    return _answered(
        call,
        cost.METHOD,
        lambda book: cost.cost_of(
            book,
            route,
            currency=asked["currency"],
            as_of=_as_of(call),
            labour=asked["labour"],
            amount_g=asked["amount"],
        ),
    )


def _plan(call: Call, route: str) -> Response:
    asked = call.query
    return _answered(
        call,
        plan.METHOD,
        lambda book: plan.plan_of(
            book,
            route,
            target_g=asked["target"],
            confidence=asked["confidence"],
            stock=asked["stock"],
            project=asked["project"],
            spare=asked["spare"],
            acknowledge=asked["acknowledge"],
            currency=asked["currency"],
            as_of=_as_of(call),
            trials=asked["trials"],
        ),
    )


def _batch_sheet(call: Call, route: str, step: str) -> Response:
    asked = call.query
    return _answered(
        call,
        batch_sheet.METHOD,
        lambda book: batch_sheet.batch_sheet_of(
            book, route, step, key_input_g=asked["key_input"], lots=asked["lots"], as_of=_as_of(call)
        ),
    )


def _operation(
    id: str,
    rule: str,
    summary: str,
    description: str,
    view: Callable[..., Response],
    schema: Any,
    tables: Sequence[str],
    parameters: Sequence[Parameter],
) -> Operation:
    table = query.choice("table", "Which array of the answer a CSV or NDJSON holds.", tables, default=tables[0])
    content = {JSON: schema, CSV: {"type": "string"}, NDJSON: {"type": "string"}}
    return Operation(
        id=id,
        method="GET",
        rule=rule,
        tag="answers",
        summary=summary,
        description=description,
        view=view,
        answers={200: Answer(summary + ".", content, ("ETag",)), 304: Answer("What is held already still stands.")},
        parameters=(*parameters, _AS_OF, _FORMAT, table),
        fields=("If-None-Match",),
        problems=(HTTPStatus.UNPROCESSABLE_ENTITY,),
    )


def operations() -> Sequence[Operation]:
    """Return the operations that answer about routes and reactions."""
    return (
        _operation(
            "get_yields",
            "/v1/routes/<route>/yields",
            "What each step gave, and what its next run will give",
            "Statistics of every step over its runs, failures counted, and the yield that the next run reaches with a "
            "stated probability.",
            _yields,
            YieldsAnswer,
            ("steps",),
            (
                query.fraction(
                    "confidence",
                    "Of the intervals around what was found.",
                    default=DEFAULT_CONFIDENCE,
                    below_one=True,
                ),
            ),
        ),
        _operation(
            "get_cost",
            "/v1/routes/<route>/cost",
            "What a gram of the product costs",
            "Loaded with failures, by step and by material, beside the price of buying it. Where anything is unpriced "
            "the cost is null and the part that is known stands beside it.",
            _cost,
            CostAnswer,
            ("by_step", "by_material"),
            (
                query.choice("basis", "standard: today's prices, expected yields.", ("standard",), default="standard"),
                _CURRENCY,
                query.yes_or_no("labour", "Count hours of labour at their rate; they are always shown as hours."),
                query.amount_g("amount", "What whole packs are bought for; one typical last batch if left out."),
            ),
        ),
        _operation(
            "get_plan",
            "/v1/routes/<route>/plan",
            "How much to begin with, and what to buy, for a target",
            "Amounts to start with, batches, materials to buy and cautions, so that the target is reached with the "
            "stated probability.",
            _plan,
            PlanAnswer,
            ("materials", "steps", "starting_materials", "cautions"),
            (
                query.amount_g("target", 'The amount of product that is wanted, such as "25 g".', required=True),
                query.fraction(
                    "confidence",
                    "The probability of reaching the target.",
                    default=DEFAULT_CONFIDENCE,
                    below_one=True,
                ),
                query.choice(
                    "stock",
                    "own: lots of the project and of none. all: lots of every project. none: begin from nothing.",
                    ("own", "all", "none"),
                    default="own",
                ),
                query.code("project", "The project whose lots are its own."),
                query.code("spare", "A step that gets a spare batch in any case.", repeated=True),
                query.code("acknowledge", "Codes of cautions that are known and taken.", repeated=True),
                _CURRENCY,
                query.whole("trials", "Trials of the simulation.", least=256, most=65536, default=16384),
            ),
        ),
        _operation(
            "get_batch_sheet",
            "/v1/routes/<route>/steps/<step>/batch-sheet",
            "What to weigh for one batch",
            "Amounts in g and mL from the named lots, corrected for their strength, what to expect, and cautions.",
            _batch_sheet,
            BatchSheetAnswer,
            ("lines",),
            (
                query.amount_g("key_input", 'Gross amount of the key input, such as "50 g".', required=True),
                query.code("lots", "The lots to weigh from.", repeated=True),
            ),
        ),
    )
