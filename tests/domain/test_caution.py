"""Cautions: figures to check by hand, the thresholds from both sides, and what is said when data lack."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from service.domain.caution import STANDING, Caution, adiabatic_rise_k, batch_cautions, gas_volume_l
from service.domain.planned_batch import BatchMaterial, GasRelease, PlannedBatch
from service.domain.quantity import parse_fraction, parse_quantity
from service.domain.workshop import MaterialLimit

PLAIN = PlannedBatch("s", 10.0, gases=(), largest_before_g=10.0)
HYDROGEN = GasRelease("hydrogen", 1.5 * 10 / 26.9815, 0.04, ("H220",))  # lower limit 4 %: from memory
ALUMINIUM_MOLAR_MASS = 26.9815  # CIAAW 2021
ENTHALPY = -415.0  # kJ per mole of aluminium in lye: from memory


def cautions(batch: PlannedBatch, *limits: MaterialLimit) -> dict[str, Caution]:
    return {caution.code: caution for caution in batch_cautions(batch, limits)[0]}


def levels(batch: PlannedBatch, *limits: MaterialLimit) -> dict[str, str]:
    return {code: caution.level for code, caution in cautions(batch, *limits).items()}


def not_assessed(batch: PlannedBatch, *limits: MaterialLimit) -> str:
    return "\n".join(batch_cautions(batch, limits)[1])


def test_the_standing_sentence_is_word_for_word() -> None:
    assert STANDING == (
        "Arithmetic on what was recorded, not a safety review. What is not listed was not assessed. "
        "Local law, local codes and a competent person who sees the set-up decide."
    )


@pytest.mark.parametrize(("key_input_g", "level"), [(30.0, None), (30.1, "warn"), (100.0, "warn"), (100.1, "stop")])
def test_a_batch_beyond_the_record(key_input_g: float, level: str | None) -> None:
    assert levels(replace(PLAIN, key_input_g=key_input_g)).get("batch-beyond-record") == level


def test_cooling_per_volume_falls_with_the_cube_root() -> None:
    # Geometry: surface over volume goes as r^(-1/3) in the amount, 0.69 at three times and 0.46 at ten.
    assert "falls to 0.69" in cautions(replace(PLAIN, key_input_g=30.0001))["batch-beyond-record"].detail
    assert "falls to 0.46" in cautions(replace(PLAIN, key_input_g=100.01))["batch-beyond-record"].detail


def test_a_step_that_never_succeeded_is_noted() -> None:
    assert levels(replace(PLAIN, largest_before_g=None))["first-batch"] == "note"


def heated(aluminium_g: float, contents_g: float) -> PlannedBatch:
    return replace(
        PLAIN,
        enthalpy_kj_per_mol=ENTHALPY,
        extent_mol=aluminium_g / ALUMINIUM_MOLAR_MASS,
        contents_g=contents_g,
        specific_heat_j_per_g_k=4.18,
    )


def test_the_rise_without_cooling() -> None:
    # 5 g in 200 g: 0.1853 mol x 415 kJ/(200 g x 4.18 J/(g K)) = 92 K; 10 g in 150 g: 245 K.
    assert cautions(heated(5, 200))["adiabatic-rise"].value == pytest.approx(92, abs=0.5)
    assert cautions(heated(10, 150))["adiabatic-rise"].value == pytest.approx(245, abs=0.5)
    assert (levels(heated(5, 200))["adiabatic-rise"], levels(heated(10, 150))["adiabatic-rise"]) == ("warn", "stop")
    assert "adiabatic-rise" not in levels(heated(1, 200))
    assert adiabatic_rise_k(20.0, 1.0, 100.0, 4.18) < 0


def test_heat_stays_in_what_is_there_while_it_is_given_off() -> None:
    # The bill is 500 g in the end; 5 g of aluminium in 200 g of lye: 92 K, in the whole bill 37 K.
    batch = heated(5, 500)
    assert "adiabatic-rise" not in levels(batch)
    assert "before the whole bill is in the vessel: needs reaction mass" in not_assessed(batch)
    in_lye = replace(batch, reaction_mass_g=200.0)
    assert cautions(in_lye)["adiabatic-rise"].value == pytest.approx(92, abs=0.5)
    assert "200 g of contents" in cautions(in_lye)["adiabatic-rise"].detail
    assert "reaction mass" not in not_assessed(in_lye)


@pytest.mark.parametrize("lacking", ["enthalpy_kj_per_mol", "extent_mol", "contents_g", "specific_heat_j_per_g_k"])
def test_no_rise_from_a_default(lacking: str) -> None:
    batch = replace(heated(10, 150), **{lacking: None})
    assert "adiabatic-rise" not in levels(batch)
    assert "temperature rise: needs" in not_assessed(batch)


def test_an_exothermic_batch_all_at_once_and_larger_than_before_stops() -> None:
    larger = replace(heated(5, 200), key_input_g=10.1, all_at_once=True)
    assert levels(larger)["all-at-once"] == "stop"
    assert "all-at-once" not in levels(replace(larger, key_input_g=10.0))
    assert "all-at-once" not in levels(replace(larger, enthalpy_kj_per_mol=30.0))
    assert "charged all at once: needs reaction enthalpy" in not_assessed(replace(larger, enthalpy_kj_per_mol=None))


def test_ten_grams_of_aluminium_give_13_litres_of_hydrogen() -> None:
    assert gas_volume_l(1.5 * 10 / ALUMINIUM_MOLAR_MASS) == pytest.approx(13.37, abs=0.005)
    # The molar volume of an ideal gas at 20 °C and 101.325 kPa is 24.055 L/mol (CODATA R).
    assert gas_volume_l(1.0) == pytest.approx(24.055, abs=0.0005)


def test_flammable_gas_is_held_against_the_air_around_the_vessel_and_in_the_room() -> None:
    # 13.37 L in 1 m³ are 0.33 of the limit of 40 L; in a room of 50 m³ 0.007 of it, in one of 1.2 m³ 0.28.
    batch = replace(PLAIN, gases=(HYDROGEN,), room_ml=50e6, vessel_ml=1000.0, contents_ml=600.0)
    found, _ = batch_cautions(batch)
    stops = [caution for caution in found if caution.code == "flammable-limit"]
    assert [stop.value for stop in stops] == [pytest.approx(0.334, abs=0.001)]
    assert "vessel's mouth" in stops[0].detail
    assert "33.4 times the headspace" in cautions(batch)["flammable-gas"].detail
    assert levels(batch)["flammable-gas"] == "warn"
    small_room = batch_cautions(replace(batch, room_ml=1.2e6))[0]
    assert len([caution for caution in small_room if caution.code == "flammable-limit"]) == 2
    little = replace(batch, gases=(replace(HYDROGEN, amount_mol=0.1),))
    assert levels(little)["flammable-gas"] == "warn"
    assert "flammable-limit" not in levels(little)


def test_what_a_gas_lacks_is_said() -> None:
    unknown = replace(PLAIN, gases=(GasRelease("hydrogen", None, hazards=("H220",)),))
    assert levels(unknown)["flammable-gas"] == "warn"
    assert "volume of hydrogen" in not_assessed(unknown)
    assert "needs lower flammable limit" in not_assessed(
        replace(PLAIN, gases=(replace(HYDROGEN, lower_flammable_limit=None),))
    )
    assert "needs room volume" in not_assessed(replace(PLAIN, gases=(HYDROGEN,)))
    assert "gas given off: needs a reaction" in not_assessed(replace(PLAIN, gases=None))


def test_a_headspace_that_is_not_known_is_said() -> None:
    batch = replace(PLAIN, gases=(HYDROGEN,), room_ml=50e6, vessel_ml=1000.0)
    assert "hydrogen in the headspace: needs volume of the contents" in not_assessed(batch)
    assert "vessel's mouth" in cautions(batch)["flammable-gas"].detail
    assert "headspace" not in not_assessed(replace(batch, contents_ml=100.0))


def test_any_gas_in_a_closed_vessel_stops() -> None:
    for amount_mol in (0.001, None):
        closed = replace(PLAIN, gases=(GasRelease("nitrogen", amount_mol),), closed_vessel=True)
        assert levels(closed)["gas-in-closed-vessel"] == "stop"


def test_carbon_dioxide_against_the_room() -> None:
    # Half a percent of 20 m³ are 100 L, or 4.157 mol.
    room = replace(PLAIN, room_ml=20e6)
    assert "carbon-dioxide" not in levels(replace(room, gases=(GasRelease("co2", 4.15, carbon_dioxide=True),)))
    assert levels(replace(room, gases=(GasRelease("co2", 4.17, carbon_dioxide=True),)))["carbon-dioxide"] == "warn"
    lone = replace(PLAIN, gases=(GasRelease("co2", 4.17, carbon_dioxide=True),))
    assert "co2 in the room: needs room volume" in not_assessed(lone)


def test_statements_are_given_with_the_mass_and_silence_is_said() -> None:
    vitriol = BatchMaterial("blue-vitriol", 50.0, hazards=("H302", "H318"))
    fatal = BatchMaterial("salt", 2.0, hazards=("H300+H310",))
    batch = replace(PLAIN, charges=(vitriol, fatal, BatchMaterial("water", 400.0)))
    found = [caution for caution in batch_cautions(batch)[0] if caution.code == "hazard-statements"]
    assert [(caution.level, caution.value) for caution in found] == [("warn", 2.0), ("note", 50.0)]
    assert "50 g of blue-vitriol: H302, H318" in found[1].detail
    assert "hazards of water: no statement is recorded" in not_assessed(batch)


@pytest.mark.parametrize(
    ("statement", "other", "level"),
    [
        ("H260", BatchMaterial("lye", 1.0, water=True, acid=False), "stop"),
        ("H261", BatchMaterial("lye", 1.0, water=True, acid=False), "warn"),
        ("EUH031", BatchMaterial("vinegar", 1.0, water=True, acid=True), "warn"),
        ("EUH032", BatchMaterial("vinegar", 1.0, water=True, acid=True), "stop"),
    ],
)
def test_incompatible_pairs_that_the_statements_show(statement: str, other: BatchMaterial, level: str) -> None:
    salt = BatchMaterial("salt", 5.0, hazards=(statement,))
    batch = replace(PLAIN, charges=(salt, other))
    assert levels(batch)["incompatible"] == level
    assert other.code in cautions(batch)["incompatible"].detail
    harmless = replace(batch, charges=(salt, replace(other, acid=False, water=False)))
    assert "incompatible" not in levels(harmless)
    assert "is or holds" not in not_assessed(harmless)
    unknown = replace(batch, charges=(salt, replace(other, acid=None, water=None)))
    assert "incompatible" not in levels(unknown)
    assert f"needs whether {other.code} is or holds" in not_assessed(unknown)


def test_what_the_reaction_makes_sets_off_pairs_too() -> None:
    salt = BatchMaterial("salt", 5.0, hazards=("EUH032",))
    made = BatchMaterial("ethanoic-acid", 3.0, acid=True)
    assert levels(replace(PLAIN, charges=(salt,), made=(made,)))["incompatible"] == "stop"
    assert levels(replace(PLAIN, charges=(made,), made=(salt,)))["incompatible"] == "stop"
    assert "incompatible" not in levels(replace(PLAIN, charges=(salt,)))


def test_metal_that_goes_to_waste() -> None:
    # 50 g of CuSO4.5H2O (249.68 g/mol) hold 50/249.68 x 63.546 = 12.73 g of copper (CIAAW 2021). At a mean yield of
    # 0.9 the product holds 11.45 g of it, and 1.27 g go to waste.
    copper_g = 50 / 249.68 * 63.546
    vitriol = BatchMaterial("vitriol", 50.0, elements=frozenset({"Cu", "S", "O"}), element_g={"Cu": copper_g, "S": 6.4})
    product = BatchMaterial("malachite", 22.1, elements=frozenset({"Cu", "C"}), element_g={"Cu": copper_g})
    batch = replace(PLAIN, charges=(vitriol, BatchMaterial("ash", 20.0)), made=(product,), mean_yield=0.9)
    found = cautions(batch)["metal-to-waste"]
    assert found.value == pytest.approx(1.27, abs=0.005)
    assert "of 12.7 g of Cu charged, 1.27 g go" in found.detail
    assert cautions(replace(batch, made=()))["metal-to-waste"].value == pytest.approx(12.73, abs=0.005)
    without_run = replace(batch, mean_yield=None)
    assert cautions(without_run)["metal-to-waste"].value == pytest.approx(12.73, abs=0.005)
    assert "Cu going to waste: needs a run of the step" in not_assessed(without_run)
    unknown = replace(batch, charges=(replace(vitriol, element_g={}),))
    assert "metal-to-waste" not in levels(unknown)
    assert "Cu going to waste: needs the amount of vitriol" in not_assessed(unknown)
    assert "needs the amount of malachite" in not_assessed(replace(batch, made=(replace(product, element_g={}),)))


@pytest.mark.parametrize(
    ("contents_ml", "foams", "level"),
    [(600, False, None), (601, False, "warn"), (400, True, None), (401, True, "warn"), (1001, False, "stop")],
)
def test_fill_level(contents_ml: float, foams: bool, level: str | None) -> None:
    batch = replace(PLAIN, vessel_ml=1000.0, contents_ml=float(contents_ml), foams=foams)
    assert levels(batch).get("fill-level") == level
    assert "fill level: needs vessel" in not_assessed(replace(batch, vessel_ml=None))


def test_metals_and_aquatic_poisons_are_collected() -> None:
    batch = replace(
        PLAIN, charges=(BatchMaterial("blue-vitriol", 50.0, hazards=("H410",), elements=frozenset({"Cu"})),)
    )
    assert "50 g of blue-vitriol (H410, Cu)" in cautions(batch)["liquors-to-collect"].detail
    soda = replace(
        PLAIN, charges=(BatchMaterial("soda", 50.0, hazards=("H319",), elements=frozenset({"Na", "C", "O"})),)
    )
    assert "liquors-to-collect" not in levels(soda)


def test_the_workshops_own_limits_hold_for_charges_and_for_what_is_made() -> None:
    day = dt.date(2026, 1, 5)
    mass = MaterialLimit("peroxide", "house rule 4", day, largest_amount=parse_quantity("100 g", ("mass",)))
    strong = MaterialLimit("peroxide", "house rule 4", day, parse_quantity("100 g", ("mass",)),
                           parse_quantity("3 mol/L", ("molar-concentration",)), "permit A")  # fmt: skip
    charged = replace(PLAIN, charges=(BatchMaterial("peroxide", 100.1, molarity_mol_per_l=2.9),))
    assert levels(charged, mass)["workshop-limit"] == "stop"
    assert cautions(charged, mass)["workshop-limit"].source == "house rule 4, 2026-01-05"
    assert "workshop-limit" not in levels(replace(charged, charges=(BatchMaterial("peroxide", 100.0),)), mass)
    made = replace(PLAIN, made=(BatchMaterial("peroxide", 1.0, molarity_mol_per_l=3.1),))
    assert levels(made, strong)["workshop-limit"] == "stop"
    assert levels(made, strong)["licence"] == "warn"
    assert "needs its mass" in not_assessed(replace(PLAIN, charges=(BatchMaterial("peroxide"),)), mass)
    assert "workshop-limit" not in levels(replace(PLAIN, charges=(BatchMaterial("soda", 500.0),)), mass)


def test_a_limit_holds_for_whatever_holds_the_material_and_for_all_batches_together() -> None:
    # 200 g of a 30 % solution hold 60 g, and 50 g of a feed with 2 % of it 1 g: 61 g a batch, 183 g in three.
    day = dt.date(2026, 1, 5)
    limit = MaterialLimit("peroxide", "house rule 4", day, parse_quantity("100 g", ("mass",)),
                          parse_fraction("0.12", name="limit"))  # fmt: skip
    strong = BatchMaterial("peroxide-30", 200.0, holds={"peroxide": 0.30}, analyte="peroxide")
    feed = BatchMaterial("waste", 50.0, holds={"peroxide": 0.02, "salt": 0.5})
    batch = replace(PLAIN, charges=(strong, feed))
    found = [each for each in batch_cautions(batch, [limit])[0] if each.code == "workshop-limit"]
    assert [(each.level, each.value) for each in found] == [("stop", 0.30)]
    assert "peroxide in peroxide-30 is beyond" in found[0].detail
    three = batch_cautions(replace(batch, batches=3), [limit])[0]
    amounts = [each for each in three if each.code == "workshop-limit" and (each.value or 0) > 1]
    assert [each.value for each in amounts] == [pytest.approx(183)]
    assert "over 3 batches" in amounts[0].detail
    unknown = replace(batch, charges=(replace(strong, holds={"peroxide": None}),))
    assert "against the limit of 100 g of peroxide: needs its mass" in not_assessed(unknown, limit)
    assert "against the limit of 0.12 of peroxide: needs its fraction" in not_assessed(unknown, limit)
    made = replace(PLAIN, made=(BatchMaterial("crude", 400.0, mass_fraction=0.9, holds={"peroxide": 0.9}),))
    assert levels(made, limit)["workshop-limit"] == "stop"


def test_molar_limits_look_through_to_the_analyte() -> None:
    limit = MaterialLimit("acid", "house rule 5", dt.date(2026, 1, 5),
                          largest_concentration=parse_quantity("6 mol/L", ("molar-concentration",)))  # fmt: skip
    strong = BatchMaterial("acid-strong", 10.0, molarity_mol_per_l=12.0, holds={"acid": None}, analyte="acid")
    assert cautions(replace(PLAIN, charges=(strong,)), limit)["workshop-limit"].value == 12.0
    other = replace(strong, analyte="base", holds={"acid": 0.1})  # the molarity is of something else
    assert "workshop-limit" not in levels(replace(PLAIN, charges=(other,)), limit)


def test_the_gravest_comes_first_and_the_steps_own_words_are_kept() -> None:
    batch = replace(heated(10, 150), key_input_g=40.0, recorded=("add the metal in portions",))
    found, _ = batch_cautions(batch)
    assert [caution.level for caution in found] == ["stop", "warn", "note"]
    assert found[-1].detail == "add the metal in portions"
    assert found[0].as_dict()["code"] == "adiabatic-rise"
