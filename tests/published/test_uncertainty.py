"""Uncertainties against worked examples: EURACHEM/CITAC Guide CG 4 (QUAM:2012) and JCGM 100:2008."""

from __future__ import annotations

import math
from typing import Any

import pytest

from service.analytics.statistics.describe import describe
from service.domain.charge import Inputs, holding_of
from service.domain.formula import parse_formula
from service.domain.lot import Measured, Strength
from service.domain.material import Material
from service.domain.quantity import parse_quantity
from service.domain.uncertainty import propagate
from service.errors import InvalidInput
from tests.published.records import all_records, charge, outcome_by, reaction_of, retrieved, step_by

RECORDS = retrieved("uncertainty")
COMPUTED_HERE = {record["id"]: record for record in all_records("uncertainty") if record["status"] == "DERIVED"}

CADMIUM = RECORDS["QUAM-A1"]
RECTANGULAR, TRIANGULAR = math.sqrt(3), math.sqrt(6)
"""Half width over standard deviation (QUAM:2012, appendix E)."""


def test_nothing_is_missing() -> None:
    assert RECORDS.keys() == {"QUAM-A1", "GUM-4.4.3-TYPE-A", "GUM-7.2-MASS-REPORT"}
    assert COMPUTED_HERE.keys() == {"DERIVED-MM-UNCERTAINTY", "DERIVED-YIELD-UNCERTAINTY"}


# QUAM:2012, example A1: a calibration standard of cadmium, c = 1000·m·P/V.


def cadmium_inputs() -> tuple[list[float], list[float]]:
    """Mass in mg, purity, volume in mL, with their standard uncertainties as the example states them."""
    stated: dict[str, Any] = CADMIUM["inputs"]
    purity, mass, volume = stated["P"], stated["m_mg"], stated["V_mL"]
    parts = volume["components"]
    assert [parts[name].get("dist") for name in parts] == ["triangular", None, "rectangular"]
    u_volume = math.hypot(
        parts["flask"]["half_width"] / TRIANGULAR,
        parts["repeatability"]["u"],
        parts["temperature"]["half_width"] / RECTANGULAR,
    )
    us = [mass["u"], purity["half_width"] / RECTANGULAR, u_volume]
    return [mass["value"], purity["value"], volume["value"]], us


def cadmium(x: list[float]) -> tuple[float]:
    return (1000.0 * x[0] * x[1] / x[2],)


def test_calibration_standard() -> None:
    values, us = cadmium_inputs()
    expected = CADMIUM["expected"]
    assert cadmium(values)[0] == pytest.approx(expected["c_mg_L"], abs=0.05)
    (u,) = propagate(cadmium, values, us)
    assert u == pytest.approx(expected["u_unrounded"], abs=1e-6)
    # The guide rounds on the way, u(V) to 0.07 mL, and prints 0.9.
    (rounded,) = propagate(cadmium, values, [us[0], us[1], 0.07])
    assert round(rounded, 1) == expected["u_guide_rounded"]


@pytest.mark.parametrize(("name", "place"), [("m", 0), ("P", 1), ("V", 2)])
def test_contributions_to_the_calibration_standard(name: str, place: int) -> None:
    values, us = cadmium_inputs()
    alone = [u if at == place else 0.0 for at, u in enumerate(us)]
    (u,) = propagate(cadmium, values, alone)
    assert u == pytest.approx(CADMIUM["expected"]["contributions"][name], rel=1e-5)


def test_calibration_standard_as_a_weighed_charge() -> None:
    """The same model on its way through a charge: contained grams in the volume it is made up to."""
    (mass_mg, purity, volume_ml), us = cadmium_inputs()
    inputs = Inputs()
    weighed = parse_quantity(f"{mass_mg} mg ± {us[0]} mg", ("mass",))
    held = holding_of(weighed, Strength(assay=Measured(purity, us[1])), Material("Cd", "Cd"), None, inputs, "foil")
    place = inputs.take(Measured(volume_ml, us[2]))
    assert held.contained is not None
    contained = held.contained

    def mg_per_l(x: list[float]) -> tuple[float]:
        return (contained(x) * 1e6 / x[place],)

    assert propagate(mg_per_l, inputs.values, inputs.us) == pytest.approx([0.835199], abs=1e-6)


# JCGM 100:2008


def test_repeated_readings() -> None:
    # 4.4.3, table 1: the mean 100.145 is printed as 100.14.
    readings, expected = RECORDS["GUM-4.4.3-TYPE-A"]["inputs"]["t_degC"], RECORDS["GUM-4.4.3-TYPE-A"]["expected"]
    described = describe(readings)
    assert described.counted == 20
    assert described.mean == pytest.approx(expected["mean"], abs=0.006)
    assert described.sd == pytest.approx(expected["s"], abs=0.005)
    assert described.sd is not None
    assert described.sd / math.sqrt(20) == pytest.approx(expected["u_mean"], abs=0.005)


def test_a_reported_mass_is_read_as_it_is_reported() -> None:
    # 7.2.2: m_s = 100.02147(35) g, the figure in brackets counting in the last digits.
    stated, expected = RECORDS["GUM-7.2-MASS-REPORT"]["inputs"], RECORDS["GUM-7.2-MASS-REPORT"]["expected"]
    short, long = expected["forms"]
    mass = parse_quantity(f"{short} g", ("mass",))
    assert (mass.base(), mass.stated_u_base()) == (stated["m_g"], stated["u_c_g"])
    assert mass == parse_quantity("100.02147 g ± 0.00035 g", ("mass",))
    # 7.2.4: expanded by k = 2.26 for 9 degrees.
    assert stated["k"] * stated["u_c_g"] == pytest.approx(expected["U_g"], abs=5e-6)
    # The longer form of 7.2.2 is refused, not taken for something else.
    with pytest.raises(InvalidInput):
        parse_quantity(f"{long} g", ("mass",))


# Computed when the records were collected: regressions, not published.


def test_uncertainty_of_a_molar_mass() -> None:
    record = COMPUTED_HERE["DERIVED-MM-UNCERTAINTY"]
    formula = parse_formula(record["inputs"]["formula"])
    assert formula.molar_mass_g_per_mol == pytest.approx(record["expected"]["M"], abs=5e-4)
    assert formula.molar_mass_u_g_per_mol == pytest.approx(record["expected"]["u_M"], rel=0.01)


def test_uncertainty_of_a_yield() -> None:
    # Masses of Org. Synth. Coll. Vol. 3, 350; 0.05 g a weighing is an assumption.
    record = COMPUTED_HERE["DERIVED-YIELD-UNCERTAINTY"]
    n, expected = record["inputs"], record["expected"]
    step = step_by(reaction_of("C14H12 + Br2 -> C14H12Br2"), "C14H12", "C14H12Br2")
    found = outcome_by(
        step,
        [charge(f"{n['m_start_g']} g ± {n['u_start']} g", "C14H12")],
        f"{n['m_product_g']} g ± {n['u_product']} g",
    )
    assert 100 * found.yield_fraction == pytest.approx(expected["yield_percent"], abs=1e-3)
    # The molar masses, which the record takes as exact, add the rest.
    assert 100 * found.yield_u == pytest.approx(expected["u_percent_points"], abs=1e-3)
