"""Answers over the runs of many steps: statistics in any grouping, flat series."""

from __future__ import annotations

from collections.abc import Sequence

from flask import Response

from service.answer import cost_series, grouped_yields, series
from service.answer.run_filter import GROUPED, RunFilter
from service.answer.run_groups import GROUPINGS
from service.api import query
from service.api.answered import CURRENCY, DEFAULT_CONFIDENCE, LABOUR, answer_operation, answered, as_of
from service.api.operation import Call, Operation
from service.schemas.run_answers import CostSeriesAnswer, GroupedYieldsAnswer, RunSeriesAnswer, YieldSeriesAnswer

_FILTERS = (
    query.code("route", "Only runs of this route."),
    query.code("step", "Only runs of steps of this code."),
    query.code("project", "Only runs that are booked on this project."),
    query.text("operator", "Only runs by this operator."),
    query.day("from", "Only runs of this day or later; runs without a date are left out."),
    query.day("to", "Only runs of this day or before; runs without a date are left out."),
)


def _asked(call: Call) -> RunFilter:
    names = ("route", "step", "project", "operator", "tag", *GROUPED)
    return RunFilter(**{name: call.query.get(name) for name in names}, first=call.query["from"], last=call.query["to"])


def _grouped(call: Call) -> Response:
    asked = call.query
    return answered(
        call,
        grouped_yields.METHOD,
        lambda book: grouped_yields.grouped_yields_of(
            book,
            by=tuple(dict.fromkeys(asked["by"])) or ("step",),
            asked=_asked(call),
            charge=asked["charge"],
            as_of=as_of(call),
            confidence=asked["confidence"],
        ),
    )


def _run_series(call: Call) -> Response:
    return answered(call, series.METHOD, lambda book: series.run_series_of(book, asked=_asked(call), as_of=as_of(call)))


def _yield_series(call: Call) -> Response:
    return answered(
        call,
        series.METHOD,
        lambda book: series.yield_series_of(book, asked=_asked(call), every=call.query["every"], as_of=as_of(call)),
    )


def _cost_series(call: Call) -> Response:
    return answered(
        call,
        cost_series.METHOD,
        lambda book: cost_series.cost_series_of(
            book,
            asked=_asked(call),
            as_of=as_of(call),
            currency=call.query["currency"],
            labour=call.query["labour"],
        ),
    )


def operations() -> Sequence[Operation]:
    """Return the operations that answer about the runs of many steps."""
    return (
        answer_operation(
            "get_grouped_yields",
            "/v1/yields",
            "What runs gave, in any grouping",
            "The statistics of a step for every group of runs. Bases are never mixed: each group says its own. A run "
            "with several tags stands in the group of each.",
            _grouped,
            GroupedYieldsAnswer,
            ("groups",),
            (
                query.choice("by", "What to group by; several with commas between.", GROUPINGS, repeated=True),
                query.code("charge", "The material whose lot is meant by lot and supplier; the key input if left out."),
                *_FILTERS,
                query.code("tag", "Only runs with this tag."),
                query.text("lot", "Only runs of this lot of the charge."),
                query.text("supplier", "Only runs whose lot of the charge came from this supplier."),
                query.text("month", "Only runs of this month, such as 2026-03."),
                query.text("quarter", "Only runs of this quarter, such as 2026-Q1."),
                query.text("batch_band", "Only runs of this band of batch sizes, such as 20-50 g."),
                query.fraction(
                    "confidence", "Of the intervals around what was found.", default=DEFAULT_CONFIDENCE, below_one=True
                ),
            ),
            names_records=True,
        ),
        answer_operation(
            "get_run_series",
            "/v1/series/runs",
            "Every run on a line, for plotting",
            "Flat and without pages, by step and day; at most 50,000 runs.",
            _run_series,
            RunSeriesAnswer,
            ("runs",),
            _FILTERS,
            names_records=True,
        ),
        answer_operation(
            "get_yield_series",
            "/v1/series/yields",
            "The yields of steps over time, for plotting",
            "A line for every step and stretch of time that has runs.",
            _yield_series,
            YieldSeriesAnswer,
            ("yields",),
            (query.choice("every", "How long a stretch is.", series.EVERY, default="month"), *_FILTERS),
            names_records=True,
        ),
        answer_operation(
            "get_cost_series",
            "/v1/series/costs",
            "What every finished run cost, for plotting",
            "Flat and without pages, by step and day; at most 50,000 runs. Traced to the receipts, per gram of product "
            "as isolated, dry, without the failures of any step.",
            _cost_series,
            CostSeriesAnswer,
            ("runs",),
            (*_FILTERS, CURRENCY, LABOUR),
            names_records=True,
        ),
    )
