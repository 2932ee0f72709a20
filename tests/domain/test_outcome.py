"""Outcomes of single runs, against hand sums with standard atomic weights (IUPAC 2021) and published rules."""

from __future__ import annotations

import math

import pytest

from service.domain.formula import parse_formula
from service.domain.lot import Measured, ShelfLot, Strength
from service.domain.material import Material
from service.domain.outcome import Outcome, outcome_of
from service.domain.quantity import Quantity, parse_number, parse_quantity
from service.domain.reaction import Reaction
from service.domain.route import BillLine, Step
from service.domain.run import Charge, Outturn, Run


def amount(text: str) -> Quantity:
    return parse_quantity(text, ("mass", "volume", "amount"))


def material(code: str, formula: str | None = None, **more: object) -> Material:
    return Material(code=code, name=code, formula=None if formula is None else parse_formula(formula), **more)


MATERIALS = {
    m.code: m
    for m in (
        material("vitriol", "CuSO4.5H2O"),
        material("soda", "Na2CO3"),
        material("malachite", "Cu2(OH)2CO3"),
        material("sulfate", "Na2SO4"),
        material("gas", "CO2"),
        material("water", "H2O", density=parse_quantity("1.00 g/mL", ("density",))),
        material("root"),
        material("alizarin", "C14H8O4"),
        material("extract", analyte="alizarin"),
        material("crude-vitriol", analyte="vitriol"),
        material("chalk"),
        material("whiting"),
    )
}
CARBONATE = Step(
    code="carbonate",
    name="carbonate",
    basis="stoichiometric",
    key_input="vitriol",
    product="malachite",
    reaction=Reaction({"vitriol": 2, "soda": 2}, {"malachite": 1, "sulfate": 2, "gas": 1, "water": 9}),
    bill=(
        BillLine("soda", equivalents=parse_number("1.1", name="equivalents")),
        BillLine("water", per_key_input=parse_quantity("8 mL/g", ("volume-per-mass",))),
    ),
)
EXTRACT = Step("extract", "extract", "content", "root", "extract", analyte="alizarin")


def run(step: Step, charges: list[Charge], outturns: list[Outturn] = [], status: str = "finished", **more) -> Run:  # noqa: B006
    return Run("r", "route", step.code, status, tuple(charges), tuple(outturns), **more)


def result(step: Step, charges: list[Charge], outturns: list[Outturn] = [], lots=(), **more) -> Outcome:  # noqa: B006
    return outcome_of(run(step, charges, outturns, **more), step, MATERIALS, {lot.code: lot for lot in lots})


def codes(found: Outcome) -> set[str]:
    return {finding.code for finding in found.findings}


def lot(code: str, of: str, **strength: Measured) -> ShelfLot:
    return ShelfLot(code, of, "mass", Strength(**strength), "lots", code)


VITRIOL_50 = Charge(amount("50.0 g"), material="vitriol")
SODA = Charge(amount("23.5 g"), material="soda")
WATER = Charge(amount("400 mL"), material="water")
PRODUCT = Outturn(
    "malachite",
    gross=(amount("142.31 g"),),
    tare=amount("121.90 g"),
    strength=Strength(assay=Measured(0.96), loss_on_drying=Measured(0.02)),
)


def test_theoretical_yield_and_their_parts_by_hand():
    found = result(CARBONATE, [VITRIOL_50, SODA, WATER], [PRODUCT])
    # 50.0 / 249.677 = 0.200259 mol, half of it malachite at 221.114 g/mol: 22.140 g; 20.41 x 0.98 x 0.96 = 19.2017 g
    assert found.theoretical_g == pytest.approx(22.140, abs=0.001)
    assert found.net_g == 20.41
    assert found.contained_g == pytest.approx(20.41 * 0.98 * 0.96, rel=1e-12)
    assert found.yield_fraction == pytest.approx(0.8673, abs=1e-4)
    assert found.crude_yield == pytest.approx(20.41 / 22.140, abs=1e-4)
    assert found.limiting_reagent == "vitriol"
    assert found.batch_g == 50.0
    assert found.mass_balance == pytest.approx(20.41 / 473.5, rel=1e-9)


def test_equivalents_and_stoichiometric_ratio_stand_side_by_side():
    acid = Step(
        "s",
        "s",
        "stoichiometric",
        "alizarin",
        "extract",
        reaction=Reaction({"alizarin": 1, "water": 2}, {"extract": 1}),
        bill=(BillLine("water", equivalents=None),),
    )
    charges = [Charge(amount("1 mol"), material="alizarin"), Charge(amount("4 mol"), material="water")]
    found = result(acid, charges, status="open")
    assert [c.equivalents for c in found.charges] == [1.0, 4.0]
    assert [c.stoichiometric_ratio for c in found.charges] == [1.0, 2.0]


