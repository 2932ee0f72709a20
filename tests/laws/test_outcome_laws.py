"""What holds for the outcome of every run, whatever the step's basis and the amounts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.bill import need_of, theoretical_per_gram
from service.domain.lot import Measured, ShelfLot, Strength
from service.domain.material import Material
from service.domain.outcome import Outcome, outcome_of
from service.domain.quantity import Quantity, parse_fraction, parse_number
from service.domain.reaction import Reaction
from service.domain.route import CONTENT, MASS_RATIO, RECOVERY, STOICHIOMETRIC, BillLine, Step
from service.domain.run import RECOVERED, Charge, Outturn, Run
from tests.published.records import material, strength

SALT = Reaction({"vitriol": 2, "soda": 2}, {"malachite": 1, "sulfate": 2, "gas": 1, "water": 9})
MATERIALS: dict[str, Material] = {
    made.code: made
    for made in (
        material("vitriol", "CuSO4.5H2O"),
        material("crude-vitriol", analyte="vitriol"),
        material("soda", "Na2CO3"),
        material("malachite", "Cu2(OH)2CO3"),
        material("sulfate", "Na2SO4"),
        material("gas", "CO2"),
        material("water", "H2O"),
        material("root", contents={"alizarin": parse_fraction("0.012", name="content")}),
        material("alizarin", "C14H8O4"),
        material("extract", analyte="alizarin"),
        material("chalk"),
    )
}
STEPS = {
    STOICHIOMETRIC: Step("s", "s", STOICHIOMETRIC, "vitriol", "malachite", reaction=SALT, bill=(BillLine("soda"),)),
    RECOVERY: Step("r", "r", RECOVERY, "crude-vitriol", "vitriol"),
    CONTENT: Step("c", "c", CONTENT, "root", "extract", analyte="alizarin"),
    MASS_RATIO: Step("m", "m", MASS_RATIO, "chalk", "malachite"),
}
INPUTS = {basis: list(step.inputs) for basis, step in STEPS.items()}
# Weighed to 0.01 g: from 1 g on, below the 20 % beyond which uncertainties are drawn and the order of draws tells.
GRAMS = st.integers(100, 50_000).map(lambda cents: Quantity(Decimal(cents).scaleb(-2), "g"))
FRACTIONS = st.integers(30, 100).map(lambda hundredths: hundredths / 100)


def lot(code: str, of: str, assay: float) -> ShelfLot:
    return ShelfLot(code, of, "mass", strength(assay=assay), "lots", code)


@st.composite
def cases(draw: st.DrawFn, *bases: str) -> tuple[Step, Run, dict[str, ShelfLot]]:
    """A finished run of a step, each input charged once to three times, from lots or not; one or two crops."""
    basis = draw(st.sampled_from(bases or tuple(STEPS)))
    step, charges, lots = STEPS[basis], [], {}
    for code in INPUTS[basis]:
        for place in range(draw(st.integers(1, 3))):
            if draw(st.booleans()):
                shelf = lot(f"{code}-{place}", code, draw(FRACTIONS))
                lots[shelf.code] = shelf
                charges.append(Charge(draw(GRAMS), lot=shelf.code))
            else:
                charges.append(Charge(draw(GRAMS), material=code))
    outturns = []
    for _ in range(draw(st.integers(1, 2))):
        held = strength(assay=draw(FRACTIONS), loss_on_drying=draw(FRACTIONS) / 4)
        outturns.append(Outturn(step.product, net=draw(GRAMS), strength=held))
    if draw(st.booleans()):
        outturns.append(Outturn(step.key_input, RECOVERED, net=draw(GRAMS)))
    return step, Run("r", "route", step.code, "finished", tuple(charges), tuple(outturns)), lots


def outcome(step: Step, run: Run, lots: dict[str, ShelfLot]) -> Outcome:
    found = outcome_of(run, step, MATERIALS, lots)
    assert found.faults == ()
    assert found.yield_fraction is not None
    return found


def ratios(found: Outcome) -> dict[str, float | None]:
    """Every figure without a unit."""
    lines = {
        f"{name} {place}": getattr(line, name)
        for place, line in enumerate(found.charges)
        for name in ("equivalents", "stoichiometric_ratio")
    }
    names = ("yield_fraction", "crude_yield", "recovered_basis_yield", "mass_balance")
    return {name: getattr(found, name) for name in names} | lines


def amounts(found: Outcome) -> dict[str, float | None]:
    """Every figure of the run as a whole, uncertainties among them."""
    unsummed = ("charges", "outturns", "findings", "reasons", "faults", "limiting_reagent", "key_lot")
    return {name: getattr(found, name) for name in Outcome.__slots__ if name not in unsummed}


def alike(one: dict[str, float | None], other: dict[str, float | None], rel: float = 1e-9) -> None:
    assert one == {name: None if value is None else pytest.approx(value, rel=rel) for name, value in other.items()}


def each_weighing(run: Run, change: Callable[[Quantity], Quantity]) -> Run:
    charges = tuple(replace(line, amount=change(line.amount)) for line in run.charges)
    return replace(run, charges=charges, outturns=tuple(replace(o, net=change(o.net)) for o in run.outturns if o.net))


@given(cases(), st.sampled_from(["0.1", "0.5", "2", "7", "1000"]))
def test_a_run_of_any_size_has_the_same_yields(case: tuple[Step, Run, dict[str, ShelfLot]], factor: str) -> None:
    step, run, lots = case
    scaled = each_weighing(run, lambda weighed: Quantity(weighed.value * Decimal(factor), weighed.unit))
    one, other = outcome(step, run, lots), outcome(step, scaled, lots)
    alike(ratios(other), ratios(one))
    assert other.limiting_reagent == one.limiting_reagent
    assert other.theoretical_g == pytest.approx(float(factor) * (one.theoretical_g or 0.0), rel=1e-9)


@given(cases(), st.randoms(use_true_random=False))
def test_the_order_of_lines_tells_nothing(case: tuple[Step, Run, dict[str, ShelfLot]], shuffler: object) -> None:
    step, run, lots = case
    charges, outturns = list(run.charges), list(run.outturns)
    shuffler.shuffle(charges)  # type: ignore[attr-defined]
    shuffler.shuffle(outturns)  # type: ignore[attr-defined]
    one = outcome(step, run, lots)
    other = outcome(step, replace(run, charges=tuple(charges), outturns=tuple(outturns)), lots)
    alike(amounts(other), amounts(one))
    assert other.limiting_reagent == one.limiting_reagent
    assert {finding.code for finding in other.findings} == {finding.code for finding in one.findings}


@given(cases(), st.sampled_from([("mg", 3), ("kg", -3), ("t", -6)]))
def test_the_unit_tells_nothing(case: tuple[Step, Run, dict[str, ShelfLot]], unit: tuple[str, int]) -> None:
    """12.35 g, 1.235e4 mg and 0.01235 kg are one weighing; only tonnes are taken for a size and not a reading."""
    name, shift = unit
    step, run, lots = case
    in_unit = each_weighing(run, lambda weighed: Quantity(weighed.value.scaleb(shift), name))
    one, other = outcome(step, run, lots), outcome(step, in_unit, lots)
    alike(ratios(other), ratios(one), rel=1e-12)
    if name == "t":
        assert (one.net_u_g or 0.0) > (other.net_u_g or 0.0) == 0.0
    else:
        alike(amounts(other), amounts(one), rel=1e-12)


@given(cases(), st.integers(1, 99), st.sampled_from([0.0, 0.02, 0.05]))
def test_a_charge_in_two_portions_is_one_charge(
    case: tuple[Step, Run, dict[str, ShelfLot]], percent: int, u_assay: float
) -> None:
    """Only the weighing is done twice: what the lot's assay adds to the uncertainty is shared, and does not shrink."""
    step, run, lots = case
    uncertain = {
        code: replace(shelf, strength=Strength(assay=Measured(shelf.strength.mass_fraction, u_assay)))
        for code, shelf in lots.items()
    }
    exact = each_weighing(run, lambda weighed: replace(weighed, uncertainty=Decimal("0.000001")))
    first = exact.charges[0]
    part = first.amount.value * percent / 100
    portions = (
        replace(first, amount=replace(first.amount, value=part)),
        replace(first, amount=replace(first.amount, value=first.amount.value - part)),
    )
    one = outcome(step, exact, uncertain)
    other = outcome(step, replace(exact, charges=portions + exact.charges[1:]), uncertain)
    sums, expected = amounts(other), amounts(one)
    for name in [name for name in sums if "_u" in name]:
        del sums[name], expected[name]
    alike(sums, expected)
    assert other.limiting_reagent == one.limiting_reagent
    # A microgram on at least a gram: beside it, what is left is the assay's.
    assert other.yield_u == pytest.approx(one.yield_u, rel=1e-3, abs=1e-5 * (one.yield_fraction or 0.0))


