"""Published mass metrics, asked of the service: the preparation is written as a route and a run, and the figures read.

1-bromobutane from the teaching module of the University of Scranton, printed to whole percents; the epoxide's masses
are published, and what follows from them was worked out by hand of the definitions, to one part in a thousand.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.published.records import all_records, half_digit, reaction_of

RECORDS = {record["id"]: record for record in all_records("green_metrics")}
FORMULAS = {"butanol": "C4H9OH", "R:2-chlorocyclohexanol": "C6H11ClO", "R:NaOH": "NaOH", "water": "H2O"}
EPOXIDE = "C6H11ClO + NaOH -> C6H10O + NaCl + H2O"


def metrics(client: FlaskClient, equation: str, charges_g: Mapping[str, float], product_g: float) -> dict[str, Any]:
    """The figures of one step by an equation, whose first reactant is the key input and first product the product."""
    reaction = reaction_of(equation)
    codes = {formula: f"m-{formula}" for formula in (*reaction.reactants, *reaction.products)}
    key, product = (codes[next(iter(side))] for side in (reaction.reactants, reaction.products))
    for formula, code in codes.items():
        put(client, f"materials/{code}", {"name": formula, "formula": formula, "solvent": formula == "H2O"})
    sides = {
        "reactants": {codes[formula]: nu for formula, nu in reaction.reactants.items()},
        "products": {codes[formula]: nu for formula, nu in reaction.products.items()},
    }
    step = {"code": "s", "name": "step", "basis": "stoichiometric", "key_input": key, "product": product}
    put(client, "routes/r", {"name": "route", "product": product, "steps": [{**step, "reaction": sides}]})
    charges = [
        {"material": codes[FORMULAS.get(name, name)], "amount": f"{mass_g} g"} for name, mass_g in charges_g.items()
    ]
    outturns = [{"material": product, "net": f"{product_g} g"}]
    run = {"route": "r", "step": "s", "status": "finished", "finished_on": "2026-02-03"}
    put(client, "runs/run", {**run, "charges": charges, "outturns": outturns})
    told = client.get("/v1/routes/r/mass-metrics")
    assert told.status_code == 200, told.data
    answer: dict[str, Any] = told.get_json()
    (line,) = answer["steps"]
    # A chain of one step is that step.
    shared = {name for name in answer["chain"] if name in line} - {"product", "reasons"}
    assert len(shared) == 9
    assert {name: answer["chain"][name] for name in shared} == pytest.approx({name: line[name] for name in shared})
    return line  # type: ignore[no-any-return]


def put(client: FlaskClient, path: str, body: dict[str, Any]) -> None:
    told = client.put(f"/v1/{path}", json=body)
    assert told.status_code == 201, told.data


def test_bromobutane(client: FlaskClient) -> None:
    inputs, expected = (RECORDS["GM-CANN-1-BROMOBUTANE"][name] for name in ("inputs", "expected"))
    found = metrics(client, inputs["equation"], inputs["charges_g"], inputs["product_g"])
    printed = expected["atom_economy_percent"]
    assert found["atom_economy"] * 100 == pytest.approx(printed, abs=half_digit(printed, 2))
    printed = expected["RME_percent_1_20_over_4_13"]
    assert found["reaction_mass_efficiency"] * 100 == pytest.approx(printed, abs=half_digit(printed))
    assert found["process_mass_intensity"] == pytest.approx(found["e_factor"] + 1)


def test_cyclohexene_oxide_with_water_and_without(client: FlaskClient) -> None:
    inputs, expected = (RECORDS["GM-FULL-CYCLOHEXENE-OXIDE"][name] for name in ("inputs", "expected"))
    found = metrics(client, EPOXIDE, inputs["charges_g"], inputs["product_g"])
    assert found["process_mass_intensity"] == pytest.approx(expected["PMI"], rel=1e-3)
    assert found["e_factor"] == pytest.approx(expected["E"], rel=1e-3)
    assert found["e_factor_without_water"] == pytest.approx(expected["E_without_water"], rel=1e-3)
    assert found["reaction_mass_efficiency"] * 100 == pytest.approx(expected["RME_percent"], rel=1e-3)


@pytest.mark.parametrize("table", ["steps", "waste", "metals"])
def test_each_table_as_csv(client: FlaskClient, table: str) -> None:
    inputs = RECORDS["GM-CANN-1-BROMOBUTANE"]["inputs"]
    metrics(client, inputs["equation"], inputs["charges_g"], inputs["product_g"])
    sheet = client.get(f"/v1/routes/r/mass-metrics?format=csv&table={table}")
    assert (sheet.status_code, sheet.mimetype) == (200, "text/csv")
    heading = sheet.text.splitlines()[0]
    assert ("atom_economy" in heading) == (table == "steps")
    assert ("to_waste_g" in heading) == (table == "metals")