def test_weighing_uncertainty_counts_each_reading():
    # d/sqrt(12) a reading (JCGM 100:2008, 4.3.7): gross and tare at 0.01 g give 0.01·sqrt(2/12)
    found = result(CARBONATE, [VITRIOL_50, SODA, WATER], [PRODUCT])
    assert found.net_u_g == pytest.approx(0.00408, abs=5e-6)
    lone = Outturn("malachite", net=amount("20.4 g"))
    assert result(CARBONATE, [VITRIOL_50, SODA], [lone]).net_u_g == pytest.approx(0.0408, abs=5e-5)


def test_portions_on_one_tare_share_its_error():
    portions = Outturn(
        "malachite", gross=(amount("30.00 g"), amount("31.00 g"), amount("32.00 g")), tare=amount("25.00 g")
    )
    found = result(CARBONATE, [VITRIOL_50, SODA], [portions])
    u = 0.01 / math.sqrt(12)
    assert found.net_g == 18.0
    assert found.net_u_g == pytest.approx(math.sqrt(3 * u**2 + (3 * u) ** 2), rel=1e-9)


def test_yield_uncertainty_agrees_with_the_relative_sum_of_squares():
    exact = Outturn("malachite", net=amount("20.0 g ± 0.2 g"))
    charge = Charge(amount("50.0 g ± 0.5 g"), material="vitriol")
    found = result(CARBONATE, [charge, SODA], [exact])
    # JCGM 100:2008, 5.1.6: relative uncertainties of a quotient add in squares; atomic weights add less than 1e-5
    assert found.yield_u / found.yield_fraction == pytest.approx(math.hypot(0.01, 0.01), rel=1e-3)


def test_an_uncertain_content_is_shared_by_all_charges_of_the_lot():
    root = lot("root-1", "root", contents={"alizarin": Measured(0.012, 0.0012)})
    out = Outturn("extract", net=amount("5.00 g"), strength=Strength(assay=Measured(0.25)))
    one = result(EXTRACT, [Charge(amount("200 g ± 0.000001 g"), lot="root-1")], [out], [root])
    two = result(EXTRACT, [Charge(amount("100 g ± 0.000001 g"), lot="root-1")] * 2, [out], [root])
    assert one.theoretical_g == pytest.approx(2.4, rel=1e-12)
    assert one.yield_fraction == pytest.approx(1.25 / 2.4, rel=1e-12)
    # 10 % of content stays 10 %: it does not average out over two charges of one lot
    assert one.yield_u == pytest.approx(two.yield_u, rel=1e-3)
    assert one.theoretical_u_g == pytest.approx(0.24, rel=1e-6)


def test_a_large_uncertainty_is_drawn_not_linearised():
    # JCGM 101:2008: 1/x of a normal x with 25 % spread has a larger spread than first order says
    root = lot("root-1", "root", contents={"alizarin": Measured(0.012, 0.003)})
    out = Outturn("extract", net=amount("5.00 g"), strength=Strength(assay=Measured(0.25)))
    found = result(EXTRACT, [Charge(amount("200 g ± 0.000001 g"), lot="root-1")], [out], [root])
    assert found.yield_u > 0.25 * found.yield_fraction * 1.05
    assert found.yield_u == result(EXTRACT, [Charge(amount("200 g ± 0.000001 g"), lot="root-1")], [out], [root]).yield_u


def test_content_unknown_leaves_the_yield_unknown_and_says_why():
    found = result(EXTRACT, [Charge(amount("200 g"), material="root")], [Outturn("extract", net=amount("5.0 g"))])
    assert found.theoretical_g is None
    assert found.yield_fraction is None
    assert "content of alizarin" in found.reasons["yield"]
    assert "content-unknown" in codes(found)
    assert found.faults == ()


def test_recovery_counts_the_analyte_put_in():
    wash = Step("wash", "wash", "recovery", "crude-vitriol", "vitriol")
    crude = Charge(amount("40.0 g"), material="crude-vitriol", strength=Strength(assay=Measured(0.9)))
    found = result(wash, [crude], [Outturn("vitriol", net=amount("30.6 g"))])
    assert found.theoretical_g == pytest.approx(36.0)
    assert found.yield_fraction == pytest.approx(0.85)


