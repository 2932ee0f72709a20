"""The answers from the ledger: what a lot cost, where it came from, both sides of the balance.

These describe; answers are built as plain data elsewhere. A key named here is never renamed, keys may be added.
"""

from __future__ import annotations

from marshmallow import fields

from service.schemas.analytic_answers import Answer, Leftover
from service.schemas.answers import Described, MoneyAnswer, count, many, number, text


class UnpricedLine(Described):
    """Something whose cost is not known, and why."""

    name = fields.String(required=True, metadata={"description": "the code of the lot, material or rate"})
    of = fields.String(required=True, metadata={"description": "lot, material or exchange-rate"})
    reason = fields.String(required=True)


class CountedAmount(Described):
    """An amount, in the unit that its lot is counted in."""

    amount_g = number("amount_ml or amount_mol where the lot is counted so")
    amount_ml = number()
    amount_mol = number()


class UsedAmount(CountedAmount):
    """An amount of a material, of labour or of energy: one of these."""

    amount_h = number()
    amount_kwh = number()


class LotInput(CountedAmount):
    """What went into a lot from another one, and what of its cost the lot carries."""

    lot = fields.String(required=True)
    material = fields.String(required=True)
    cost = number("null where it, or anything behind it, is unpriced")


class RecordNamed(Described):
    """A record, by its kind and code."""

    kind = fields.String(required=True)
    code = fields.String(required=True)


class LotCostAnswer(Answer):
    """What a lot cost when it was made."""

    lot = fields.String(required=True)
    material = fields.String(required=True)
    currency = fields.String(required=True)
    made_on = text()
    made_from = fields.Nested(RecordNamed, data_key="from", metadata={"description": "the record that put it there"})
    amount_g = number("amount_ml or amount_mol where the lot is counted so")
    amount_ml = number()
    amount_mol = number()
    shared_by = text("how its run's cost was shared: stated, credit, value or contained; null where nothing was shared")
    cost_per_g = number("per gram as isolated, dry: what was traced into the lot, without the failures of any step")
    cost_per_g_good_runs = number("the same")
    cost_per_g_loaded = number("with the failures of the steps behind it; where loaded=true asks for it")
    cost_per_contained_g = number()
    cost_per_g_at_least = number("the part that is priced")
    cost_per_contained_g_at_least = number()
    total = fields.Nested(MoneyAnswer, allow_none=True, metadata={"description": "what all of the lot cost"})
    total_at_least = fields.Nested(MoneyAnswer)
    unpriced = many(UnpricedLine)
    inputs = many(LotInput)
    direct = fields.Nested(MoneyAnswer, metadata={"description": "what its run paid beside its lots, the lot's part"})
    not_counted = fields.List(fields.String())


class RunInput(CountedAmount):
    """What a run took from a lot, and what that was worth."""

    lot = fields.String(required=True)
    material = fields.String(required=True)
    cost = fields.Nested(MoneyAnswer, allow_none=True)


class RunDirect(UsedAmount):
    """What a run used beside its lots, and what that cost."""

    of = fields.String(required=True, metadata={"description": "material, labour, energy, waste or consumables"})
    material = text()
    cost = fields.Nested(MoneyAnswer, allow_none=True, metadata={"description": "null where not known or not counted"})


class RunOutturn(Described):
    """What a lot carries of the cost of the run that made it."""

    lot = text("null where it went on no shelf and was handed over")
    material = fields.String(required=True)
    product = fields.Boolean()
    amount_g = number("amount_ml where the lot is counted so")
    amount_ml = number()
    amount_mol = number()
    shared_by = text("stated, credit, value or contained; null where nothing was shared")
    cost = fields.Nested(MoneyAnswer, allow_none=True)
    cost_at_least = fields.Nested(MoneyAnswer)


