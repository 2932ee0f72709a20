"""The answer of a what-if: today and every scenario side by side. These describe, as all of their kind do."""

from __future__ import annotations

from marshmallow import fields

from service.schemas.analytic_answers import Answer
from service.schemas.answers import Described, MoneyAnswer, count, many, number, text
from service.schemas.plan_answers import Amount, PlanCost


class DifferenceAnswer(Described):
    """How much more there is than today, and how much of that may be the luck of the draws."""

    value = number()
    monte_carlo_u = number("standard uncertainty from the trials, pair by pair; null where it hangs on a few")


class AmountDifference(Described):
    """The same of a material."""

    material = fields.String(required=True)
    amount_g = number()
    monte_carlo_u = number()


class LuckAnswer(Described):
    """Standard uncertainties of differences from the number of trials: 0 where nothing of them rests on the draws,
    null where they hang on a few trials."""

    cash = number("whole packs move in steps: from the plan searched anew where luck would have it")
    target_g = number("0 where the target is given")
    batches = number()
    hands_on_h = number()
    elapsed_h = number()


class DifferencesAnswer(Described):
    """What a scenario has more than today."""

    starting_materials = many(AmountDifference)
    p_reach = fields.Nested(DifferenceAnswer, allow_none=True)
    consumed_estimate = fields.Nested(DifferenceAnswer, allow_none=True)
    per_g_expected = fields.Nested(DifferenceAnswer, allow_none=True)
    cash = fields.Nested(MoneyAnswer, allow_none=True)
    target_g = number()
    batches = fields.Integer(allow_none=True)
    hands_on_h = number()
    elapsed_h = number()
    monte_carlo_u = fields.Nested(LuckAnswer, metadata={"description": "of the differences that are plain values"})
    currency = fields.String()
    reasons = fields.Dict(keys=fields.String(), values=fields.String(), metadata={"description": "why a key is null"})


class StepBatches(Described):
    """A step's planned batches."""

    step = fields.String(required=True)
    key_input_g = number()
    batches = count()
    spare_batches = count()
    batch_g = number()


class PlanFigures(Described):
    """A plan as it is put beside others; all null where none can be made, with the reason."""

    route = text()
    product = text()
    target_g = number()
    near_edge = fields.Raw(allow_none=True, metadata={"description": "that one more batch would make it surer"})
    confidence = number()
    starting_materials = fields.List(fields.Nested(Amount), allow_none=True)
    p_reach = number()
    p_max = number()
    monte_carlo_u = number("standard uncertainty of p_reach")
    cost = fields.Nested(PlanCost, allow_none=True)
    steps = fields.List(fields.Nested(StepBatches), allow_none=True)
    batches = fields.Integer(allow_none=True, metadata={"description": "of all steps together"})
    hands_on_h = number()
    elapsed_h = number()
    runs_out_first = text("where it was asked for backwards")
    kept_small = fields.List(
        fields.String(), metadata={"description": "cautions whose stop keeps the batches within the record"}
    )
    reasons = fields.Dict(keys=fields.String(), values=fields.String(), metadata={"description": "why a key is null"})


class ScenarioAnswer(PlanFigures):
    """One scenario's plan, and how it differs from today's."""

    name = fields.String(required=True)
    difference = fields.Nested(DifferencesAnswer, allow_none=True)


class WhatIfAnswer(Answer):
    """Today's plan and the scenarios' beside it, all on the same draws."""

    route = fields.String(required=True)
    product = fields.String()
    planned_for = fields.String(metadata={"enum": ["target", "budget", "from_stock"]})
    trials = count()
    currency = fields.String()
    today = fields.Nested(PlanFigures)
    scenarios = many(ScenarioAnswer)
