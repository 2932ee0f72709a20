"""The answers about one step: its history, and what its yield goes with."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from flask import Response

from service.answer import drivers, trend
from service.answer.book import Book
from service.answer.run_filter import RunFilter
from service.api import query
from service.api.answered import DEFAULT_CONFIDENCE, answer_operation, answered, as_of
from service.api.operation import Call, Operation
from service.rendering.trend_picture import trend_picture
from service.schemas.trend_answers import DriversAnswer, TrendAnswer

_FILTERS: Final = (
    query.day("from", "Only runs finished on this day or after."),
    query.day("to", "Only runs finished on this day or before."),
    query.text("operator", "Only runs of this operator, exactly."),
    query.code("project", "Only runs of this project."),
    query.fraction("confidence", "Of the intervals.", default=DEFAULT_CONFIDENCE, below_one=True),
)


def _asked(call: Call) -> RunFilter:
    asked = call.query
    return RunFilter(first=asked["from"], last=asked["to"], operator=asked["operator"], project=asked["project"])


def _trend(call: Call, route: str, step: str) -> Response:
    def compute(book: Book) -> dict[str, Any]:
        return trend.trend_of(
            book, route, step, as_of=as_of(call), asked=_asked(call), confidence=call.query["confidence"]
        )

    return answered(call, trend.METHOD, compute, lambda book: trend_picture(compute(book)))


def _drivers(call: Call, route: str, step: str) -> Response:
    return answered(
        call,
        drivers.METHOD,
        lambda book: drivers.drivers_of(
            book, route, step, as_of=as_of(call), asked=_asked(call), confidence=call.query["confidence"]
        ),
    )


def operations() -> Sequence[Operation]:
    """Return the operations that answer about one step."""
    return (
        answer_operation(
            "get_trend",
            "/v1/routes/<route>/steps/<step>/trend",
            "The runs of a step in time",
            "Individuals and moving-range chart with its run rules, outliers, and slopes on batch size and on order.",
            _trend,
            TrendAnswer,
            ("points", "outliers"),
            _FILTERS,
            picture=True,
        ),
        answer_operation(
            "get_drivers",
            "/v1/routes/<route>/steps/<step>/drivers",
            "What the yield of a step goes with",
            "Spread between operators, months, lots and suppliers of each charge, each grouping alone; what each group "
            "does beside the others; groupings that cannot be told apart; what weighing adds to the spread.",
            _drivers,
            DriversAnswer,
            ("factors", "effects", "confounded"),
            _FILTERS,
        ),
    )
