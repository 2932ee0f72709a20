"""Mass metrics of steps and chain against what was written, and where metals and waste went."""

from __future__ import annotations

import math
from typing import Any

import pytest

from tests.answer.desk import Desk, named
from tests.answer.small import ASH_M, MALACHITE_M, OXIDE_M, VITRIOL_M, roast, run
from tests.answer.test_cost_of_a_world import ONLY_SQLITE
from tests.world import World, make_world
from tests.world.chemistry import REAGENTS
from tests.world.shelf import amount_of, net_of

CU_M, WATER_G_PER_ML = 63.546, 0.998


# Generated books.


class Written:
    """Grams into and out of a route, from the text of its records alone; None where only a volume is known."""

    def __init__(self, world: World, route: str) -> None:
        self.world = world
        self.lots = {line["code"]: line["record"] for line in world.lines_of("lot")}
        self.pools = {line["record"]["lot"] for line in world.lines_of("pool")}
        self.steps = world.truth.steps_of(route)
        self.makers = {step.product: step.code for step in self.steps}
        lines = [line["record"] for line in world.lines_of("run") if line["record"]["route"] == route]
        self.runs = [each for each in lines if each["status"] in ("finished", "failed") and "exclude" not in each]
        self.true = [
            each for each in world.truth.runs.values()
            if each.route == route and each.counted
        ]  # fmt: skip

    def material(self, charge: dict[str, Any]) -> str:
        if "material" in charge:
            return str(charge["material"])
        return self.world.truth.lots[charge["lot"]].material

    def gross_g(self, charge: dict[str, Any]) -> float | None:
        unit, amount = amount_of(charge["amount"])
        if unit == "g":
            return float(amount)
        if unit == "mol":
            return float(amount) * REAGENTS[self.material(charge)].molar
        if self.material(charge) == "water":
            return float(amount) * WATER_G_PER_ML
        density = self.lots[charge["lot"]].get("density")
        return None if density is None else float(amount) * float(density.split()[0])

    def charged(self, step: str) -> list[tuple[str, float | None]]:
        runs = [each for each in self.runs if each["step"] == step]
        return [(self.material(charge), self.gross_g(charge)) for each in runs for charge in each["charges"]]

    def made_g(self, step: str) -> tuple[float, float]:
        """As weighed, and dry."""
        runs = [each for each in self.true if each.step == step]
        return math.fsum(each.net_g for each in runs), math.fsum(each.dry_g for each in runs)

    def behind(self, step: str, *, water: bool) -> float:
        """Grams of all that was bought behind a gram of a step's product as weighed."""
        total = 0.0
        for material, gross_g in self.charged(step):
            assert gross_g is not None
            if material in self.makers:
                total += gross_g * self.behind(self.makers[material], water=water)
            elif water or material != "water":
                total += gross_g
        return total / self.made_g(step)[0]


def check_masses(found: dict[str, Any], written: Written) -> bool:
    """Whether the mass of everything charged is known."""
    unknown = set()
    for line in found["steps"]:
        charged = written.charged(line["step"])
        dry_g = written.made_g(line["step"])[1]
        without = {material for material, gross_g in charged if gross_g is None}
        unknown |= without
        assert line["product_g"] == pytest.approx(dry_g)
        if without:
            assert line["process_mass_intensity"] is None
            told = f"the mass of {', '.join(sorted(without))} charged is not known: record a density"
            assert {line["reasons"][name] for name in ("went_in_g", "e_factor", "reaction_mass_efficiency")} == {told}
            continue
        total_g = math.fsum(gross_g or 0.0 for _, gross_g in charged)
        dry_total_g = math.fsum(gross_g or 0.0 for material, gross_g in charged if material != "water")
        assert line["went_in_g"] == pytest.approx(total_g)
        assert line["process_mass_intensity"] == pytest.approx(total_g / dry_g)
        assert line["e_factor"] == pytest.approx((total_g - dry_g) / dry_g)
        assert line["process_mass_intensity_without_water"] == pytest.approx(dry_total_g / dry_g)
    last = written.steps[-1].code
    net_g, dry_g = written.made_g(last)
    if not unknown:
        for ending, water in (("", True), ("_without_water", False)):
            intensity = written.behind(last, water=water) * net_g / dry_g
            assert found["chain"][f"process_mass_intensity{ending}"] == pytest.approx(intensity, rel=1e-7)
            assert found["chain"][f"e_factor{ending}"] == pytest.approx(intensity - 1, rel=1e-7)
    else:
        assert found["chain"]["process_mass_intensity"] is None
    wasted = math.fsum(line["net_g"] for line in found["waste"])
    runs = [line["record"] for line in written.world.lines_of("run") if line["record"]["route"] == found["route"]]
    outturns = [each for record in runs for each in record.get("outturns", ())]
    assert wasted == pytest.approx(float(sum(net_of(each) for each in outturns if each.get("role") == "waste")))
    return not unknown


