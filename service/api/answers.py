"""The answers about a route: yields, cost, plan, batch sheet; and a reaction balanced."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from flask import Response

from service.answer import batch_sheet, cost, plan, traced_cost, yields
from service.answer.book import Book
from service.api import query
from service.api.answered import CURRENCY, DEFAULT_CONFIDENCE, answer_operation, answered, as_of
from service.api.operation import Call, Operation
from service.rendering.bars_picture import cost_picture
from service.rendering.plan_picture import plan_picture
from service.rendering.yields_picture import yields_picture
from service.schemas.analytic_answers import BatchSheetAnswer, CostAnswer, YieldsAnswer
from service.schemas.plan_answers import PlanAnswer


def _yields(call: Call, route: str) -> Response:
    def compute(book: Book, points: bool = False) -> dict[str, Any]:
        return yields.yields_of(book, route, as_of=as_of(call), confidence=call.query["confidence"], points=points)

    return answered(
        call, yields.METHOD, compute, lambda book: yields_picture(route, compute(book, points=True)["steps"])
    )


def _cost(call: Call, route: str) -> Response:
    asked = call.query
    if asked["basis"] == "traced":

        def traced(book: Book) -> dict[str, Any]:
            return traced_cost.traced_cost_of(
                book, route, currency=asked["currency"], as_of=as_of(call), labour=asked["labour"]
            )

        return answered(call, traced_cost.METHOD, traced, lambda book: cost_picture(traced(book)))

    def compute(book: Book) -> dict[str, Any]:
        return cost.cost_of(
            book,
            route,
            currency=asked["currency"],
            as_of=as_of(call),
            labour=asked["labour"],
            amount_g=asked["amount"],
        )

    return answered(call, cost.METHOD, compute, lambda book: cost_picture(compute(book)))


def _plan(call: Call, route: str) -> Response:
    asked = call.query

    def compute(book: Book) -> dict[str, Any]:
        return plan.plan_of(
            book,
            route,
            target_g=asked["target"],
            budget=asked["budget"],
            from_stock=asked["from_stock"],
            confidence=asked["confidence"],
            stock=asked["stock"],
            project=asked["project"],
            spare=asked["spare"],
            acknowledge=asked["acknowledge"],
            currency=asked["currency"],
            as_of=as_of(call),
            trials=asked["trials"],
        )

    return answered(call, plan.METHOD, compute, lambda book: plan_picture(compute(book)))


def _batch_sheet(call: Call, route: str, step: str) -> Response:
    asked = call.query
    return answered(
        call,
        batch_sheet.METHOD,
        lambda book: batch_sheet.batch_sheet_of(
            book,
            route,
            step,
            key_input_g=asked["key_input"],
            lots=asked["lots"],
            reaction_mass_g=asked["reaction_mass"],
            as_of=as_of(call),
        ),
    )


def operations() -> Sequence[Operation]:
    """Return the operations that answer about routes and reactions."""
    return (
        answer_operation(
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
            picture=True,
        ),
        answer_operation(
            "get_cost",
            "/v1/routes/<route>/cost",
            "What a gram of the product costs",
            "Loaded with failures, by step and by material, beside the price of buying it. Where anything is unpriced "
            "the cost is null and the part that is known stands beside it. The standard cost pays for materials, "
            "consumables, energy and waste by today's prices and rates; what the runs recover goes in again, run after "
            "run, where the route takes it in, and only what is bought or made anew costs.",
            _cost,
            CostAnswer,
            ("by_step", "by_material"),
            (
                query.choice(
                    "basis",
                    "standard: today's prices, expected yields. traced: what the runs really cost.",
                    ("standard", "traced"),
                    default="standard",
                ),
                CURRENCY,
                query.yes_or_no("labour", "Count hours of labour at their rate; they are always shown as hours."),
                query.amount_g("amount", "What whole packs are bought for; one typical last batch if left out."),
            ),
            picture=True,
        ),
        answer_operation(
            "get_plan",
            "/v1/routes/<route>/plan",
            "How much to begin with, and what to buy, for a target",
            "Amounts to start with, batches, materials to buy and cautions, so that the target is reached with the "
            "stated probability. Asked with exactly one of target, budget and from_stock: with a budget, or from what "
            "is on the shelf alone, the most that is reached with that probability, and what runs out first. Routes "
            "that feed this one are planned with it. The batches of a step follow one another; branches go on side by "
            "side. A plan buys and makes all that its batches take in, and counts on nothing that they are to give "
            "back, as the standard cost does.",
            _plan,
            PlanAnswer,
            ("materials", "steps", "starting_materials", "cautions", "make_or_buy", "ways_in"),
            (
                query.amount_g("target", 'The amount of product that is wanted, such as "25 g".', choice_of="plan for"),
                query.money(
                    "budget",
                    'In place of a target: the cash for packs and shipping, such as "20 EUR", or "20" in the currency '
                    "of the answer. What is on the shelf is used first.",
                    choice_of="plan for",
                ),
                query.yes_or_no(
                    "from_stock", "In place of a target: all that the shelf alone gives.", choice_of="plan for"
                ),
                query.fraction(
                    "confidence",
                    "The probability of reaching the target.",
                    default=DEFAULT_CONFIDENCE,
                    between=(0.5, 0.99),
                ),
                query.choice(
                    "stock",
                    "own: lots of the project and of none. all: lots of every project. none: begin from nothing.",
                    ("own", "all", "none"),
                    default="own",
                ),
                query.code("project", "The project whose lots are its own."),
                query.code(
                    "spare",
                    "A step that gets a spare batch in any case; route/step for one of a route that feeds this one.",
                    repeated=True,
                    of_route=True,
                ),
                query.code("acknowledge", "Codes of cautions that are known and taken.", repeated=True),
                CURRENCY,
                query.whole("trials", "Trials of the simulation.", least=256, most=65536, default=16384),
            ),
            picture=True,
        ),
        answer_operation(
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
                query.amount_g(
                    "reaction_mass", "What is in the vessel while heat is given off; else as the step has it."
                ),
            ),
        ),
    )
