"""What the documentation says of bodies and answers is valid OpenAPI 3.1, and every key of an answer is in it."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from typing import Any

import pytest
from apispec import APISpec
from apispec.ext.marshmallow import MarshmallowPlugin
from marshmallow import Schema, fields
from openapi_spec_validator import validate

import service.schemas
from service.schemas import (
    analytic_answers,
    answers,
    ledger_answers,
    loss_answers,
    plan_answers,
    run_answers,
    trend_answers,
)
from service.schemas.kinds import KINDS, SCHEMAS
from tests.schemas.bodies import BODIES

STAMP = {"revision": 3, "state": 17, "at": "2026-04-12T10:00:00Z", "by": "m1"}

ANSWERS = [
    importlib.import_module(found.name)
    for found in pkgutil.iter_modules(service.schemas.__path__, "service.schemas.")
    if found.name.endswith("answers")
]

# The keys that clients build on: an answer by its schema, nested keys behind a dot.
PROMISED: dict[type[Schema], str] = {
    answers.ProblemAnswer: "type title status detail faults.pointer faults.parameter faults.line faults.column "
    "faults.code faults.received faults.expected faults.detail",
    answers.Page: "items next limit",
    answers.MaterialAnswer: "molar_mass_g_per_mol molar_mass_u_g_per_mol elements revision state at by code",
    answers.RunAnswer: "result.limiting_reagent result.theoretical_g result.net_g result.contained_g result.yield "
    "result.yield_u result.crude_yield result.recovered_basis_yield result.mass_balance result.charges.contained_g "
    "result.charges.contained_mol result.charges.equivalents result.charges.stoichiometric_ratio result.cost "
    "result.cost_per_g findings.code findings.detail findings.odds",
    analytic_answers.YieldsAnswer: "route steps.step steps.basis steps.runs.counted steps.runs.failed "
    "steps.runs.abandoned steps.runs.open steps.runs.left_out.run steps.runs.left_out.reason steps.mean steps.sd "
    "steps.median steps.q1 steps.q3 steps.min steps.max steps.ratio_of_totals steps.ratio_low steps.ratio_high "
    "steps.ratio_usable steps.failure_rate steps.weighing_u steps.next_run.at_least steps.next_run.evidence "
    "overall.ratio_of_totals overall.product_per_key_input_g_per_g rests_on",
    analytic_answers.CostAnswer: "route basis currency cost_per_g low high cost_per_g_good_runs cost_per_contained_g "
    "cash_per_g labour_h_per_g unpriced cost_per_g_at_least by_step.step by_step.cost_per_g by_step.leak_per_g "
    "by_material.material by_material.cost_per_g buy_instead.offer buy_instead.cost_per_g rests_on",
    plan_answers.PlanAnswer: "route target_g confidence p_reach p_max monte_carlo_u starting_materials.material "
    "starting_materials.amount_g steps.step steps.key_input_g steps.batches steps.spare_batches "
    "steps.expected_product_g materials.material materials.need_g materials.on_hand_g materials.to_buy_g "
    "materials.packs.offer materials.packs.count materials.packs.cash.amount at_the_mean.starting_materials.amount_g "
    "at_the_mean.p_reach cost.consumed_estimate cost.cash.currency cost.per_g_expected cost.currency cautions.level "
    "cautions.code cautions.step cautions.detail not_assessed rests_on",
    loss_answers.LossesAnswer: "route currency cost_per_g steps.step steps.theoretical_g steps.contained_g "
    "steps.against_limit.lost_g steps.against_limit.lost_mol steps.against_limit.cost steps.against_limit.cost_per_g "
    "steps.against_limit.failed_runs.cost_per_g steps.against_best.low_yields.lost_g steps.recovered.as_product_g "
    "comparison.before.cost_per_g comparison.change_per_g change.step change.kind change.cost_per_g rests_on",
    loss_answers.MassMetricsAnswer: "route steps.step steps.atom_economy steps.reaction_mass_efficiency steps.e_factor "
    "steps.e_factor_without_water steps.process_mass_intensity_without_water_and_solvents chain.atom_economy "
    "chain.process_mass_intensity waste.month waste.waste_class waste.net_g metals.step metals.element "
    "metals.to_waste_g rests_on",
    ledger_answers.LotCostAnswer: "lot currency cost_per_g cost_per_g_good_runs total.amount unpriced shared_by",
    ledger_answers.RunCostAnswer: "run currency cost_per_g cost_per_contained_g total.amount inputs.lot inputs.cost "
    "direct.of direct.cost outturns.lot outturns.cost made failures abandoned work_in_progress unpriced",
    ledger_answers.AncestryAnswer: "lot behind_a_gram.lot behind_a_gram.amount_g behind_a_gram.cost "
    "up.nodes down.edges",
    ledger_answers.LedgerBalanceAnswer: "currency sources.opening sources.purchases sources.direct uses.delivered "
    "uses.failures uses.abandoned uses.work_in_progress uses.samples uses.adjustments uses.write_offs uses.disposals "
    "uses.stock difference.amount",
    ledger_answers.StockAnswer: "lots.lot lots.material lots.project lots.on_hand_g lots.on_hand_u_g lots.value.amount "
    "lots.age_days lots.expires_on lots.overdrawn materials.material materials.on_hand_g materials.value value "
    "rests_on",
    ledger_answers.ProjectCostAnswer: "project currency cost made failures abandoned work_in_progress used.month "
    "used.operator used.material used.amount_g used.cost by_month.cost by_operator.cost cash leftovers.lot rests_on",
    trend_answers.TrendAnswer: "step centre lower upper provisional points.run points.finished_on points.yield "
    "points.beyond points.rules outliers slopes",
    trend_answers.DriversAnswer: "route step factors.factor factors.share factors.found effects.group effects.ratio "
    "effects.low effects.high confounded.groupings measurement_share process_share shares_add rests_on",
    run_answers.GroupedYieldsAnswer: "groups.by groups.mean rests_on",
    run_answers.CostSeriesAnswer: "currency runs.run runs.day runs.step runs.product_lot runs.cost runs.cost_per_g "
    "runs.reasons",
}


def described() -> list[type[Schema]]:
    """Every schema that the modules of answers define."""
    found = [
        thing
        for module in ANSWERS
        for thing in vars(module).values()
        if inspect.isclass(thing) and issubclass(thing, Schema) and thing.__module__ == module.__name__
    ]
    return [*found, *answers.PAGES.values()]


def keys(schema: Schema, before: str = "") -> set[str]:
    """Every key of a schema and of those inside it."""
    found: set[str] = set()
    for name, field in schema.fields.items():
        key = before + (field.data_key or name)
        found.add(key)
        inner: Any = field.inner if isinstance(field, fields.List) else field
        if isinstance(inner, fields.Nested):
            found |= keys(inner.schema, f"{key}.")
    return found


def test_the_description_is_valid() -> None:
    spec = APISpec("Weighbook", "1", "3.1.0", plugins=[MarshmallowPlugin()])
    known: set[str] = set()
    for schema in [*SCHEMAS.values(), *described()]:
        name = schema.__name__.removesuffix("Schema")
        if name not in spec.components.schemas:
            spec.components.schema(name, schema=schema)
        known.add(name)
    document = {**spec.to_dict(), "paths": {}}
    validate(document)
    shapes = document["components"]["schemas"]
    assert known <= shapes.keys()
    assert shapes["Run"]["additionalProperties"] is False
    assert shapes["Run"]["properties"].keys() == SCHEMAS["runs"]().keys.keys()
    assert shapes["Lot"]["properties"]["amount"]["oneOf"][0] == {"type": "string"}


@pytest.mark.parametrize("schema", list(PROMISED), ids=lambda schema: schema.__name__)
def test_promised_keys(schema: type[Schema]) -> None:
    missing = set(PROMISED[schema].split()) - keys(schema())
    assert not missing


@pytest.mark.parametrize("kind", KINDS)
def test_a_record_is_read_as_it_was_written_with_its_stamp(kind: str) -> None:
    answer = {**BODIES[kind], **STAMP, "code": "a-1", "a_later_key": 1}
    assert answers.RECORD_ANSWERS[kind]().validate(answer) == {}
    page = {"items": [answer], "next": None, "limit": 50}
    assert answers.PAGES[kind]().validate(page) == {}
    assert "revision" in answers.RECORD_ANSWERS[kind]().validate(BODIES[kind])
