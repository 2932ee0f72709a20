"""The analytic answers: what steps gave, what a gram costs, what to begin with, where things came from.

These describe; answers are built as plain data elsewhere. A key named here is never renamed, keys may be added.
"""

from __future__ import annotations

from marshmallow import fields

from service.schemas.answers import Described, MoneyAnswer, count, many, number, text, why_null


class RestsOn(Described):
    """What an answer rests on: asked again of the same, it is the same."""

    state = count("the workshop's state")
    as_of = fields.String(metadata={"format": "date"})
    filters = fields.Dict()
    method = fields.String()
    method_version = fields.String()
    runs = count("runs counted")
    events = count("of the ledger")
    lots = count("of the ledger")
    prices = fields.Raw(metadata={"description": "where the prices are from"})
    spread_factor = fields.Raw(metadata={"description": "by how much a spread is widened; of several steps by step"})
    earlier_forms = count("runs of a step in an earlier form, which are not counted")
    left_out_runs = count("runs left out, named or not")
    unpriced = fields.Raw(metadata={"description": "what has no price"})
    without_a_day = count("runs that stand on no day")
    left_out = fields.List(fields.Dict(), metadata={"description": "runs left out, with the reasons"})


class Answer(Described):
    """What every analytic answer has."""

    as_of = fields.Date(metadata={"description": "the date of the answer"})
    rests_on = fields.Nested(RestsOn, required=True)
    reasons = why_null()


class LeftOut(Described):
    """A run that statistics leave out, and why."""

    run = fields.String(required=True)
    reason = text()


class RunCounts(Described):
    """How many runs there are, by what they count for."""

    counted = count("finished and not left out")
    failed = count("nothing usable")
    abandoned = count("for an outside reason")
    open = count("not weighed out yet")
    left_out = many(LeftOut)


class NextRun(Described):
    """What the next run gives at least, by the probability asked for."""

    at_least = fields.Dict(
        keys=fields.String(),
        values=fields.Float(),
        metadata={"description": "at 90: with 90 % probability the next run gives this much or more"},
    )
    evidence = text("what it rests on")
    spread_factor = number("above 1 where past bounds did not hold: by how much the spread is widened")
    kind = fields.String(metadata={"enum": ["runs", "opinion", "none"]})
    notes = fields.List(fields.String())


class StepStatistics(Described):
    """A step, or a group of runs, over its runs. Yields are fractions."""

    step = text()
    name = text("of a step")
    basis = text()
    runs = fields.Nested(RunCounts)
    above_one = fields.List(fields.Raw(), metadata={"description": "counted runs whose yield is above 1"})
    mean = number()
    sd = number("standard deviation from run to run")
    median = number()
    q1 = number("lower quartile")
    q3 = number("upper quartile")
    min = number()
    max = number()
    ratio_of_totals = number("all contained over all theoretical, failed runs included")
    ratio_low = number("lower end of its 90 % interval")
    ratio_high = number("upper end of its 90 % interval")
    ratio_usable = number("the ratio without failed runs")
    failure_rate = number()
    weighing_u = number("mean standard uncertainty of one yield, from the weighings")
    next_run = fields.Nested(NextRun)
    reasons = fields.Dict(keys=fields.String(), values=fields.String(), metadata={"description": "why a key is null"})


class OverallYield(Described):
    """The yields along the key inputs, one after another."""

    ratio_of_totals = number()
    product_per_key_input_g_per_g = number()
    lines = fields.List(fields.Raw(), metadata={"description": "along the key inputs from each beginning"})
    reasons = fields.Dict(keys=fields.String(), values=fields.String(), metadata={"description": "why a key is null"})


class YieldsAnswer(Answer):
    """What each step of a route really gave."""

    route = fields.String(required=True)
    steps = many(StepStatistics)
    overall = fields.Nested(OverallYield)


