"""Solutions as they are bought: mass fraction and density against the printed concentration, weight against volume.

The concentrations are those of OpenStax Chemistry 2e (CC BY), appendix F, printed to three or four figures from
densities of two or three: within 1 %. The pairs of mass and volume stand side by side in Organic Syntheses.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.bill import unit_holding
from service.domain.charge import Inputs, holding_of, molar_mass_of
from service.domain.lot import Strength
from service.domain.material import Material
from tests.published.records import all_records, amount, half_digit, retrieved, strength, substances

ACIDS = retrieved("reagents_densities")
PAIRS = {record["id"]: record for record in all_records("reagents_densities") if record["id"].startswith("DN-PAIR-")}


def holds(size: str, code: str, made_of: Strength) -> dict[str, float]:
    """Gross and contained grams and contained moles of an amount."""
    of: Material = substances([code])[code]
    inputs = Inputs()
    found = holding_of(amount(size), made_of, of, molar_mass_of(of), inputs, "bottle")
    readings = {"gross_g": found.gross, "contained_g": found.contained, "contained_mol": found.mol}
    return {name: reading(inputs.values) for name, reading in readings.items() if reading is not None}


def test_nothing_is_missing() -> None:
    assert len(ACIDS) == 6
    assert len(PAIRS) == 9


@pytest.fixture(params=ACIDS.values(), ids=list(ACIDS))
def acid(request: pytest.FixtureRequest) -> dict[str, Any]:
    record: dict[str, Any] = request.param
    return {**record["inputs"], **record["expected"]}


def by_assay(acid: dict[str, Any]) -> Strength:
    return strength(assay=acid["mass_percent"] / 100, density=acid["density_g_mL"])


def test_assay_and_density_give_the_printed_concentration(acid: dict[str, Any]) -> None:
    found = holds("1 L", acid["formula"], by_assay(acid))
    assert found["contained_mol"] == pytest.approx(acid["molarity"], rel=0.01)


def test_a_gram_holds_the_same_by_either_statement(acid: dict[str, Any]) -> None:
    code = acid["formula"]
    of = substances([code])
    weighed = unit_holding(code, of, by_assay(acid))
    measured = unit_holding(code, of, strength(molarity=acid["molarity"], density=acid["density_g_mL"]))
    assert weighed.g_per_ml == measured.g_per_ml == acid["density_g_mL"]
    assert weighed.contained_g == pytest.approx(acid["mass_percent"] / 100, rel=1e-12)
    assert measured.contained_g == pytest.approx(weighed.contained_g, rel=0.01)
    assert measured.contained_mol == pytest.approx(weighed.contained_mol, rel=0.01)


def test_a_litre_by_weight_is_a_litre_by_volume(acid: dict[str, Any]) -> None:
    by_volume = holds("1 L", acid["formula"], by_assay(acid))
    by_weight = holds(f"{acid['density_g_mL']} kg", acid["formula"], by_assay(acid))
    by_moles = holds(f"{by_volume['contained_mol']:.12f} mol", acid["formula"], by_assay(acid))
    for other in (by_weight, by_moles):
        assert other == {name: pytest.approx(value, rel=1e-9) for name, value in by_volume.items()}


@pytest.mark.parametrize("record", PAIRS.values(), ids=list(PAIRS))
def test_printed_volumes_weigh_what_is_printed(record: dict[str, Any]) -> None:
    """Regression: the density is the quotient of the two printed figures, to five digits."""
    inputs, density = record["inputs"], record["expected"]["density_g_mL"]
    found = holds(f"{inputs['volume_mL']} mL", "H2O", strength(density=density))
    assert found["gross_g"] == pytest.approx(inputs["mass_g"], abs=half_digit(density) * inputs["volume_mL"])


def test_bromine_three_ways() -> None:
    # Org. Synth. Coll. Vol. 3, 350: 43 g, 13.8 mL, 0.27 mol.
    liquid = strength(density=PAIRS["DN-PAIR-bromine-OS-CV3-0350-A"]["expected"]["density_g_mL"])
    for size in ("43 g", "13.8 mL", "0.27 mol"):
        found = holds(size, "Br2", liquid)
        assert found["gross_g"] == pytest.approx(43, abs=0.5)
        assert found["contained_mol"] == pytest.approx(0.27, abs=0.005)
