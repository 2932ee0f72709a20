"""The answers about where material and money go: losses by step, and mass metrics."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from flask import Response

from service.answer import losses, mass_metrics
from service.answer.book import Book
from service.answer.compared import Period
from service.api import query
from service.api.answered import CURRENCY, answer_operation, answered, as_of
from service.api.operation import Call, Operation
from service.errors import Fault, MalformedInput
from service.rendering.bars_picture import losses_picture
from service.schemas.loss_answers import LossesAnswer, MassMetricsAnswer


def _losses(call: Call, route: str) -> Response:
    asked, day = call.query, as_of(call)
    faults: list[Fault] = []
    period = _period(asked, "", day, faults)
    compare = None
    if asked["compare_from"] is not None or asked["compare_to"] is not None:
        compare = _period(asked, "compare_", day, faults)
    if faults:
        raise MalformedInput(faults)

    def compute(book: Book) -> dict[str, Any]:
        return losses.losses_of(
            book,
            route,
            period=period,
            compare=compare,
            currency=asked["currency"],
            as_of=day,
            labour=asked["labour"],
        )

    return answered(call, losses.METHOD, compute, lambda book: losses_picture(compute(book)))


def _mass_metrics(call: Call, route: str) -> Response:
    return answered(
        call, mass_metrics.METHOD, lambda book: mass_metrics.mass_metrics_of(book, route, as_of=as_of(call))
    )


def _period(asked: Mapping[str, Any], prefix: str, day: dt.date, faults: list[Fault]) -> Period:
    """The days between two parameters; a last day left out is that of the answer."""
    since, until = asked[f"{prefix}from"], asked[f"{prefix}to"] or day
    if until > day:
        detail = f"{prefix}to is {until}, after the date of the answer, {day}: ask for a later as_of, or an earlier end"
        faults.append(_fault(f"{prefix}to", detail, until, f"a date up to {day}"))
    if since is not None and since > until:
        detail = f"{prefix}from is {since}, after the end of its period, {until}"
        faults.append(_fault(f"{prefix}from", detail, since, f"a date up to {until}"))
    return Period(since, until)


def _fault(parameter: str, detail: str, received: dt.date, expected: str) -> Fault:
    return Fault("bad-parameter", detail, received.isoformat(), expected, parameter=parameter)


def operations() -> Sequence[Operation]:
    """Return the operations that tell where material and money go."""
    return (
        answer_operation(
            "get_losses",
            "/v1/routes/<route>/losses",
            "Where material and money are lost",
            "What each step loses in moles, grams and money over its runs, against the stoichiometric limit and "
            "against the best run so far, by failed runs and by low yields, and what recovered material gave back. "
            "With compare_from or compare_to two periods are compared: the change of the cost of a gram is shared "
            "between yields, strengths, prices and use, by step, and the parts sum to it.",
            _losses,
            LossesAnswer,
            ("steps", "change"),
            (
                query.day("from", "The first day of the period; from the first run on where it is left out."),
                query.day("to", "The last day of the period, whose prices count; as_of where it is left out."),
                query.day("compare_from", "The first day of the period that is compared with."),
                query.day("compare_to", "The last day of the period that is compared with; as_of if left out."),
                CURRENCY,
                query.yes_or_no("labour", "Count hours of labour at their rate."),
            ),
            picture=True,
        ),
        answer_operation(
            "get_mass_metrics",
            "/v1/routes/<route>/mass-metrics",
            "How much of what went in came out as product",
            "Atom economy, reaction mass efficiency, E-factor and process mass intensity of each step and of the whole "
            "chain, with and without water and solvents, failed runs counted in; waste as weighed out, by class and "
            "month; and where the metals that were charged went.",
            _mass_metrics,
            MassMetricsAnswer,
            ("steps", "waste", "metals"),
            (),
        ),
    )
