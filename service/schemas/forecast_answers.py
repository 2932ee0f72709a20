"""The answers about forecasts: the next run of a step, and the record of past ones.

These describe; answers are built as plain data elsewhere. A key named here is never renamed, keys may be added.
"""

from __future__ import annotations

from typing import Any

from marshmallow import fields

from service.schemas.analytic_answers import Answer, CautionAnswer
from service.schemas.answers import Described, count, many, number, text


def by_percent(description: str) -> fields.Dict:
    """Numbers by what was asked, in percent."""
    return fields.Dict(
        keys=fields.String(), values=fields.Float(allow_none=True), metadata={"description": description}
    )


class Bound(Described):
    """What the next run reaches with one probability."""

    probability = fields.Float(required=True)
    yield_fraction = fields.Float(data_key="yield", metadata={"description": "g/g for a mass ratio"})
    contained_g = number("grams of the product's substance; null without key_input")
    dry_g = number("grams of product as isolated, dry")
    as_weighed_g = number("grams of product as the balance shows it")


class ProductGrams(Described):
    """Grams of product by what was asked, in percent."""

    contained = by_percent("grams of the product's substance")
    dry = by_percent("grams of product as isolated, dry")
    as_weighed = by_percent("grams of product as the balance shows it")


class EvidenceCounts(Described):
    """What a forecast rests on, in plain numbers."""

    runs = count("usable and failed")
    usable = count()
    failed = count()
    left_out = count()
    operators = count()
    lots = count("lots of key input")
    effective_runs = number("how many independent runs the usable ones count for; 0 without a run")
    smallest_batch_g = number()
    largest_batch_g = number()
    days_since_last = fields.Integer(strict=True, allow_none=True)
    spread_lent_by_steps = count("steps whose repeated runs lend their spread; 0 where a default stands for them")
    runs_of_other_steps = count("that tell of the chance of failure")
    failures_of_other_steps = count()


class Lowers(Described):
    """Something that makes a forecast worth less."""

    code = fields.String(required=True)
    detail = fields.String(required=True)


class NextRunAnswer(Answer):
    """What the next run of a step gives at least."""

    route = fields.String(required=True)
    step = fields.String(required=True)
    name = text()
    basis = fields.String()
    product = fields.String()
    new_lot = fields.Boolean()
    notes = fields.List(fields.String())
    key_input_g = number()
    at_least = by_percent("yields; at 90: with 90 % probability the next run gives this much or more")
    median = number("the yield that half of the next runs reach, failures among them")
    median_if_usable = number("the same of runs that do not fail")
    chance_of_failure = number("that the next run gives nothing usable")
    product_g = fields.Nested(ProductGrams)
    bounds = many(Bound)
    kind = fields.String(metadata={"enum": ["runs", "opinion", "none"]})
    spread = number("run-to-run standard deviation on the scale of the forecast")
    spread_factor = number("above 1 where past bounds did not hold: by how much the spread is widened")
    evidence = text("what it rests on, in words")
    evidence_counts = fields.Nested(EvidenceCounts)
    lowers_confidence = many(Lowers)
    cautions = many(CautionAnswer)
    not_assessed = fields.List(fields.String())
    standing = text("what the cautions are, and are not")


class KeptBounds(Described):
    """How the bounds of one asked probability came out."""

    bounds_above_0 = count("bounds that promised something")
    held = count("of them reached; a failed run reaches none")
    zero_bounds = count("forecasts that one run cannot give this confidence; counted apart")
    share = number()
    low = number("lower end of the exact interval of the share")
    high = number("upper end of it")
    ceiling = number("upper end of the exact 99 % interval, which the rule looks at")
    holds = fields.Boolean(allow_none=True)


def kept_by_percent() -> fields.Dict:
    """What came of the bounds, by what was asked, in percent."""
    return fields.Dict(keys=fields.String(), values=fields.Nested(KeptBounds))


class RecordOfAll(Described):
    """The record of several steps together."""

    forecasts = count("runs that had runs of their step on earlier days")
    holds = fields.Boolean(allow_none=True)
    bounds: Any = kept_by_percent()
    reasons = fields.Dict(keys=fields.String(), values=fields.String(), metadata={"description": "why a key is null"})


class RecordOfStep(RecordOfAll):
    """The record of one step."""

    route = fields.String(required=True)
    step = fields.String(required=True)
    current = fields.Boolean(metadata={"description": "false for an earlier form of the step"})
    without_runs_before = count("runs that nothing could be forecast from")
    judged_by = fields.String(metadata={"enum": ["its own forecasts", "all steps"]})
    spread_factor = number("by how much the spread of the step's forecasts is widened")


class KeptLine(KeptBounds):
    """The same as a line of a table."""

    route = fields.String(required=True)
    step = fields.String(required=True)
    asked = count("in percent")
    current = fields.Boolean(metadata={"description": "false for an earlier form of the step"})


class PastForecast(Described):
    """One run: what was forecast of it, and what came."""

    run = fields.String(required=True)
    finished_on = fields.Date()
    runs_before = count()
    yield_fraction = fields.Float(data_key="yield", allow_none=True, metadata={"description": "null where it failed"})
    failed = fields.Boolean()
    at_least = by_percent("null where nothing could be forecast")
    held = fields.Dict(keys=fields.String(), values=fields.Boolean(allow_none=True))


class ForecastRecordAnswer(Answer):
    """How often the bounds of past forecasts held."""

    route = text()
    step = text()
    confidence = number("of the intervals of the shares")
    steps = many(RecordOfStep)
    overall = fields.Nested(RecordOfAll)
    bounds = many(KeptLine)
    runs = many(PastForecast, "every run, where one step is asked for")
    rule = text("when and by how much a spread is widened")