class RunCostAnswer(Answer):
    """What a run cost, and where that went."""

    run = fields.String(required=True)
    route = fields.String()
    step = fields.String()
    status = fields.String()
    project = text()
    operator = text()
    day = text("when it was finished, else begun")
    currency = fields.String(required=True)
    cost_per_g = number("what its product carries, per gram as isolated, dry")
    cost_per_g_at_least = number("the part that is priced")
    cost_per_contained_g = number()
    cost_per_contained_g_at_least = number()
    total = fields.Nested(MoneyAnswer, allow_none=True, metadata={"description": "all that it took and paid"})
    total_at_least = fields.Nested(MoneyAnswer)
    made = fields.Nested(MoneyAnswer, metadata={"description": "what of it the lots carry that it made"})
    failures = fields.Nested(MoneyAnswer)
    abandoned = fields.Nested(MoneyAnswer)
    work_in_progress = fields.Nested(MoneyAnswer, metadata={"description": "all of it until the run is finished"})
    inputs = many(RunInput)
    direct = many(RunDirect)
    outturns = many(RunOutturn)
    unpriced = many(UnpricedLine)
    not_counted = fields.List(fields.String())
    notes = fields.List(fields.String())


class Behind(CountedAmount):
    """A bought or opened lot behind a gram."""

    lot = fields.String(required=True)
    material = fields.String(required=True)
    cost = number("null where it, or anything behind it, is unpriced")


class BesideLots(UsedAmount):
    """What runs behind a gram used without a lot: materials, labour, energy, waste, consumables."""

    of = fields.String(required=True, metadata={"description": "material, labour, energy, waste or consumables"})
    material = text()
    cost = number("null where it is not known or not counted")


class Genealogy(Described):
    """Lots and runs, and which came from which."""

    nodes = fields.List(fields.Dict())
    edges = fields.List(fields.Dict())
    more = count("lots and records that are not shown; going down, lots")


class AncestryAnswer(Answer):
    """Where a lot came from, and where it went."""

    lot = fields.String(required=True)
    material = fields.String(required=True)
    currency = fields.String()
    per = text("what the amounts are behind: a dry gram, or a ml or mol where its grams are not known")
    behind_a_gram = many(Behind)
    beside_lots = many(BesideLots)
    direct_cost = number("what the runs behind a gram paid beside their lots")
    waste_g = number("grams of waste behind a gram")
    unpriced = many(UnpricedLine)
    up = fields.Nested(Genealogy)
    down = fields.Nested(Genealogy)


class LedgerSources(Described):
    """What came into the books."""

    opening = fields.Nested(MoneyAnswer)
    purchases = fields.Nested(MoneyAnswer)
    direct = fields.Nested(MoneyAnswer, metadata={"description": "what runs paid beside the lots that they took"})


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
    stock = fields.Nested(MoneyAnswer, metadata={"description": "an overdrawn lot counts below zero"})


class BreachLine(Described):
    """An event or a lot at which the two sides part."""

    of = fields.String(required=True)
    code = fields.String(required=True)
    difference = fields.Nested(MoneyAnswer)


class NotCounted(Described):
    """Something that is not in the figures, and how many runs it concerns."""

    name = fields.String(required=True)
    runs = count()


class LedgerBalanceAnswer(Answer):
    """Sources equal uses."""

    currency = fields.String(required=True)
    sources = fields.Nested(LedgerSources)
    uses = fields.Nested(LedgerUses)
    difference = fields.Nested(MoneyAnswer)
    unpriced = many(UnpricedLine, "what counts nothing on either side")
    breaches = many(BreachLine)
    not_counted = many(NotCounted)
    notes = fields.List(fields.String())


class StockLot(Described):
    """What is left of a lot; ``on_hand_ml`` or ``on_hand_mol`` stand in place of grams where it is counted so."""

    lot = fields.String(required=True)
    material = fields.String(required=True)
    project = text("null on the common shelf")
    origin = fields.String()
    on_hand_g = number("below zero where it is overdrawn")
    on_hand_u_g = number("standard uncertainty, from the weighings behind it")
    value = fields.Nested(MoneyAnswer, allow_none=True)
    value_at_least = fields.Nested(MoneyAnswer)
    received_on = text()
    age_days = fields.Integer(allow_none=True)
    expires_on = text()
    expired = fields.Boolean()
    overdrawn = fields.Boolean()
    reasons = fields.Dict(keys=fields.String(), values=fields.String())