@ONLY_SQLITE
def test_generated_books(desk: Desk) -> None:
    world = make_world(3, routes=8, steps_per_route=3, runs_per_step=5)
    desk.load(world)
    known = [check_masses(desk.mass_metrics(f"r{n}"), Written(world, f"r{n}")) for n in range(8)]
    assert set(known) == {True, False}


# A small book.


def test_metals_go_where_their_formulas_say(desk: Desk) -> None:
    desk.fill()
    desk.put("materials", "liquor", {"name": "spent liquor", "formula": "Na2SO4"})
    waste = {"material": "malachite", "role": "waste", "waste_class": "copper-sludge", "net": "1.00 g", "assay": "0.90"}
    product = {"material": "malachite", "net": "20.00 g", "assay": "0.96", "loss_on_drying": "0.02"}
    back = {"material": "blue-vitriol", "role": "recovered", "net": "2.00 g"}
    run(desk, "C-1", outturns=[product, waste, back])
    run(desk, "C-failed", status="failed", finished_on="2026-05-02", outturns=[{**waste, "net": "30.0 g"}])
    run(desk, "C-gone", status="abandoned", outturns=[])
    run(desk, "C-open", status="open", finished_on=None, outturns=[])
    run(desk, "C-out", exclude={"reason": "another flask"}, outturns=[product])
    roast(desk, "R-1")
    found = desk.mass_metrics("oxide")
    copper, sodium = (line for line in found["metals"] if line["step"] == "carbonate")
    # Four runs that are no longer in the pot took 50 g of vitriol at 98 % each.
    fraction = 2 * CU_M / MALACHITE_M
    assert (copper["element"], copper["heavy"]) == ("Cu", True)
    assert copper["charged_g"] == pytest.approx(4 * 49.0 * CU_M / VITRIOL_M, rel=1e-4)
    assert copper["in_product_g"] == pytest.approx(2 * 20.0 * 0.98 * 0.96 * fraction, rel=1e-4)
    assert copper["in_recovered_g"] == pytest.approx(2.0 * CU_M / VITRIOL_M, rel=1e-4)
    assert copper["in_waste_g"] == pytest.approx(31.0 * 0.90 * fraction, rel=1e-4)
    kept = copper["in_product_g"] + copper["in_co_products_g"] + copper["in_recovered_g"]
    assert copper["to_waste_g"] == pytest.approx(copper["charged_g"] - kept, rel=1e-12)
    assert copper["unaccounted_g"] == pytest.approx(copper["to_waste_g"] - copper["in_waste_g"], rel=1e-12)
    assert (sodium["element"], sodium["heavy"], sodium["in_product_g"]) == ("Na", False, 0.0)
    assert sodium["to_waste_g"] == pytest.approx(4 * 23.5 * 2 * 22.98977 / ASH_M, rel=1e-4)
    assert found["waste"] == [
        {"month": "2026-04", "waste_class": "copper-sludge", "net_g": 1.0, "materials": ["malachite"], "runs": 1,
         "reasons": {}},
        {"month": "2026-05", "waste_class": "copper-sludge", "net_g": 30.0, "materials": ["malachite"], "runs": 1,
         "reasons": {}},
    ]  # fmt: skip
    # Statistics take the run and its failure; the product of one stands against the charges of both.
    step = named(found["steps"], step="carbonate")
    assert step["runs"] == {"counted": 1, "failed": 1}
    in_g = 2 * (50.0 + 23.5 + 400 * 0.998)
    assert step["process_mass_intensity"] == pytest.approx(in_g / 19.6)
    assert step["process_mass_intensity_without_water"] == pytest.approx(2 * 73.5 / 19.6)
    assert step["reaction_mass_efficiency"] == pytest.approx(19.6 / (2 * 73.5))
    assert step["atom_economy"] == pytest.approx(MALACHITE_M / (2 * VITRIOL_M + 2 * ASH_M), rel=1e-4)
    assert (step["recovered_g"], step["recorded_waste_g"]) == (2.0, 31.0)
    assert found["rests_on"]["left_out"] == [{"run": "C-out", "reason": "another flask"}]
    # The chain: 10 g of malachite for 6.5 g of oxide, and twice the oxide a mole of malachite.
    chain = found["chain"]
    assert chain["process_mass_intensity"] == pytest.approx(10.0 / 6.5 * in_g / 20.0)
    assert chain["atom_economy"] == pytest.approx(2 * OXIDE_M / (2 * VITRIOL_M + 2 * ASH_M), rel=1e-4)
    assert chain["recovered_g_per_g"] == pytest.approx(10.0 / 6.5 * 2.0 / 20.0)
    assert chain["recorded_waste_g_per_g"] == pytest.approx(10.0 / 6.5 * 31.0 / 20.0)


