"""The answer of a plan: what to begin with, what to buy, what comes of it. These describe, as all of their kind do."""

from __future__ import annotations

from marshmallow import fields

from service.schemas.analytic_answers import Answer, CautionAnswer
from service.schemas.answers import Described, MoneyAnswer, count, many, number, text, why_null


class Amount(Described):
    """So much of a material."""

    material = fields.String(required=True)
    amount_g = number()


class PlannedStep(Described):
    """What to do at a step."""

    step = fields.String(required=True, metadata={"description": "of a route that feeds this one: route/step"})
    route = fields.String()
    product = fields.String()
    key_input = fields.String()
    key_input_g = number()
    batch_g = number("grams of key input a batch")
    expected_key_input_g = number("the mean over the trials")
    batches = count()
    spare_batches = count()
    expected_product_g = number()
    from_stock_g = number("grams of its product that are taken from the shelf")
    left_over_g = number("grams of its product that are left on the average")
    labour_h = number("hours of hands for all batches; null where the step states none")
    elapsed_h = number("hours of the clock, one batch after another; null where the step states none")


class Packs(Described):
    """Packs to buy of one offer."""

    offer = fields.String(required=True)
    count = count()
    cash = fields.Nested(MoneyAnswer)


class NeededMaterial(Described):
    """What is needed, on hand and to buy of a material."""

    material = fields.String(required=True)
    need_g = number("null where only mL can be told: then need_ml and the like stand beside")
    planned_g = number()
    on_hand_g = number()
    on_hand_counts_as_g = number("what is on hand, in grams of the strength that is planned with")
    to_buy_g = number("beyond what is on hand, in grams of the strength that is planned with")
    packs = many(Packs)
    left_over_g = number("what the packs hold beyond the need, in grams of the strength that is planned with")
    left_over_value = number("at today's price")
    left_over_expires_on = text(
        "the first day on which a pack that is to be bought expires, bought on the day of the answer; "
        "null where no offer of it states a shelf life"
    )
    on_hand_expires_on = text("the first day on which a lot on hand expires")
    reasons = why_null("why a key is null, or without packs")


class ExpiringAnswer(Described):
    """What the packs leave over of a material that keeps for so long only."""

    material = fields.String(required=True)
    left_over_g = number("null where only mL can be told: then left_over_ml stands beside")
    value = number("at today's price")
    expires_on = fields.String()
    before_the_plan_is_done = fields.Boolean(
        allow_none=True, metadata={"description": "begun today; null where a step states no elapsed time"}
    )
    currency = fields.String()
    detail = fields.String()


class AtTheMean(Described):
    """The plan that mean yields would make, and how seldom it holds."""

    starting_materials = many(Amount)
    p_reach = number()


class PlanCost(Described):
    """What the plan uses up, and what it takes out of the till."""

    consumed_estimate = number()
    consumed_at_least = number("the part that is priced")
    complete = fields.Boolean(metadata={"description": "false where something has no price"})
    shipping = fields.Nested(MoneyAnswer)
    cash = fields.Nested(MoneyAnswer)
    per_g_expected = number()
    currency = fields.String()


class OverProvided(Described):
    """A branch that is planned to bring more than the bill asks for."""

    step = fields.String(required=True)
    fed_by = fields.String(required=True)
    over = number("times what the bill asks for")


class BranchesAnswer(Described):
    """Branches that meet at the ratio that costs least; none over-provided where the bill's is the cheapest."""

    over_provided = many(OverProvided)
    cost = number("null where a price is not known; the bill's ratio is then planned")
    cost_at_the_bill = number("at the same probability")
    saves = number()
    currency = fields.String()


class LeftOver(Described):
    """What is left of an intermediate on the average."""

    step = fields.String(required=True)
    material = fields.String(required=True)
    amount_g = number()
    value = number("at replacement cost")
    currency = fields.String()


class ExpectedMasses(Described):
    """Means over the trials: what goes in is product as weighed, what is left over, and waste."""

    product_g = number("dry")
    into_g = number("all bought materials used up, water and solvents among them, and intermediates from the shelf")
    waste_g = number("liquors, residues and gases; null where a mass is not known")
    left_over = many(LeftOver)