def test_mass_ratio_may_exceed_one_without_a_finding():
    ratio = Step("mix", "mix", "mass-ratio", "chalk", "whiting")
    found = result(
        ratio, [Charge(amount("10.0 g"), material="chalk"), WATER], [Outturn("whiting", net=amount("24.0 g"))]
    )
    assert found.yield_fraction == pytest.approx(2.4)
    assert "yield-above-one" not in codes(found)


def test_yield_above_one_is_kept_and_found():
    found = result(CARBONATE, [VITRIOL_50, SODA, WATER], [Outturn("malachite", net=amount("24.0 g"))])
    assert found.yield_fraction == pytest.approx(24.0 / 22.140, abs=1e-4)
    assert "yield-above-one" in codes(found)


def test_a_billed_reactant_not_charged_is_a_finding_not_zero_moles():
    found = result(CARBONATE, [VITRIOL_50, WATER], [PRODUCT])
    assert found.theoretical_g is None
    assert found.limiting_reagent is None
    assert "reactant-missing" in codes(found)
    assert found.faults == ()


def test_a_volume_without_density_is_a_fault_only_where_the_basis_needs_it():
    no_density = Charge(amount("20 mL"), material="soda")
    needed = result(CARBONATE, [VITRIOL_50, no_density], [PRODUCT])
    assert [(f.code, f.pointer) for f in needed.faults] == [("density-needed", "/charges/1/amount")]
    aside = result(CARBONATE, [VITRIOL_50, SODA, Charge(amount("5 mL"), material="alizarin")], [PRODUCT])
    assert aside.faults == ()
    assert aside.yield_fraction is not None
    assert aside.mass_balance is None
    assert "density of alizarin" in aside.reasons["mass_balance"]
    assert aside.charges[2].reasons["gross_g"]


def test_the_lesser_reactant_limits_and_a_near_tie_is_said():
    short = result(CARBONATE, [VITRIOL_50, Charge(amount("10.0 g"), material="soda"), WATER], [PRODUCT])
    assert short.limiting_reagent == "soda"
    assert short.theoretical_g == pytest.approx(10.0 / 105.988 / 2 * 221.114, abs=0.01)
    tie = result(CARBONATE, [VITRIOL_50, Charge(amount("21.2 g"), material="soda"), WATER], [PRODUCT])
    assert "limiting-in-doubt" in codes(tie)
    assert "limiting-in-doubt" not in codes(short)


def test_solutions_by_volume_by_mass_and_by_moles_agree():
    solution = Strength(molarity=Measured(2.0), density=Measured(1.1))
    n = 0.1
    ways = ["50 mL", "55 g", "0.1 mol"]
    found = [
        result(CARBONATE, [VITRIOL_50, Charge(amount(way), material="soda", strength=solution)], status="open")
        for way in ways
    ]
    for one in found:
        assert one.charges[1].contained_mol == pytest.approx(n)
        assert one.charges[1].gross_g == pytest.approx(55.0)
        assert one.charges[1].contained_g == pytest.approx(n * 105.988, abs=0.001)
    grams = Strength(mass_concentration=Measured(2.0 * 105.98844), density=Measured(1.1))
    same = result(CARBONATE, [VITRIOL_50, Charge(amount("50 mL"), material="soda", strength=grams)], status="open")
    assert same.charges[1].contained_mol == pytest.approx(n, rel=1e-4)


def test_moles_of_an_assayed_lot_weigh_more_than_of_a_pure_one():
    weak = lot("soda-2", "soda", assay=Measured(0.5), loss_on_drying=Measured(0.2))
    found = result(CARBONATE, [VITRIOL_50, Charge(amount("0.2 mol"), lot="soda-2")], lots=[weak], status="open")
    assert found.charges[1].gross_g == pytest.approx(0.2 * 105.988 / 0.4, abs=0.01)
    assert found.charges[1].contained_mol == pytest.approx(0.2)


def test_a_charge_that_states_its_assay_beats_its_lot():
    weak = lot("v-2", "vitriol", assay=Measured(0.5))
    own = Charge(amount("50.0 g"), lot="v-2", strength=Strength(assay=Measured(0.8)))
    assert result(CARBONATE, [own, SODA], lots=[weak], status="open").key_contained_g == pytest.approx(40.0)


