"""The answers about one step: its history on a chart, and what its yield goes with.

These describe; answers are built as plain data elsewhere. A key named here is never renamed, keys may be added.
"""

from __future__ import annotations

from marshmallow import fields

from service.schemas.analytic_answers import Answer
from service.schemas.answers import Described, count, many, number, text


def _reasons() -> fields.Dict:
    return fields.Dict(keys=fields.String(), values=fields.String(), metadata={"description": "why a key is null"})


class TrendPoint(Described):
    """One run on the chart."""

    run = fields.String(required=True)
    finished_on = text()
    yield_fraction = fields.Float(data_key="yield", allow_none=True)
    yield_u = number("standard uncertainty of the yield, from the weighings")
    moving_range = number("distance from the run before; null for the first")
    batch_g = number("gross grams of key input")
    operator = text()
    beyond = fields.Boolean(metadata={"description": "outside the limits"})
    rules = fields.List(fields.String(), metadata={"description": "the run rules that this run completes"})


class Outlier(Described):
    """A run further from the mean than chance lets one be."""

    run = fields.String(required=True)
    yield_fraction = fields.Float(data_key="yield")
    g = number("distance from the mean in standard deviations")
    critical = number("the distance that one history in 20 exceeds by chance")
    p = number()
    detail = text()


class Slope(Described):
    """A slope with its 90 % interval."""

    slope = number()
    low = number()
    high = number()
    p = number("probability of a slope as steep by chance")
    p_corrected = number("the same, all slopes of the answer having been asked")
    runs = count()
    reasons = _reasons()


class TrendAnswer(Answer):
    """The history of a step: individuals and moving ranges."""

    route = fields.String(required=True)
    step = fields.String(required=True)
    basis = fields.String()
    centre = number()
    lower = number("cut to 0 where the basis has limits")
    upper = number("cut to 1 where the basis has limits")
    sigma = number("mean moving range over 1.128")
    mean_moving_range = number()
    provisional = fields.Boolean(metadata={"description": "fewer than 8 runs"})
    points = many(TrendPoint)
    rules = fields.Dict(
        keys=fields.String(), values=fields.String(), metadata={"description": "the run rules, in words"}
    )
    outliers = many(Outlier)
    slopes = fields.Dict(keys=fields.String(), values=fields.Nested(Slope))
    likely_slips = fields.List(
        fields.String(),
        metadata={"description": "runs whose yield looks like a slip of writing; they count all the same"},
    )
    failed = count("runs that gave nothing, and are on no chart of yields")


class Factor(Described):
    """One grouping of the runs, judged alone."""

    factor = fields.String(
        required=True, metadata={"description": "operator, month, lot:MATERIAL or supplier:MATERIAL"}
    )
    material = text()
    judged_over = fields.String(metadata={"enum": ["runs", "lots"]})
    groups = count()
    runs = count("runs that have a group")
    runs_without = count("runs that have none")
    between_sd = number("standard deviation between groups, of ln yield")
    within_sd = number("standard deviation within a group, of ln yield")
    share = number("part of the variance that lies between groups; shares of several groupings do not add up")
    p = number("probability of groups as far apart by chance")
    p_corrected = number("the same, all groupings of the answer having been asked")
    found = fields.Boolean(allow_none=True, metadata={"description": "whether p_corrected is below 0.05"})
    confounded_with = fields.List(
        fields.String(), metadata={"description": "groupings whose effects would show as effects of this one"}
    )
    reasons = _reasons()


class Effect(Described):
    """What a group does beside the others of its grouping."""

    factor = fields.String(required=True)
    group = fields.String(required=True)
    runs = count()
    mean_yield = number()
    ratio = number("yield of the group over that of the others, drawn in by how little is known of it")
    ratio_u = number("its standard uncertainty")
    low = number("lower end of its 90 % interval")
    high = number("upper end of its 90 % interval")
    detail = text()


class ConfoundedAnswer(Described):
    """Two groupings that cannot be told apart."""

    groupings = fields.List(fields.String(), required=True)
    association = number("Cramér's V, corrected for chance: 1 where one grouping follows from the other")
    apart = number("part of the differences that is left of the one once the other is allowed for")
    runs = count()
    detail = text()


class DriversAnswer(Answer):
    """What the yield of a step goes with."""

    route = fields.String(required=True)
    step = fields.String(required=True)
    basis = fields.String()
    factors = many(Factor)
    effects = many(Effect)
    confounded = many(ConfoundedAnswer)
    likely_slips = fields.List(
        fields.String(),
        metadata={"description": "runs whose yield looks like a slip of writing; they count all the same"},
    )
    measurement_share = number("mean squared weighing uncertainty over the variance of the yields")
    process_share = number("what is left of the variance")
    shares_add = fields.Boolean(metadata={"description": "false: each grouping is judged alone"})
    notes = fields.List(fields.String())
