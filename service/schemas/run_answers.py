"""Answers over the runs of many steps: statistics in any grouping, and flat series for people who plot."""

from __future__ import annotations

from marshmallow import fields

from service.schemas.analytic_answers import Answer, LeftOut, StepStatistics
from service.schemas.answers import Described, count, many, number, text, why_null


class GroupCounts(Described):
    """How many runs of a group there are, by what they count for."""

    counted = count("finished and not left out")
    failed = count("nothing usable")
    abandoned = count("for an outside reason")
    open = count("not weighed out yet")
    left_out_count = count("by their record, or because their theoretical amount is not known")
    left_out = many(LeftOut, "those of them that are named: at most 200 in an answer")


class GroupStatistics(StepStatistics):
    """The runs of one group; ``by`` says which, null where nothing was written."""

    class Meta:
        """A group is named by what it is of, and forecasts nothing."""

        exclude = ("step", "next_run")

    by = fields.Dict(keys=fields.String(), required=True)
    runs = fields.Nested(GroupCounts)


class GroupedYieldsAnswer(Answer):
    """Statistics of runs in a grouping."""

    by = fields.List(fields.String())
    groups = many(GroupStatistics)


class RunInSeries(Described):
    """One run on a line; null where a figure is not known."""

    run = text()
    route = text()
    step = text()
    basis = text()
    day = text("when it was finished, else begun")
    status = text()
    left_out = fields.Boolean(metadata={"description": "left out of statistics by its record"})
    operator = text()
    project = text()
    key_lot = text("the lot that most of the key input came from")
    batch_g = number("gross grams of key input")
    theoretical_g = number()
    contained_g = number()
    net_g = number()
    yield_fraction = fields.Float(data_key="yield", allow_none=True, metadata={"description": "isolated, a fraction"})
    yield_u = number("standard uncertainty of the yield, from the weighings")


class RunSeriesAnswer(Answer):
    """Every run that passes the filter, by step and day, without pages."""

    runs = many(RunInSeries)


class CostInSeries(Described):
    """What one finished run cost, on a line, in the currency of the answer; null where that is not known."""

    run = text()
    route = text()
    step = text()
    day = text("when it was finished, else begun")
    left_out = fields.Boolean(metadata={"description": "left out of statistics by its record, never of cost"})
    operator = text()
    project = text()
    product_lot = text("the largest lot of product that it made; null where that went on no shelf")
    cost = number("all that it took and paid")
    cost_per_g = number("what its product carries of that, per gram as isolated, dry")
    cost_per_contained_g = number()
    cost_at_least = number("the part that is priced")
    cost_per_g_at_least = number()
    reasons = why_null()


class CostSeriesAnswer(Answer):
    """Every finished run that passes the filter, by step and day, without pages."""

    currency = text()
    runs = many(CostInSeries)


class YieldInSeries(Described):
    """The counted runs of one step in one stretch of time."""

    route = text()
    step = text()
    basis = text()
    from_day = fields.String(data_key="from", metadata={"description": "its first day"})
    counted = count("runs")
    failed = count("runs that gave nothing usable")
    mean = number()
    median = number()
    q1 = number()
    q3 = number()
    ratio_of_totals = number("failed runs included")


class YieldSeriesAnswer(Answer):
    """Yields of steps over time, a line for every stretch that has runs."""

    every = text()
    yields = many(YieldInSeries)