def test_yield_on_what_was_consumed():
    back = Outturn("vitriol", "recovered", net=amount("10.0 g"))
    found = result(CARBONATE, [VITRIOL_50, SODA, WATER], [PRODUCT, back])
    assert found.recovered_basis_yield == pytest.approx(found.yield_fraction / 0.8, rel=1e-9)
    all_back = Outturn("vitriol", "recovered", net=amount("49.9 g"))
    none = result(CARBONATE, [VITRIOL_50, SODA, WATER], [PRODUCT, all_back])
    assert none.recovered_basis_yield is None
    assert "nearly all" in none.reasons["recovered_basis_yield"]
    other = result(CARBONATE, [VITRIOL_50, SODA, WATER], [PRODUCT, Outturn("soda", "recovered", net=amount("1.0 g"))])
    assert other.recovered_basis_yield is None


@pytest.mark.parametrize("status", ["open", "failed", "abandoned"])
def test_without_a_product_there_is_no_yield_and_the_reason_is_said(status):
    found = result(CARBONATE, [VITRIOL_50, SODA], status=status)
    assert found.yield_fraction is None
    assert found.reasons["yield"]
    assert found.theoretical_g == pytest.approx(22.140, abs=0.001)
    assert found.contained_g == (None if status == "open" else 0.0)


@pytest.mark.parametrize("status", ["finished", "failed", "abandoned"])
def test_where_nothing_was_weighed_out_no_balance_is_told(status):
    found = result(CARBONATE, [VITRIOL_50, SODA], status=status)
    assert (found.mass_balance, found.mass_balance_u) == (None, None)
    assert found.reasons["mass_balance"] == "nothing was weighed out"
    # Who says that all was weighed says that nothing came out.
    all_of_it = result(CARBONATE, [VITRIOL_50, SODA], status=status, all_weighed=True)
    assert all_of_it.mass_balance == 0.0
    assert "mass_balance" not in all_of_it.reasons
    assert "balance-open" in codes(all_of_it)


def test_balance_findings():
    more = result(CARBONATE, [VITRIOL_50, SODA], [Outturn("malachite", net=amount("90.0 g"))])
    assert "more-out-than-in" in codes(more)
    closed = result(CARBONATE, [VITRIOL_50, SODA], [Outturn("malachite", net=amount("73.5 g"))], all_weighed=True)
    assert "balance-open" not in codes(closed)
    leak = result(CARBONATE, [VITRIOL_50, SODA], [Outturn("malachite", net=amount("60.0 g"))], all_weighed=True)
    assert "balance-open" in codes(leak)
    assert "balance-open" not in codes(result(CARBONATE, [VITRIOL_50, SODA], [PRODUCT]))


def test_crops_add_up_and_another_material_does_not_count():
    crops = [Outturn("malachite", net=amount("12.0 g")), Outturn("malachite", net=amount("6.0 g"))]
    found = result(CARBONATE, [VITRIOL_50, SODA], [*crops, Outturn("sulfate", net=amount("5.0 g"))])
    assert found.contained_g == pytest.approx(18.0)
    assert "other-product" in codes(found)
    waste = result(CARBONATE, [VITRIOL_50, SODA], [*crops, Outturn("sulfate", "waste", net=amount("5.0 g"))])
    assert "other-product" not in codes(waste)


def test_what_was_not_measured_is_said():
    found = result(CARBONATE, [VITRIOL_50, SODA], [Outturn("malachite", net=amount("18.0 g"))])
    assert "assay and loss on drying" in found.reasons["not_measured"]
    assert found.charges[0].notes == ("not_measured: assay", "not_measured: loss_on_drying")


def test_detail_is_plain_json():
    import json

    found = result(CARBONATE, [VITRIOL_50, SODA, WATER], [PRODUCT])
    assert json.loads(json.dumps(found.detail(), allow_nan=False))["charges"][0]["material"] == "vitriol"


def test_a_volume_taken_out_weighs_by_its_density_or_is_refused():
    back = Outturn("water", "recovered", net=amount("25 mL"))
    found = result(CARBONATE, [VITRIOL_50, SODA, WATER], [PRODUCT, back])
    assert found.outturns[1].net_g == pytest.approx(25.0)
    unknown = Outturn("alizarin", "waste", net=amount("25 mL"))
    refused = result(CARBONATE, [VITRIOL_50, SODA, WATER], [PRODUCT, unknown])
    assert [(f.code, f.pointer) for f in refused.faults] == [("density-needed", "/outturns/1/net")]
    assert refused.mass_balance is None
    assert refused.yield_fraction is not None
    dense = Outturn("alizarin", "waste", net=amount("25 mL"), strength=Strength(density=Measured(1.2)))
    assert result(CARBONATE, [VITRIOL_50, SODA], [PRODUCT, dense]).outturns[1].net_g == pytest.approx(30.0)
