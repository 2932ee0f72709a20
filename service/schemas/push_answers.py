"""The answer of where to push. These describe, as all of their kind do."""

from __future__ import annotations

from marshmallow import fields

from service.schemas.analytic_answers import Answer
from service.schemas.answers import Described, many, number


class LeverAnswer(Described):
    """A step that gave this in every batch; all null where there is no such run, or no such limit."""

    ratio = number("grams of product per gram of key input")
    saving_per_g = number("money per gram of product, dry; exact where nothing is fixed per batch")
    p_reach = number("at the amounts that are planned today")
    p_reach_gain = number()
    monte_carlo_u = number("standard uncertainty of the gain, from the trials pair by pair")


class StepPushAnswer(Described):
    """What a step would save and secure."""

    step = fields.String(required=True)
    ratio_now = number("over all runs, failures at 0")
    at_best_run = fields.Nested(LeverAnswer)
    at_limit = fields.Nested(LeverAnswer)


class PriceFollowed(Described):
    """How far the cost follows a price."""

    material = fields.String(required=True)
    cost_follows = number("per cent that the cost of a gram rises where the price does by one")


class SwingAnswer(Described):
    """One unknown at its tenth and its ninetieth percentile, all else as it is drawn."""

    name = fields.String(required=True, metadata={"description": "a step, or a material by its price"})
    part = fields.String(metadata={"enum": ["level", "failure", "price"]})
    low = number("a yield, a chance of failure, or a price of a gram of need")
    high = number()
    cost_per_g_at_low = number("money used up at the amounts planned, per gram of expected product, dry")
    cost_per_g_at_high = number()
    p_reach_at_low = number()
    p_reach_at_high = number()


class ShareAnswer(Described):
    """What of the variance of ln(product) a step owes alone."""

    step = fields.String(required=True)
    share = number("of the step in all")
    level = number("that its mean yield is not known")
    scatter = number("from batch to batch")
    failure = number("that some of its batches give nothing")
    one_more_run = number("what one more run of it would take away")


class MeasureNext(Described):
    """What to measure next, in words."""

    step = fields.String(required=True)
    takes_away = number()
    level = number("of all steps")
    scatter = number("of all steps")
    detail = fields.String()


class PushAnswer(Answer):
    """Which step, which price and which unknown matters most at what is planned today."""

    route = fields.String(required=True)
    product = fields.String()
    target_g = number()
    confidence = number()
    p_reach = number()
    cost_per_g = number("standard cost, dry")
    currency = fields.String()
    steps = many(StepPushAnswer)
    prices = many(PriceFollowed)
    tornado = many(SwingAnswer, "the widest in cost first")
    price_swing = number("a judgement: prices are taken so many times up and down")
    variance = many(ShareAnswer)
    interaction = number("what is owed to no one step alone; the shares and this sum to 1")
    ln_variance = number("of ln(product), over the trials that give any")
    without_product = number("the part of the trials that give nothing")
    measure_next = fields.Nested(MeasureNext, allow_none=True)
    kept_small = fields.List(fields.String())
