"""The answers from the ledger: what a lot cost and where it came from, and both sides of the books."""

from __future__ import annotations

from collections.abc import Sequence

from flask import Response

from service.answer import ledger_balance, lot_ancestry, lot_cost, price_series, project_cost, run_cost, stock
from service.api import query
from service.api.answered import CURRENCY, LABOUR, answer_operation, answered, as_of
from service.api.operation import Call, Operation
from service.schemas.ledger_answers import (
    AncestryAnswer,
    LedgerBalanceAnswer,
    LotCostAnswer,
    PriceSeriesAnswer,
    ProjectCostAnswer,
    RunCostAnswer,
    StockAnswer,
)


def _lot_cost(call: Call, lot: str) -> Response:
    asked = call.query
    return answered(
        call,
        lot_cost.METHOD,
        lambda book: lot_cost.lot_cost_of(
            book,
            lot,
            as_of=as_of(call),
            currency=asked["currency"],
            labour=asked["labour"],
            loaded=asked["loaded"],
        ),
    )


def _run_cost(call: Call, run: str) -> Response:
    asked = call.query
    return answered(
        call,
        run_cost.METHOD,
        lambda book: run_cost.run_cost_of(
            book, run, as_of=as_of(call), currency=asked["currency"], labour=asked["labour"]
        ),
    )


def _ancestry(call: Call, lot: str) -> Response:
    asked = call.query
    return answered(
        call,
        lot_ancestry.METHOD,
        lambda book: lot_ancestry.ancestry_of(
            book,
            lot,
            as_of=as_of(call),
            currency=asked["currency"],
            labour=asked["labour"],
            most=asked["most"],
        ),
    )


def _balance(call: Call) -> Response:
    asked = call.query
    return answered(
        call,
        ledger_balance.METHOD,
        lambda book: ledger_balance.balance_of(
            book, as_of=as_of(call), currency=asked["currency"], labour=asked["labour"]
        ),
    )


def _stock(call: Call) -> Response:
    asked = call.query
    return answered(
        call,
        stock.METHOD,
        lambda book: stock.stock_of(
            book,
            as_of=as_of(call),
            materials=asked["material"],
            projects=asked["project"],
            everything=asked["everything"],
            currency=asked["currency"],
            labour=asked["labour"],
        ),
    )


def _project_cost(call: Call, project: str) -> Response:
    asked = call.query
    return answered(
        call,
        project_cost.METHOD,
        lambda book: project_cost.project_cost_of(
            book,
            project,
            as_of=as_of(call),
            since=asked["from"],
            currency=asked["currency"],
            labour=asked["labour"],
        ),
    )


def _price_series(call: Call) -> Response:
    asked = call.query
    return answered(
        call,
        price_series.METHOD,
        lambda book: price_series.price_series_of(
            book,
            as_of=as_of(call),
            materials=asked["material"],
            route=asked["route"],
            first=asked["from"],
            last=asked["to"],
            currency=asked["currency"],
            labour=asked["labour"],
        ),
    )


def operations() -> Sequence[Operation]:
    """Return the operations that answer from the ledger."""
    return (
        answer_operation(
            "get_lot_cost",
            "/v1/lots/<lot>/cost",
            "What a lot cost, traced to the receipts",
            "All of it and per gram as isolated, dry, from what was paid for everything that went into it. Where "
            "anything behind it is unpriced the cost is null and the part that is known stands beside it.",
            _lot_cost,
            LotCostAnswer,
            ("inputs", "unpriced"),
            (
                CURRENCY,
                LABOUR,
                query.yes_or_no("loaded", "Also with the failures of the steps behind it, by the whole ledger."),
            ),
        ),
        answer_operation(
            "get_run_cost",
            "/v1/runs/<run>/cost",
            "What a run cost, and where that went",
            "What it took from lots and paid beside them, what each lot that it made carries, and where the cost of a "
            "run went that failed, was abandoned or is not finished.",
            _run_cost,
            RunCostAnswer,
            ("inputs", "direct", "outturns", "unpriced"),
            (CURRENCY, LABOUR),
        ),
        answer_operation(
            "get_ancestry",
            "/v1/lots/<lot>/ancestry",
            "Where a lot came from, and where it went",
            "How much of every bought lot, of money and of waste is behind a gram, and the graph of lots, runs and "
            "pools either way.",
            _ancestry,
            AncestryAnswer,
            ("behind_a_gram", "beside_lots"),
            (
                CURRENCY,
                LABOUR,
                query.whole("most", "Lots and records shown either way.", least=1, most=10000, default=200),
            ),
        ),
        answer_operation(
            "get_ledger_balance",
            "/v1/ledger/balance",
            "Both sides of the ledger on a day",
            "Opening stock, purchases and direct costs on the one side, every use and the stock on the other: they are "
            "equal to the last millionth, and a breach says where it is.",
            _balance,
            LedgerBalanceAnswer,
            ("unpriced", "breaches", "not_counted"),
            (CURRENCY, LABOUR),
        ),
        answer_operation(
            "get_stock",
            "/v1/stock",
            "What is on the shelf, and what it is worth",
            "Every lot with what is left of it and how well that is known, its traced worth, age and expiry, and whose "
            "it is; summed by material. Overdrawn lots are below zero.",
            _stock,
            StockAnswer,
            ("lots", "materials", "unpriced"),
            (
                query.code("material", "Only lots of these materials.", repeated=True),
                query.code("project", "Only lots of these projects; common: of none.", repeated=True),
                query.yes_or_no("everything", "Also lots of which nothing is left."),
                CURRENCY,
                LABOUR,
            ),
            names_records=True,
        ),
        answer_operation(
            "get_price_series",
            "/v1/series/prices",
            "Costs of lots and prices of offers over time, for plotting",
            "What every lot cost when it came to the shelf, bought, made or pooled, at the rates of its own day; and "
            "the history of what suppliers ask. Flat and without pages, by day; at most 50,000 lots.",
            _price_series,
            PriceSeriesAnswer,
            ("costs", "offers"),
            (
                query.code("material", "Only lots and offers of these materials.", repeated=True),
                query.code("route", "Only lots that runs of this route made; no offers then."),
                query.day("from", "Only lots of this day or later."),
                query.day("to", "Only lots of this day or before."),
                CURRENCY,
                LABOUR,
            ),
            names_records=True,
        ),
        answer_operation(
            "get_project_cost",
            "/v1/projects/<project>/cost",
            "Who used what on a project, and what it cost",
            "Materials, amounts and money by month and operator, over all runs whatever became of them; cash paid for "
            "lots of the project beside what was consumed, and what is left of them.",
            _project_cost,
            ProjectCostAnswer,
            ("used", "by_month", "by_operator", "leftovers", "unpriced"),
            (
                query.day("from", "Runs that began on this day or later; all of them where it is left out."),
                CURRENCY,
                LABOUR,
            ),
        ),
    )