class StepCost(Described):
    """What a step adds to the cost."""

    step = fields.String(required=True)
    cost_per_g = number()
    product = fields.String()
    added_per_g = number("what it adds to a gram of its own product")
    cost_per_g_good_runs = number("without failed runs")
    share = number("how much the cost of the product moves with the loss here, both in percent")
    leak_per_g = number("what its loss costs a gram of the product")
    attainable_per_g = number("what a gram would cost less at the best run of the step")
    buy_instead = fields.Nested(lambda: BuyInstead, allow_none=True)
    reasons = why_null()


class MaterialCost(Described):
    """What a material adds to the cost."""

    material = fields.String(required=True)
    cost_per_g = number("its known part where it has no price, null where nothing of it is known")
    amount_g_per_g = number("grams behind a gram of the product")
    reasons = why_null()


class BuyInstead(Described):
    """The same material bought."""

    offer = fields.String(required=True)
    cost_per_g = number()


class Leftover(Described):
    """What is left of a lot."""

    lot = fields.String(required=True)
    material = fields.String(required=True)
    value = fields.Nested(MoneyAnswer, allow_none=True, metadata={"description": "null where its lot is unpriced"})
    expires_on = text()


class CostAnswer(Answer):
    """What a gram of the product costs, failures included."""

    route = fields.String(required=True)
    product = fields.String()
    basis = fields.String(required=True, metadata={"enum": ["standard", "traced"]})
    currency = fields.String(required=True)
    cost_per_g = number("null where anything is unpriced")
    low = number()
    high = number()
    cost_per_g_good_runs = number("without failed runs")
    cost_per_contained_g = number()
    cash_per_g = number("whole packs and shipping")
    cash_for_g = number("the amount of product that whole packs are bought for")
    direct = fields.List(fields.Raw(), metadata={"description": "labour, energy, waste and the like"})
    not_counted = fields.List(
        fields.String(),
        metadata={"description": "what is in no figure: waste without a rate, what comes back and no step takes in"},
    )
    capped_runs = fields.List(fields.Raw(), metadata={"description": "runs whose yield above 1 was taken as 0.98"})
    labour_h_per_g = number()
    unpriced = fields.List(fields.Raw(), metadata={"description": "what has no price"})
    cost_per_g_at_least = number("the part that is priced")
    consumed = fields.Nested(
        MoneyAnswer, allow_none=True, metadata={"description": "traced: what all of the product cost, loaded"}
    )
    cash = fields.Nested(
        MoneyAnswer, metadata={"description": "traced: what was paid for the whole of what is behind it"}
    )
    leftovers = many(Leftover, "traced: what is left of the bought lots behind the product")
    failures = fields.Nested(MoneyAnswer, metadata={"description": "traced: what the failed runs of the route took"})
    abandoned = fields.Nested(MoneyAnswer)
    work_in_progress = fields.Nested(MoneyAnswer)
    by_step = many(StepCost)
    by_material = many(MaterialCost)
    buy_instead = fields.Nested(BuyInstead, allow_none=True)


class CautionAnswer(Described):
    """Something that could hurt in what is planned."""

    level = fields.String(required=True, metadata={"enum": ["note", "warn", "stop"]})
    code = fields.String(required=True)
    step = text()
    detail = fields.String(required=True)
    value = number("what was compared, where it is one number")
    source = text("where the limit is from")


class BatchLine(Described):
    """One input of a batch, corrected for what the lot holds."""

    material = fields.String(required=True)
    lot = text()
    amount_g = number()
    amount_ml = number()
    contained_g = number()
    contained_mol = number()
    note = text("what it rests on, such as a lot that holds less")
    reasons = why_null()


class AtLeast(Described):
    """What is reached at least, by the probability asked for."""

    at_least = fields.Dict(keys=fields.String(), values=fields.Float(), metadata={"description": "by percent"})


class BatchSheetAnswer(Answer):
    """What to weigh for one batch, what to expect and what to mind."""

    route = fields.String(required=True)
    step = fields.String(required=True)
    name = text()
    product = fields.String()
    key_input_g = number()
    lines = many(BatchLine)
    theoretical_g = number()
    expected_product_g = fields.Nested(AtLeast)
    next_run = fields.Nested(NextRun)
    cautions = many(CautionAnswer)
    not_assessed = fields.List(fields.String())
    standing = text("what the cautions are, and are not")