class StockMaterial(Described):
    """What is left of all lots of a material."""

    material = fields.String(required=True)
    lots = count()
    on_hand_g = number()
    value = fields.Nested(MoneyAnswer, allow_none=True)
    value_at_least = fields.Nested(MoneyAnswer)
    next_to_expire = text("the first day on which a lot of it expires")
    overdrawn = count("lots below zero")


class StockAnswer(Answer):
    """What is on the shelf."""

    currency = fields.String(required=True)
    materials = many(StockMaterial)
    lots = many(StockLot)
    value = fields.Nested(MoneyAnswer, allow_none=True)
    value_at_least = fields.Nested(MoneyAnswer)
    unpriced = many(UnpricedLine)


class UsedLine(UsedAmount):
    """What one operator used of one thing in a month."""

    month = text("the month in which the runs began; null where nobody dated them")
    operator = text()
    of = fields.String(required=True, metadata={"description": "material, labour, energy, waste or consumables"})
    material = text()
    cost = fields.Nested(MoneyAnswer, allow_none=True)
    runs = count()


class ProjectTotal(Described):
    """All that the runs of a month, or of an operator, took and paid."""

    month = text("of by_month; null where nobody dated the runs")
    operator = text("of by_operator")
    runs = count()
    failed = count()
    abandoned = count()
    cost = fields.Nested(MoneyAnswer, allow_none=True)


class ProjectCostAnswer(Answer):
    """Who used what on a project."""

    project = fields.String(required=True)
    since = fields.Date(data_key="from", allow_none=True)
    currency = fields.String(required=True)
    cost = fields.Nested(MoneyAnswer, allow_none=True, metadata={"description": "all that its runs took and paid"})
    cost_at_least = fields.Nested(MoneyAnswer)
    made = fields.Nested(MoneyAnswer, metadata={"description": "what of it the lots carry that the runs made"})
    failures = fields.Nested(MoneyAnswer)
    abandoned = fields.Nested(MoneyAnswer)
    work_in_progress = fields.Nested(MoneyAnswer)
    used = many(UsedLine)
    by_month = many(ProjectTotal)
    by_operator = many(ProjectTotal)
    cash = fields.Nested(MoneyAnswer, metadata={"description": "paid in that time for lots of the project"})
    leftovers = many(Leftover)
    unpriced = many(UnpricedLine)
    not_counted = fields.List(fields.String())


class LotInSeries(Described):
    """What a lot cost when it came to the shelf; ``cost_per_ml`` or ``cost_per_mol`` beside where it is counted so."""

    lot = fields.String(required=True)
    material = fields.String(required=True)
    came_by = fields.String(metadata={"description": "opening, purchase, run or pool"})
    record = fields.String(metadata={"description": "the code of the record that put it there"})
    route = text()
    step = text()
    on = text("null where nobody dated it")
    amount_g = number("amount_ml or amount_mol where it is counted so")
    cost_per_g = number("per gram as isolated, dry, without the failures of any step")
    total = fields.Nested(MoneyAnswer, allow_none=True)
    reasons = fields.Dict(keys=fields.String(), values=fields.String())


class OfferInSeries(Described):
    """What a supplier asked from a day on, as it is sold."""

    offer = fields.String(required=True)
    material = fields.String(required=True)
    supplier = fields.String(required=True)
    valid_from = text()
    valid_to = text()
    currency = fields.String()
    unit = fields.String(metadata={"description": "g, ml or mol"})
    price_per_unit = number()


class PriceSeriesAnswer(Answer):
    """Costs of lots and prices of offers over time."""

    currency = fields.String(required=True)
    costs = many(LotInSeries)
    offers = many(OfferInSeries)
