"""The analytic answers: what steps gave, what a gram costs, what to begin with, where things came from.

These describe; answers are built as plain data elsewhere. A key named here is never renamed, keys may be added.
"""

from __future__ import annotations

from marshmallow import fields

from service.schemas.answers import Described, MoneyAnswer, RestsOn, count, many, number, text


class Answer(Described):
    """What every analytic answer has."""

    rests_on = fields.Nested(RestsOn, required=True)
    reasons = fields.Dict(keys=fields.String(), values=fields.String(), metadata={"description": "why a key is null"})


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


class StepStatistics(Described):
    """A step, or a group of runs, over its runs. Yields are fractions."""

    step = text()
    basis = text()
    runs = fields.Nested(RunCounts)
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


class YieldsAnswer(Answer):
    """What each step of a route really gave."""

    route = fields.String(required=True)
    steps = many(StepStatistics)
    overall = fields.Nested(OverallYield)


class YieldGroup(StepStatistics):
    """The statistics of one group of runs."""

    by = fields.Dict(required=True, metadata={"description": "what the runs of the group have in common"})


class GroupedYieldsAnswer(Answer):
    """Statistics in a grouping of one's own."""

    groups = many(YieldGroup)


class StepCost(Described):
    """What a step adds to the cost."""

    step = fields.String(required=True)
    cost_per_g = number()
    leak_per_g = number("what its loss costs a gram of the product")


class MaterialCost(Described):
    """What a material adds to the cost."""

    material = fields.String(required=True)
    cost_per_g = number()


class BuyInstead(Described):
    """The same material bought."""

    offer = fields.String(required=True)
    cost_per_g = number()


class CostAnswer(Answer):
    """What a gram of the product costs, failures included."""

    route = fields.String(required=True)
    basis = fields.String(required=True, metadata={"enum": ["standard", "traced"]})
    currency = fields.String(required=True)
    cost_per_g = number("null where anything is unpriced")
    low = number()
    high = number()
    cost_per_g_good_runs = number("without failed runs")
    cost_per_contained_g = number()
    cash_per_g = number("whole packs and shipping")
    labour_h_per_g = number()
    unpriced = fields.List(fields.Raw(), metadata={"description": "what has no price"})
    cost_per_g_at_least = number("the part that is priced")
    by_step = many(StepCost)
    by_material = many(MaterialCost)
    buy_instead = fields.Nested(BuyInstead, allow_none=True)


class CautionAnswer(Described):
    """Something that could hurt in what is planned."""

    level = fields.String(required=True, metadata={"enum": ["note", "warn", "stop"]})
    code = fields.String(required=True)
    step = text()
    detail = fields.String(required=True)


class BatchLine(Described):
    """One input of a batch, corrected for what the lot holds."""

    material = fields.String(required=True)
    lot = text()
    amount_g = number()
    amount_ml = number()


class AtLeast(Described):
    """What is reached at least, by the probability asked for."""

    at_least = fields.Dict(keys=fields.String(), values=fields.Float(), metadata={"description": "by percent"})


class BatchSheetAnswer(Answer):
    """What to weigh for one batch, what to expect and what to mind."""

    route = fields.String(required=True)
    step = fields.String(required=True)
    key_input_g = number()
    lines = many(BatchLine)
    theoretical_g = number()
    expected_product_g = fields.Nested(AtLeast)
    next_run = fields.Nested(NextRun)
    cautions = many(CautionAnswer)
    not_assessed = fields.List(fields.String())


class LotCostAnswer(Answer):
    """What a lot costs."""

    lot = fields.String(required=True)
    currency = fields.String(required=True)
    cost_per_g = number()
    cost_per_g_good_runs = number()
    total = fields.Nested(MoneyAnswer, allow_none=True)
    unpriced = fields.List(fields.Raw())


class Behind(Described):
    """A bought lot behind a gram."""

    lot = fields.String(required=True)
    amount_g = number()
    cost = number()


class Genealogy(Described):
    """Lots and runs, and which came from which."""

    nodes = fields.List(fields.Dict())
    edges = fields.List(fields.Dict())


class AncestryAnswer(Answer):
    """Where a lot came from, and where it went."""

    lot = fields.String(required=True)
    behind_a_gram = many(Behind)
    up = fields.Nested(Genealogy)
    down = fields.Nested(Genealogy)


class LedgerSources(Described):
    """What came into the books."""

    opening = fields.Nested(MoneyAnswer)
    purchases = fields.Nested(MoneyAnswer)
    direct = fields.Nested(MoneyAnswer)


class LedgerUses(Described):
    """Where it went."""

    delivered = fields.Nested(MoneyAnswer)
    failures = fields.Nested(MoneyAnswer)
    abandoned = fields.Nested(MoneyAnswer)
    work_in_progress = fields.Nested(MoneyAnswer)
    samples = fields.Nested(MoneyAnswer)
    adjustments = fields.Nested(MoneyAnswer)
    write_offs = fields.Nested(MoneyAnswer)
    disposals = fields.Nested(MoneyAnswer)
    stock = fields.Nested(MoneyAnswer)


class LedgerBalanceAnswer(Answer):
    """Sources equal uses."""

    currency = fields.String(required=True)
    sources = fields.Nested(LedgerSources)
    uses = fields.Nested(LedgerUses)
    difference = fields.Nested(MoneyAnswer)


class TrendPoint(Described):
    """One run on the chart."""

    run = fields.String(required=True)
    finished_on = text()
    yield_fraction = fields.Float(data_key="yield", allow_none=True)
    beyond = fields.Boolean(metadata={"description": "outside the limits"})
    rules = fields.List(fields.String())


class Slope(Described):
    """A slope with its 90 % interval."""

    slope = number()
    low = number()
    high = number()
    p = number("probability of a slope as steep by chance")


class TrendAnswer(Answer):
    """The history of a step: individuals and moving ranges."""

    step = fields.String(required=True)
    centre = number()
    lower = number()
    upper = number()
    provisional = fields.Boolean(metadata={"description": "fewer than 8 runs"})
    points = many(TrendPoint)
    outliers = fields.List(fields.Raw())
    slopes = fields.Dict(keys=fields.String(), values=fields.Nested(Slope))