@given(cases(), FRACTIONS, FRACTIONS)
def test_a_purer_product_is_a_larger_yield(
    case: tuple[Step, Run, dict[str, ShelfLot]], one_assay: float, other_assay: float
) -> None:
    step, run, lots = case
    crops = [line for line in run.outturns if line.role != RECOVERED]

    def yield_at(assay: float) -> float:
        held = tuple(replace(crop, strength=strength(assay=assay)) for crop in crops)
        return outcome(step, replace(run, outturns=held), lots).yield_fraction or 0.0

    assert yield_at(one_assay) * other_assay == pytest.approx(yield_at(other_assay) * one_assay, rel=1e-9)
    assert (yield_at(one_assay) < yield_at(other_assay)) == (one_assay < other_assay)


@given(cases(STOICHIOMETRIC))
def test_no_reactant_is_overdrawn(case: tuple[Step, Run, dict[str, ShelfLot]]) -> None:
    """The theoretical amount is the least of what each reactant alone could give."""
    step, run, lots = case
    found = outcome(step, run, lots)
    mass = MATERIALS[step.product].molar_mass_g_per_mol or 0.0
    bounds = {
        code: mass * sum(line.contained_mol or 0.0 for line in found.charges if line.material == code) / nu
        for code, nu in SALT.reactants.items()
    }
    assert found.theoretical_g == pytest.approx(min(bounds.values()), rel=1e-12)
    assert found.limiting_reagent is not None
    assert bounds[found.limiting_reagent] == pytest.approx(min(bounds.values()), rel=1e-12)


