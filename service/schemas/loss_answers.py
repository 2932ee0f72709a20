"""The answers about where material and money go. A key named here is never renamed, keys may be added."""

from __future__ import annotations

from marshmallow import fields

from service.schemas.analytic_answers import Answer
from service.schemas.answers import Described, count, many, number, text, why_null


def _why_null() -> fields.Dict:
    return fields.Dict(keys=fields.String(), values=fields.String(), metadata={"description": "why a key is null"})


class LossAmounts(Described):
    """Contained product not obtained, over the runs and per gram of final product, dry."""

    lost_g = number("over the runs")
    lost_mol = number("over the runs")
    cost = number("the part of what went into the runs, at the standard cost")
    lost_g_per_g = number("per gram of final product")
    lost_mol_per_g = number("per gram of final product")
    cost_per_g = number("what a gram of final product would cost less at the limit")


class LossAgainst(LossAmounts):
    """The loss against one limit: that of failed runs and that of low yields sum to it."""

    share = number("lost of what the limit allows, a fraction")
    failed_runs = fields.Nested(LossAmounts)
    low_yields = fields.Nested(LossAmounts)


class Returned(Described):
    """What was recovered of a material; the cost of a gram counts it already, where the route takes it in again."""

    material = fields.String(required=True)
    net_g = number("as weighed")
    contained_g = number()
    as_product_g = number("product that recovered key input can still give")
    worth_per_g = number("what a gram of it costs as an input")
    cost = number("its worth over the runs")
    cost_per_g = number("its worth behind a gram of final product")
    reasons = _why_null()


class LossRuns(Described):
    """The runs that a step's losses are counted over."""

    counted = count("finished and not left out")
    failed = count("nothing usable; among the losses")


class StepLosses(Described):
    """What a step loses."""

    step = fields.String(required=True)
    name = text()
    basis = text()
    product = text()
    runs = fields.Nested(LossRuns)
    theoretical_g = number("what the runs could have given, failed ones among them")
    contained_g = number("what they gave, as recorded")
    counts_as_g = number("the same, with a run above its limit taken as 0.98 of it: what the losses are counted from")
    best_run = text("the best run so far, of every period; none above 1")
    best_yield = number()
    against_limit = fields.Nested(LossAgainst)
    against_best = fields.Nested(LossAgainst)
    recovered = many(Returned)
    reasons = _why_null()


class ComparedPeriod(Described):
    """One of two periods."""

    from_day = fields.String(data_key="from", allow_none=True, metadata={"format": "date"})
    to_day = fields.String(data_key="to", metadata={"format": "date"})
    cost_per_g = number("standard cost by the runs of the period, at the prices of its last day")
    runs = count("runs counted, failed ones among them")
    reasons = _why_null()


class Comparison(Described):
    """What the change from one period to another comes of."""

    before = fields.Nested(ComparedPeriod)
    after = fields.Nested(ComparedPeriod)
    change_per_g = number("the sum of the parts in change")
    by_kind = fields.Dict(
        keys=fields.String(),
        values=fields.Float(),
        allow_none=True,
        metadata={"description": "the parts summed by kind"},
    )
    reasons = _why_null()


class ChangePart(Described):
    """A part of the change of the cost of a gram."""

    step = fields.String(required=True)
    kind = fields.String(
        required=True,
        metadata={"enum": ["yield", "strength", "dryness", "price", "use", "direct", "not-shared"]},
    )
    of = text("the material or cost that it is of")
    before = number("the yield, price or use then")
    after = number()
    cost_per_g = number()
    reasons = why_null("why a part is not shared")


class LossesAnswer(Answer):
    """Where material and money are lost, by step."""

    route = fields.String(required=True)
    product = text()
    from_day = fields.String(data_key="from", allow_none=True, metadata={"format": "date"})
    to_day = fields.String(data_key="to", metadata={"format": "date"})
    currency = fields.String(required=True)
    cost_per_g = number("standard cost of the period; null where anything is unpriced")
    steps = many(StepLosses)
    comparison = fields.Nested(Comparison, allow_none=True)
    change = many(ChangePart)
    not_counted = fields.List(fields.String())
    capped_runs = fields.List(fields.String(), metadata={"description": "runs above their limit, counted as 0.98"})


class MassFigures(Described):
    """The figures of a step or of the chain; masses over masses, product dry as isolated."""

    product = text()
    atom_economy = number("product over all reactants, by the equation")
    reaction_mass_efficiency = number("product over reagents, water of the reaction among them")
    reaction_mass_efficiency_without_water = number()
    e_factor = number("waste over product, everything that went in counted")
    e_factor_without_water = number()
    e_factor_without_water_and_solvents = number()
    process_mass_intensity = number("all that went in over product: the E-factor and 1")
    process_mass_intensity_without_water = number()
    process_mass_intensity_without_water_and_solvents = number()
    reasons = _why_null()


class StepMassMetrics(MassFigures):
    """The mass metrics of a step over its runs."""

    step = fields.String(required=True)
    name = text()
    basis = text()
    runs = fields.Nested(LossRuns)
    product_g = number("dry, as isolated")
    counts_as_g = number("the same, with a run above its theoretical amount taken as 0.98 of it")
    went_in_g = number("gross, as charged, to failed runs too")
    recovered_g = number("as weighed; not taken off what went in")
    co_product_g = number("as weighed")
    recorded_waste_g = number("as weighed; the rest of the waste was not weighed")


class ChainMassMetrics(MassFigures):
    """The mass metrics of the whole route, behind a gram of its product."""

    recovered_g_per_g = number("recovered behind a gram of product")
    recorded_waste_g_per_g = number("weighed out as waste behind a gram of product")


class WasteOfMonth(Described):
    """What was weighed out as waste of one class in one month."""

    month = text("year and month; null where a run has no date")
    waste_class = text("null where none was stated")
    net_g = number()
    materials = fields.List(fields.String())
    runs = count()
    reasons = _why_null()


class MetalInStep(Described):
    """Where a metal went that was charged to a step, in g of the element."""

    step = fields.String(required=True)
    element = fields.String(required=True)
    heavy = fields.Boolean(metadata={"description": "a heavy metal by the list of metals_source"})
    charged_g = number()
    in_product_g = number()
    in_co_products_g = number()
    in_recovered_g = number()
    in_waste_g = number("in what was weighed out as waste, by its formula")
    to_waste_g = number("by mass balance: charged, less product, co-products and recovered")
    unaccounted_g = number("to_waste_g less in_waste_g")
    not_told = fields.List(
        fields.String(), metadata={"description": "materials without a formula: what metals they hold is not known"}
    )
    reasons = _why_null()


class MassMetricsAnswer(Answer):
    """How much of what went in came out as product, and what became of the rest."""

    route = fields.String(required=True)
    product = text()
    steps = many(StepMassMetrics)
    chain = fields.Nested(ChainMassMetrics)
    waste = many(WasteOfMonth)
    metals = many(MetalInStep)
    metals_source = text("which elements count as metals, and by whose list")
    capped_runs = fields.List(fields.String(), metadata={"description": "runs above their limit, counted as 0.98"})
    notes = fields.List(fields.String(), metadata={"description": "how failures, water and recovered material count"})
