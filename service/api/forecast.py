"""The answers about what comes next: the next run of a step, and how often past forecasts held."""

from __future__ import annotations

from collections.abc import Sequence

from flask import Response

from service.answer import forecast_record, next_run
from service.api import query
from service.api.answered import DEFAULT_CONFIDENCE, answer_operation, answered, as_of
from service.api.operation import Call, Operation
from service.schemas.forecast_answers import ForecastRecordAnswer, NextRunAnswer


def _next_run(call: Call, route: str, step: str) -> Response:
    asked = call.query
    return answered(
        call,
        next_run.METHOD,
        lambda book: next_run.next_run_of(
            book,
            route,
            step,
            key_input_g=asked["key_input"],
            confidence=asked["confidence"],
            new_lot=asked["new_lot"],
            reaction_mass_g=asked["reaction_mass"],
            as_of=as_of(call),
        ),
    )


def _forecast_record(call: Call) -> Response:
    asked = call.query
    return answered(
        call,
        forecast_record.METHOD,
        lambda book: forecast_record.forecast_record_of(
            book,
            route_code=asked["route"],
            step_code=asked["step"],
            confidence=asked["confidence"],
            as_of=as_of(call),
        ),
    )


def operations() -> Sequence[Operation]:
    """Return the operations that answer about forecasts."""
    return (
        answer_operation(
            "get_next_run",
            "/v1/routes/<route>/steps/<step>/next-run",
            "What the next run of a step gives at least",
            "The yield and the grams that the next run reaches with a stated probability, the chance that it gives "
            "nothing, and how good the evidence is.",
            _next_run,
            NextRunAnswer,
            ("bounds", "lowers_confidence", "cautions"),
            (
                query.amount_g("key_input", 'Gross amount of the key input, such as "50 g"; gives grams of product.'),
                query.fraction("confidence", "One more probability to give the bound for.", below_one=True),
                query.yes_or_no("new_lot", "The key input is of a lot that no run was made from yet."),
                query.amount_g(
                    "reaction_mass", "What is in the vessel while heat is given off; else as the step has it."
                ),
            ),
        ),
        answer_operation(
            "get_forecast_record",
            "/v1/forecast-record",
            "How often the lower bounds of forecasts held",
            "Every counted run is forecast from the runs before it; how often the 80, 90 and 95 % bounds held, with "
            "exact intervals, and by how much the spread is widened where they did not.",
            _forecast_record,
            ForecastRecordAnswer,
            ("bounds", "runs", "steps"),
            (
                query.code("route", "The route whose steps are shown; every route where it is left out."),
                query.code("step", "One step of the route, with each of its runs."),
                query.fraction(
                    "confidence", "Of the intervals of the shares.", default=DEFAULT_CONFIDENCE, below_one=True
                ),
            ),
            names_records=True,
        ),
    )
