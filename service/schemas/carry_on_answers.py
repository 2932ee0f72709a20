"""The answer in the middle of the work. These describe, as all of their kind do."""

from __future__ import annotations

from marshmallow import fields

from service.schemas.analytic_answers import Answer
from service.schemas.answers import Described, MoneyAnswer, many, number, text
from service.schemas.plan_answers import Amount
from service.schemas.what_if_answers import PlanFigures


class InHandAnswer(Described):
    """What is there of a step's product, and how much of it to carry on."""

    step = fields.String(required=True)
    material = fields.String()
    amount_g = number("as stated; of the shelf where it was not stated")
    counts_as_g = number("in grams of the strength that is planned with")
    carry_on_g = number("of these: the least that is enough, else what gives the best chance")
    left_g = number()


class CarriedStep(Described):
    """A step that what is in hand is carried through."""

    step = fields.String(required=True)
    key_input_g = number("expected")
    batches = fields.Integer()
    below_smallest = fields.Boolean(metadata={"description": "the expected batch is smaller than the smallest"})


class OneMoreAnswer(Described):
    """One more batch of a step before all is carried on."""

    step = fields.String(required=True)
    batch_g = number("its key input: a typical batch")
    cost = number("of it, and of carrying on what it gives; null where a price is not known")
    shortfall_g = number("expected, after it")
    spared = number("money: what is expected to fall short costs so much less")
    monte_carlo_u = number("standard uncertainty of what is spared, from the trials pair by pair")
    p_reach = number("after it")
    pays = fields.Boolean(allow_none=True)


class ShortfallAnswer(Described):
    """What is expected to fall short with what is in hand, and what that costs."""

    expected_g = number()
    worth_per_g = number("money that a missing gram costs; null where neither price nor cost is known")
    cost = number()


class WaveBatches(Described):
    """Batches of a step in the first wave."""

    step = fields.String(required=True)
    batches = fields.Integer()


class LookAnswer(Described):
    """Where less than below_g is there after a step, so much more of what feeds it is begun."""

    after_step = fields.String(required=True)
    material = fields.String()
    below_g = number("of the material, as weighed")
    start_more = many(Amount)
    p_topped_up = number("how often that is")


class TwoWavesCost(Described):
    """Money that is expected to be used up at replacement cost; null where a cost is not known."""

    expected = number("of the rule")
    single_start = number()
    saves = number()
    monte_carlo_u = number("standard uncertainty of what is saved, from the trials pair by pair")
    currency = fields.String()


class TwoWavesAnswer(Described):
    """A smaller start with a top-up rule: where less than below_g is there after a step, start so much more. Where
    branches meet there may be a look on each of them; what is known of one look alone stands beside."""

    after_step = text("null where there is none or more than one look")
    material = text()
    start = many(Amount)
    start_batches = many(WaveBatches, "up to the looks")
    below_g = number("of the material, as weighed")
    start_more = many(Amount)
    looks = many(LookAnswer, "none where a single start is best")
    p_topped_up = number("how often anything is begun again")
    p_reach = number()
    monte_carlo_u = number()
    expected_use = many(Amount)
    single_start = many(Amount)
    saves = number("the part of the single start that is not used on the average, each branch by what is spent on it")
    saves_u = number("its Monte Carlo uncertainty")
    cost = fields.Nested(TwoWavesCost)
    detail = fields.String()
    reasons = fields.Dict(keys=fields.String(), values=fields.String())


class CarryOnAnswer(Answer):
    """What comes of what is in hand, and what to do first."""

    route = fields.String(required=True)
    product = fields.String()
    target_g = number()
    confidence = number()
    currency = fields.String()
    p_reach = number("probability that what is in hand, carried on without a new start, reaches the target")
    monte_carlo_u = number()
    expected_product_g = number("dry")
    enough = fields.Boolean()
    in_hand = many(InHandAnswer)
    steps = many(CarriedStep)
    shortfall = fields.Nested(ShortfallAnswer)
    one_more_batch = many(OneMoreAnswer, "the one that spares most beyond its cost first")
    first = text("the step of which one more batch pays first; null where none does")
    plan = fields.Nested(PlanFigures, metadata={"description": "what would reach the target, what is in hand used"})
    two_waves = fields.Nested(TwoWavesAnswer, allow_none=True)
    worth_per_g = fields.Nested(MoneyAnswer, allow_none=True, metadata={"description": "as asked"})