class OtherPacks(Packs):
    """Packs of the second best order."""

    material = fields.String()
    supplier = fields.String()


class RunnerUpAnswer(Described):
    """The cheapest order that does without one of the offers of the best."""

    without = fields.String(required=True, metadata={"description": "the offer that it does without"})
    packs = many(OtherPacks)
    cash = fields.Nested(MoneyAnswer)
    shipping = fields.Nested(MoneyAnswer)
    costs_more = fields.Nested(MoneyAnswer)


class MakeOrBuy(Described):
    """Whether to make the product of a step or to buy it, at replacement cost."""

    step = fields.String(required=True)
    material = fields.String(required=True)
    decision = text("make or buy by the gram; null where neither cost is known")
    make_per_g = number("everything before it at its own cheaper way")
    buy_per_g = number("by the cheapest offer, without shipping")
    flips_at_price_per_g = number("the price below which buying is cheaper")
    flips_at_yield = number("the yield above which making is cheaper")
    cash_if_made = fields.Nested(MoneyAnswer, allow_none=True)
    cash_if_bought = fields.Nested(MoneyAnswer, allow_none=True)
    currency = fields.String()
    reasons = fields.Dict(keys=fields.String(), values=fields.String(), metadata={"description": "why a key is null"})


class WayIn(Described):
    """One way into the route, planned for the same target at the same confidence."""

    buy = fields.List(fields.String(), metadata={"description": "the steps whose product is bought"})
    cash = fields.Nested(MoneyAnswer, allow_none=True, metadata={"description": "null where something is not offered"})
    consumed_estimate = number()
    p_reach = number("null where the product itself is bought")
    currency = fields.String()


class Distribution(Described):
    """How likely each range of product is, over the trials; the target is an edge, the last range takes in all more."""

    edges_g = fields.List(fields.Float(), metadata={"description": "edges of the ranges, one more than there are"})
    probability = fields.List(fields.Float())


class PlanAnswer(Answer):
    """How much to begin with, to end with an amount at a stated confidence."""

    route = fields.String(required=True)
    product = fields.String()
    planned_for = fields.String(metadata={"enum": ["target", "budget", "from_stock"]})
    target_g = number("what was asked for; or the most that the budget or the shelf reaches")
    budget = fields.Nested(MoneyAnswer, allow_none=True)
    runs_out_first = text("the material that a larger target would want more of; null where a target was asked for")
    confidence = number()
    p_reach = number("probability that the plan reaches the target")
    p_max = number("the best probability that any amount reaches")
    p_max_without_spares = number("the same without spare batches")
    near_edge = fields.Raw(allow_none=True, metadata={"description": "a step that is near one more batch"})
    product_on_hand_g = number("on the shelf; not taken from the target")
    stock_left_out = fields.List(fields.Raw(), metadata={"description": "lots that are not counted on, and why"})
    monte_carlo_u = number("standard uncertainty of p_reach from the number of trials")
    distribution = fields.Nested(Distribution)
    starting_materials = many(Amount)
    steps = many(PlannedStep)
    materials = many(NeededMaterial)
    expiring = many(ExpiringAnswer, "what is left over of packs that expire, the first day first")
    at_the_mean = fields.Nested(AtTheMean)
    hands_on_h = number("null where a step states no labour")
    elapsed_h = number("the longest path over the steps, their batches one after another")
    longest_path = fields.List(fields.String())
    branches = fields.Nested(BranchesAnswer, allow_none=True, metadata={"description": "null where none meet"})
    expected = fields.Nested(ExpectedMasses)
    runner_up = fields.Nested(RunnerUpAnswer, allow_none=True)
    make_or_buy = many(MakeOrBuy)
    ways_in = many(WayIn, "with whole packs and shipping, every way of buying intermediates in place of making them")
    ways_in_trials = count("trials that each of them was planned with")
    cheapest_way_in = fields.List(fields.String(), allow_none=True)
    cost = fields.Nested(PlanCost)
    cautions = many(CautionAnswer)
    not_assessed = fields.List(fields.String())
    standing = text("what the cautions are, and are not")
    withheld = fields.Raw(metadata={"description": "what a stop holds back until it is acknowledged"})
    to_acknowledge = fields.List(fields.String(), metadata={"description": "the codes of those stops"})