@given(cases(), GRAMS)
def test_what_takes_no_part_changes_no_yield(case: tuple[Step, Run, dict[str, ShelfLot]], added: Quantity) -> None:
    step, run, lots = case
    bystander = "chalk" if step.basis != MASS_RATIO else "water"
    one = outcome(step, run, lots)
    other = outcome(step, replace(run, charges=(*run.charges, Charge(added, material=bystander))), lots)
    names = ("theoretical_g", "theoretical_u_g", "yield_fraction", "yield_u", "crude_yield", "batch_g", "net_g")
    alike({name: getattr(other, name) for name in names}, {name: getattr(one, name) for name in names})
    assert other.limiting_reagent == one.limiting_reagent
    assert (other.mass_balance or 0.0) < (one.mass_balance or 0.0)


@given(st.floats(0.01, 100.0))
def test_a_balanced_reaction_conserves_mass(extent_mol: float) -> None:
    """All reactants in the proportions of the equation, all products in full: what goes in comes out."""

    def grams(code: str, nu: int) -> Quantity:
        return Quantity(Decimal(repr(nu * extent_mol * (MATERIALS[code].molar_mass_g_per_mol or 0.0))), "g")

    step = STEPS[STOICHIOMETRIC]
    charges = tuple(Charge(grams(code, nu), material=code) for code, nu in SALT.reactants.items())
    outturns = tuple(
        Outturn(code, "product" if code == step.product else "co-product", net=grams(code, nu))
        for code, nu in SALT.products.items()
    )
    found = outcome(step, Run("r", "r", "s", "finished", charges, outturns, all_weighed=True), {})
    assert found.mass_balance == pytest.approx(1.0, rel=1e-12)
    assert found.yield_fraction == pytest.approx(1.0, rel=1e-12)


@given(FRACTIONS, FRACTIONS, st.integers(20, 300), st.integers(1, 1000))
def test_a_run_charged_by_the_bill_gives_what_the_bill_says(
    key_assay: float, soda_assay: float, percent: int, batch_g: int
) -> None:
    """Two roads: grams by the bill and a run of them; the theoretical amount a gram of key input, times the grams."""
    equivalents = parse_number(str(Decimal(percent) / 100), name="equivalents")
    step = replace(STEPS[STOICHIOMETRIC], bill=(BillLine("soda", equivalents=equivalents),))
    strengths = {"vitriol": strength(assay=key_assay), "soda": strength(assay=soda_assay)}
    need = need_of(step, step.bill[0], MATERIALS, strengths)
    assert need.per_g is not None
    charges = (
        Charge(Quantity(Decimal(batch_g), "g"), material="vitriol", strength=strengths["vitriol"]),
        Charge(Quantity(Decimal(repr(need.per_g * batch_g)), "g"), material="soda", strength=strengths["soda"]),
    )
    found = outcome_of(Run("r", "r", "s", "open", charges), step, MATERIALS, {})
    per_gram, reason = theoretical_per_gram(step, MATERIALS, strengths)
    assert reason is None
    assert per_gram is not None
    assert found.theoretical_g == pytest.approx(per_gram * batch_g, rel=1e-9)
    key, soda = found.charges
    assert key.contained_mol is not None
    assert soda.contained_mol == pytest.approx(equivalents.base() * key.contained_mol, rel=1e-9)