def test_what_has_no_formula_is_not_taken_to_be_free_of_metals(desk: Desk) -> None:
    desk.fill()
    desk.put("materials", "liquor", {"name": "spent liquor"})
    product = {"material": "malachite", "net": "20.00 g"}
    run(desk, "C-1", outturns=[product, {"material": "liquor", "role": "waste", "net": "400 g"}])
    copper = named(desk.mass_metrics("oxide")["metals"], element="Cu")
    assert (copper["in_waste_g"], copper["unaccounted_g"]) == (None, None)
    assert copper["reasons"]["in_waste_g"] == "liquor has no formula"
    assert copper["not_told"] == ["liquor"]
    assert copper["to_waste_g"] == pytest.approx(49.0 * CU_M / VITRIOL_M - 20.0 * 2 * CU_M / MALACHITE_M, rel=1e-4)
    assert desk.mass_metrics("oxide")["waste"][0]["waste_class"] is None


def test_a_route_without_runs(desk: Desk) -> None:
    desk.fill()
    found = desk.mass_metrics("oxide")
    step = found["steps"][0]
    assert step["process_mass_intensity"] is None
    assert step["reasons"]["process_mass_intensity"] == "no run is counted"
    assert step["atom_economy"] is not None
    assert found["chain"]["e_factor"] is None
    assert found["chain"]["reasons"]["e_factor"] == "no product recorded in step carbonate, roast"
    assert (found["waste"], found["metals"]) == ([], [])


def test_what_lost_its_density_has_no_mass(desk: Desk) -> None:
    desk.fill()
    desk.put("materials", "liquor", {"name": "spent liquor", "formula": "Na2SO4", "density": "1.1 g/mL"})
    product = {"material": "malachite", "net": "20.00 g"}
    sludge = {"material": "malachite", "role": "waste", "net": "1.00 g", "waste_class": "copper"}
    liquor = {"material": "liquor", "role": "waste", "net": "400 mL", "waste_class": "liquor"}
    run(desk, "C-1", outturns=[product, liquor, sludge])
    run(desk, "C-2", outturns=[product])
    before = desk.mass_metrics("oxide")
    assert [line["net_g"] for line in before["waste"]] == pytest.approx([1.0, 440.0])
    desk.put("materials", "liquor", {"name": "spent liquor", "formula": "Na2SO4"})
    after = desk.mass_metrics("oxide")
    assert [(line["waste_class"], line["net_g"]) for line in after["waste"]] == [("copper", 1.0), ("liquor", None)]
    assert after["waste"][1]["reasons"]["net_g"] == "the mass of liquor taken out is not known: record a density"
    copper = named(after["metals"], element="Cu")
    assert (copper["to_waste_g"], copper["in_waste_g"]) == (None, None)
    assert copper["reasons"]["to_waste_g"] == "the mass of what came out of C-1 is not known"
    # The product was weighed: its figures stand.
    assert after["steps"][0]["process_mass_intensity"] == before["steps"][0]["process_mass_intensity"]


def test_a_product_without_a_mass_leaves_its_run_out(desk: Desk) -> None:
    desk.fill()
    desk.put("materials", "malachite", {"name": "slurry", "formula": "Cu2CO3(OH)2", "density": "1.2 g/mL"})
    run(desk, "C-1", outturns=[{"material": "malachite", "net": "20.00 g"}])
    run(desk, "C-2", outturns=[{"material": "malachite", "net": "15 mL"}])
    assert desk.mass_metrics("oxide")["steps"][0]["runs"]["counted"] == 2
    desk.put("materials", "malachite", {"name": "slurry", "formula": "Cu2CO3(OH)2"})
    found = desk.mass_metrics("oxide")
    assert found["steps"][0]["product_g"] == pytest.approx(20.0)
    assert found["steps"][0]["runs"]["counted"] == 1
    assert found["rests_on"]["left_out"] == [{"run": "C-2", "reason": "the mass of malachite taken out is not known"}]


def test_a_slip_of_a_thousand_does_not_make_product_out_of_nothing(desk: Desk) -> None:
    desk.fill()
    run(desk, "C-1", outturns=[{"material": "malachite", "net": "20.00 g"}])
    run(desk, "C-slip", outturns=[{"material": "malachite", "net": "20000 g"}])
    found = desk.mass_metrics("oxide")
    step = found["steps"][0]
    assert found["capped_runs"] == ["C-slip"]
    assert step["product_g"] == pytest.approx(20020.0)
    # 49 g of vitriol can give 49/249.677/2 moles of malachite.
    assert step["counts_as_g"] == pytest.approx(20.0 + 0.98 * 49.0 / VITRIOL_M / 2 * MALACHITE_M, rel=1e-4)
    assert step["e_factor"] == pytest.approx((step["went_in_g"] - step["counts_as_g"]) / step["counts_as_g"])
