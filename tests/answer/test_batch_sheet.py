"""Batch sheets: a run that is charged exactly by its sheet has the theoretical amount that the sheet says."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import MalformedInput, UnknownRecord
from tests.answer.desk import Desk, named
from tests.answer.small import ASH_M, MALACHITE_M, OXIDE_M, VITRIOL_M, eur, roast, run
from tests.answer.test_cost import acid_book
from tests.world import make_world


def charged_by(sheet: dict[str, Any]) -> list[dict[str, Any]]:
    """The charges of somebody who weighs what the sheet says, to all its digits."""
    charges = []
    for line in sheet["lines"]:
        what = {"lot": line["lot"]} if line["lot"] else {"material": line["material"]}
        amount = f"{line['amount_g']!r} g" if line["amount_g"] is not None else f"{line['amount_ml']!r} mL"
        charges.append({**what, "amount": amount})
    return charges


def put_run(desk: Desk, sheet: dict[str, Any], code: str, charges: list[dict[str, Any]]) -> dict[str, Any]:
    body = {"route": sheet["route"], "step": sheet["step"], "status": "open", "charges": charges}
    desk.put("runs", code, body)
    result: dict[str, Any] = desk.view("runs", code)["result"]
    return result


def test_what_to_weigh_by_hand(desk: Desk) -> None:
    desk.fill()
    desk.put("lots", "ash-1", {"material": "soda-ash", "amount": "100 g", "assay": "0.9"})
    sheet = desk.sheet("oxide", "carbonate", 50.0, "vitriol-1", "ash-1")
    vitriol, ash, water = sheet["lines"]
    assert (vitriol["lot"], vitriol["amount_g"]) == ("vitriol-1", 50.0)
    assert vitriol["amount_ml"] == pytest.approx(50 / 2.286)
    mol = 50 * 0.98 / VITRIOL_M
    assert vitriol["contained_mol"] == pytest.approx(mol, rel=1e-4)
    assert ash["amount_g"] == pytest.approx(1.1 * mol * ASH_M / 0.9, rel=2e-4)
    assert water["amount_ml"] == pytest.approx(400.0)
    assert water["amount_g"] == pytest.approx(400 * 0.998)
    assert water["lot"] is None
    assert sheet["theoretical_g"] == pytest.approx(mol / 2 * MALACHITE_M, rel=2e-4)
    assert sheet["next_run"]["evidence"] == "none"
    # A lot without an assay is taken as it is.
    desk.put("lots", "ash-2", {"material": "soda-ash", "amount": "100 g"})
    plain = named(desk.sheet("oxide", "carbonate", 50.0, "vitriol-1", "ash-2")["lines"], lot="ash-2")
    assert plain["amount_g"] == pytest.approx(ash["amount_g"] * 0.9)


def test_two_lots_of_one_material(desk: Desk) -> None:
    """The first named is used up, the second gives what is missing, each by what it holds."""
    desk.fill()
    desk.put("lots", "ash-1", {"material": "soda-ash", "amount": "10 g", "assay": "0.9"})
    desk.put("lots", "ash-2", {"material": "soda-ash", "amount": "10 g", "assay": "0.6"})
    sheet = desk.sheet("oxide", "carbonate", 50.0, "vitriol-1", "ash-1", "ash-2")
    one, two = (named(sheet["lines"], lot=f"ash-{n}") for n in (1, 2))
    assert one["amount_g"] == pytest.approx(10.0)
    contained = 1.1 * 50 * 0.98 / VITRIOL_M * ASH_M
    assert one["contained_g"] + two["contained_g"] == pytest.approx(contained, rel=2e-4)
    assert two["amount_g"] == pytest.approx((contained - 9.0) / 0.6, rel=2e-4)
    assert "the lot holds 10 g" in two["note"]
    assert two["reasons"] == {}
    other_way = desk.sheet("oxide", "carbonate", 50.0, "vitriol-1", "ash-2", "ash-1")
    assert [line["lot"] for line in other_way["lines"]][1:3] == ["ash-2", "ash-1"]
    assert named(other_way["lines"], lot="ash-1")["amount_g"] == pytest.approx((contained - 6.0) / 0.9, rel=2e-4)


def test_two_lots_of_key_input(desk: Desk) -> None:
    """30 g of 98 % and 20 g of 49 %: the batch is 50 g as weighed, and its reagent follows what it holds."""
    desk.fill()
    desk.put("lots", "vitriol-1", {"material": "blue-vitriol", "amount": "30 g", "assay": "0.98"})
    desk.put("lots", "vitriol-2", {"material": "blue-vitriol", "amount": "100 g", "assay": "0.49"})
    sheet = desk.sheet("oxide", "carbonate", 50.0, "vitriol-1", "vitriol-2")
    assert [line["amount_g"] for line in sheet["lines"][:2]] == pytest.approx([30.0, 20.0])
    mol = (30 * 0.98 + 20 * 0.49) / VITRIOL_M
    assert sheet["theoretical_g"] == pytest.approx(mol / 2 * MALACHITE_M, rel=2e-4)
    assert named(sheet["lines"], material="soda-ash")["contained_mol"] == pytest.approx(1.1 * mol, rel=2e-4)
    result = put_run(desk, sheet, "X-1", charged_by(sheet))
    assert result["theoretical_g"] == pytest.approx(sheet["theoretical_g"], rel=1e-9)


def test_solutions_by_their_volume(desk: Desk) -> None:
    """0.1 mol of oxide takes 0.2 mol of acid: 60 mL of 2 mol/L hold 0.12, and 16 mL of 5 mol/L the rest."""
    acid_book(desk, {}, {"price": eur("6")})
    desk.put("lots", "acid-2", {"material": "acid", "amount": "60 mL", "concentration": "2 mol/L"})
    desk.put("lots", "acid-3", {"material": "acid", "amount": "1 L", "concentration": "5 mol/L"})
    sheet = desk.sheet("vitriol", "dissolve", 0.1 * OXIDE_M, "acid-2", "acid-3")
    two, three = (named(sheet["lines"], lot=f"acid-{n}") for n in (2, 3))
    assert [two["amount_ml"], three["amount_ml"]] == pytest.approx([60.0, 16.0], rel=2e-4)
    assert two["amount_g"] is None
    assert "density" in two["reasons"]["amount_g"]
    assert two["contained_mol"] + three["contained_mol"] == pytest.approx(0.2, rel=2e-4)
    result = put_run(desk, sheet, "X-1", charged_by(sheet))
    assert result["theoretical_g"] == pytest.approx(sheet["theoretical_g"], rel=1e-9)


def test_a_liquid_of_unknown_density_is_measured_out_and_never_weighed(desk: Desk) -> None:
    desk.put("materials", "cloth", {"name": "cloth"})
    desk.put("materials", "liquor", {"name": "liquor", "phase": "liquid", "molar_mass": "50 g/mol"})
    desk.put("materials", "dyed", {"name": "dyed cloth"})
    desk.put("lots", "liquor-1", {"material": "liquor", "amount": "2 L"})
    guessed = {"low": "0.7", "likely": "0.8", "high": "0.9"}
    step = {
        "code": "dye", "basis": "mass-ratio", "key_input": "cloth", "product": "dyed", "expected_yield": guessed,
    }  # fmt: skip
    bill = [{"material": "liquor", "per_key_input": "5 mL/g"}]
    desk.put("routes", "dyeing", {"name": "dyeing", "product": "dyed", "steps": [{**step, "bill": bill}]})
    line = named(desk.sheet("dyeing", "dye", 20.0, "liquor-1")["lines"], material="liquor")
    assert line["amount_ml"] == pytest.approx(100.0)
    assert (line["amount_g"], line["contained_g"], line["contained_mol"]) == (None, None, None)
    assert all("density" in line["reasons"][key] for key in ("amount_g", "contained_g", "contained_mol"))


def test_two_solutions_of_a_material_that_is_sold_by_weight(desk: Desk) -> None:
    """No density and a pack in kg: no gram of it is known, and the sheet says so instead of a number."""
    acid_book(desk, {}, {"price": eur("6"), "pack": "1 kg"})
    desk.put("lots", "acid-2", {"material": "acid", "amount": "1 L", "concentration": "5 mol/L"})
    line = named(desk.sheet("vitriol", "dissolve", 8.0, "acid-1", "acid-2")["lines"], material="acid")
    assert line["amount_g"] is None
    assert line["amount_ml"] is None
    assert "density" in line["reasons"]["amount_g"]


def test_what_to_expect(desk: Desk) -> None:
    desk.fill()
    for number, net in enumerate(("20.41 g", "19.02 g", "20.95 g"), start=1):
        run(desk, f"C-{number}", outturns=[{"material": "malachite", "net": net, "assay": "0.96"}])
    sheet = desk.sheet("oxide", "carbonate", 50.0, "vitriol-1")
    # Half of such batches give the median or more; what is weighed holds 96 %.
    expected = sheet["expected_product_g"]["at_least"]["50"]
    assert expected == pytest.approx(sheet["next_run"]["at_least"]["50"] * sheet["theoretical_g"] / 0.96)
    assert 19.0 < expected < 21.0
    assert sheet["expected_product_g"]["at_least"]["90"] < expected
    assert sheet["rests_on"]["runs"] == 3
    far = desk.sheet("oxide", "carbonate", 600.0, "vitriol-1")
    assert far["expected_product_g"]["at_least"]["90"] < 12 * sheet["expected_product_g"]["at_least"]["90"]
    assert "the lot holds 350 g" in far["lines"][0]["note"]
    assert {"stop"} == {each["level"] for each in far["cautions"] if each["code"] == "batch-beyond-record"}


def test_names_that_are_not_there(desk: Desk) -> None:
    desk.fill_with_runs()
    with pytest.raises(MalformedInput) as refused:
        desk.sheet("oxide", "carbonate", 50.0, "vitriol-9", "oxide-1", "vitriol-1")
    assert [(f.code, f.received, f.parameter) for f in refused.value.faults] == [
        ("unknown-reference", "vitriol-9", "lots"),
        ("not-an-input", "oxide-1", "lots"),
    ]
    with pytest.raises(UnknownRecord, match="its steps are carbonate, roast"):
        desk.sheet("oxide", "carbonat", 50.0)


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
@pytest.mark.parametrize("seed", [11, 12])
def test_every_step_of_a_generated_book(seed: int, desk: Desk) -> None:
    """With the lots that the first runs of each step took, of all forms: solids, solutions, moles, ores."""
    world = make_world(seed, routes=4, steps_per_route=4, runs_per_step=4)
    desk.load(world)
    records = {line["code"]: line["record"] for line in world.lines_of("run")}
    compared = 0
    for (route, code), step in world.truth.steps.items():
        run = next(r for r in world.truth.runs.values() if (r.route, r.step) == (route, code))
        lots = [charge["lot"] for charge in records[run.code]["charges"] if "lot" in charge]
        sheet = desk.sheet(route, code, step.batch_g, *lots)
        assert sheet["lines"][0]["material"] == step.key
        result = put_run(desk, sheet, f"sheet-{route}-{code}", charged_by(sheet))
        assert result["theoretical_g"] == pytest.approx(sheet["theoretical_g"], rel=1e-9)
        assert result["batch_g"] == pytest.approx(step.batch_g, rel=1e-12)
        held = world.truth.lots[sheet["lines"][0]["lot"]].strength
        assert result["theoretical_g"] == pytest.approx(
            step.batch_g * step.theoretical_per_g * held / step.key_strength, rel=0.05
        )
        compared += 1
    assert compared == 16


def test_a_step_after_another(desk: Desk) -> None:
    desk.fill()
    run(desk, "C-1")
    roast(desk, "R-1")
    sheet = desk.sheet("oxide", "roast", 8.0, "C-1-lot")
    assert sheet["theoretical_g"] == pytest.approx(8 * 0.96 / MALACHITE_M * 2 * OXIDE_M, rel=2e-4)
    assert [line["material"] for line in sheet["lines"]] == ["malachite"]
