"""Cautions: what could hurt in one planned batch, computed from what was recorded and never from a default.

What the records do not carry is said to be not assessed, by name. Levels: ``note`` is worth knowing, ``warn`` wants a
decision, ``stop`` wants the caution's code acknowledged before a plan holds such a batch. Which level a figure earns is
judgement unless the caution's source says otherwise. No legal list is built in: limits are those that the workshop
itself recorded.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain
from typing import Final

from service.domain.caution_kind import JUDGEMENT, STATEMENTS
from service.domain.caution_kind import Caution as Caution
from service.domain.caution_materials import Said, hazards, liquors, metals, pairs, workshop_limits
from service.domain.planned_batch import GasRelease, PlannedBatch
from service.domain.workshop import MaterialLimit

STANDING: Final = (
    "Arithmetic on what was recorded, not a safety review. What is not listed was not assessed. "
    "Local law, local codes and a competent person who sees the set-up decide."
)

GAS_CONSTANT: Final = 8.314462618
"""J/(mol K), the product of the fixed Avogadro and Boltzmann constants (BIPM, The SI, 9th edition 2019)."""

ROOM_TEMPERATURE_K: Final = 293.15
ATMOSPHERE_PA: Final = 101_325.0

_GRAVEST_FIRST: Final = ("stop", "warn", "note")
_TIMES_WARN, _TIMES_STOP = 3.0, 10.0
_RISE_WARN_K, _RISE_STOP_K = 50.0, 200.0
_FULL, _FULL_FOAMING = 0.6, 0.4
_OF_FLAMMABLE_LIMIT = 0.25
_CARBON_DIOXIDE_LIMIT = 0.005
_AROUND_THE_VESSEL_ML = 1e6
_AVERAGES = "an average does not describe the air at the vessel's mouth"


def batch_cautions(
    batch: PlannedBatch, limits: Sequence[MaterialLimit] = ()
) -> tuple[tuple[Caution, ...], tuple[str, ...]]:
    """Return the cautions of one planned batch, the gravest first, and what was not assessed and for want of what.

    ``limits``: those that the workshop recorded for materials. The sentence ``STANDING`` goes with every answer.

    >>> batch = PlannedBatch("dissolve", 40.0, gases=(), largest_before_g=10.0)
    >>> found, missing = batch_cautions(batch)
    >>> found[0].level, found[0].detail
    ('warn', 'a batch of 40 g is 4 times the largest successful run (10 g); cooling per volume falls to 0.63')
    >>> missing[0]
    'temperature rise: needs reaction enthalpy, extent of reaction, mass of the contents, specific heat'
    """
    rules = (_beyond_record, _heat, _gases, hazards, pairs, _fill, liquors, metals, _recorded)
    found: list[Caution] = []
    missing: list[str] = []
    for said in chain(*(rule(batch) for rule in rules), workshop_limits(batch, limits)):
        if isinstance(said, Caution):
            found.append(said)
        else:
            missing.append(said)
    return tuple(sorted(found, key=lambda caution: _GRAVEST_FIRST.index(caution.level))), tuple(missing)


def gas_volume_l(amount_mol: float) -> float:
    """Return the volume in litres of ``amount_mol`` of an ideal gas, V = nRT/P, at 20 °C and 101.325 kPa.

    10 g of aluminium give 1.5 mol of hydrogen a mole:

    >>> round(gas_volume_l(1.5 * 10 / 26.9815), 2)
    13.37
    """
    return amount_mol * GAS_CONSTANT * ROOM_TEMPERATURE_K / ATMOSPHERE_PA * 1000


def adiabatic_rise_k(
    enthalpy_kj_per_mol: float, extent_mol: float, contents_g: float, specific_heat_j_per_g_k: float
) -> float:
    """Return the temperature rise in kelvin, were all heat to stay in the contents: (−ΔH·n)/(m·c_p).

    Negative where the reaction takes heat up. From memory: 415 kJ per mole of aluminium dissolved in lye.

    >>> round(adiabatic_rise_k(-415.0, 5 / 26.98, 200.0, 4.18))
    92
    """
    return -enthalpy_kj_per_mol * 1000 * extent_mol / (contents_g * specific_heat_j_per_g_k)


def _needs(what: str, **known: float | None) -> str | None:
    """The sentence that says what is not assessed for want of which data; None where nothing is wanting."""
    wanting = [name.replace("_", " ") for name, value in known.items() if value is None]
    return f"{what}: needs {', '.join(wanting)}" if wanting else None


def _beyond_record(batch: PlannedBatch) -> Said:
    before = batch.largest_before_g
    if not before:
        yield Caution("note", "first-batch", batch.step, "no earlier run of this step succeeded", None, JUDGEMENT)
        return
    times = batch.key_input_g / before
    if times > _TIMES_WARN:
        yield Caution(
            "stop" if times > _TIMES_STOP else "warn",
            "batch-beyond-record",
            batch.step,
            f"a batch of {batch.key_input_g:g} g is {times:.3g} times the largest successful run ({before:g} g); "
            f"cooling per volume falls to {times ** (-1 / 3):.2f}",
            times,
            f"{JUDGEMENT}; cooling as surface to volume of one shape",
        )


def _heat(batch: PlannedBatch) -> Said:
    enthalpy = batch.enthalpy_kj_per_mol
    heated_g = batch.reaction_mass_g or batch.contents_g
    if lacking := _needs(
        "temperature rise",
        reaction_enthalpy=enthalpy,
        extent_of_reaction=batch.extent_mol,
        mass_of_the_contents=heated_g or None,
        specific_heat=batch.specific_heat_j_per_g_k or None,
    ):
        yield lacking
    elif enthalpy and batch.extent_mol and heated_g and batch.specific_heat_j_per_g_k:
        rise = adiabatic_rise_k(enthalpy, batch.extent_mol, heated_g, batch.specific_heat_j_per_g_k)
        if rise > _RISE_WARN_K:
            yield Caution(
                "stop" if rise > _RISE_STOP_K else "warn",
                "adiabatic-rise",
                batch.step,
                f"without cooling {heated_g:.4g} g of contents would warm by {rise:.0f} K",
                rise,
                "(−ΔH·n)/(m·c_p); Stoessel, Thermal Safety of Chemical Processes (from memory)",
            )
        if batch.reaction_mass_g is None and enthalpy < 0:
            yield "temperature rise before the whole bill is in the vessel: needs reaction mass"
    if not batch.all_at_once or batch.key_input_g <= (batch.largest_before_g or 0.0):
        return
    if enthalpy is None:
        yield "charged all at once: needs reaction enthalpy"
    elif enthalpy < 0:
        detail = f"an exothermic batch of {batch.key_input_g:g} g, larger than any before, is charged all at once"
        yield Caution("stop", "all-at-once", batch.step, detail, batch.key_input_g, JUDGEMENT)


def _gases(batch: PlannedBatch) -> Said:
    if batch.gases is None:
        yield "gas given off: needs a reaction"
    for gas in batch.gases or ():
        if batch.closed_vessel:
            detail = f"{gas.code} is given off in a closed vessel"
            yield Caution("stop", "gas-in-closed-vessel", batch.step, detail, gas.amount_mol, JUDGEMENT)
        if gas.amount_mol is None:
            if gas.flammable:
                yield Caution("warn", "flammable-gas", batch.step, f"{gas.code} burns", None, STATEMENTS)
            yield f"volume of {gas.code}: needs amount of gas"
            continue
        volume_l = gas_volume_l(gas.amount_mol)
        if gas.flammable:
            yield from _flammable(batch, gas, volume_l)
        elif gas.amount_mol > 0:
            detail = f"{volume_l:.3g} L of {gas.code} at 20 °C and 101.325 kPa"
            yield Caution("note", "gas-given-off", batch.step, detail, volume_l, "V = nRT/P")
        if gas.carbon_dioxide:
            if batch.room_ml is None:
                yield f"{gas.code} in the room: needs room volume"
            elif volume_l * 1000 > _CARBON_DIOXIDE_LIMIT * batch.room_ml:
                part = volume_l * 1000 / batch.room_ml
                detail = (
                    f"{volume_l:.3g} L of {gas.code} are {part:.3g} of the room's volume; 0.005 is the limit at work"
                )
                yield Caution("warn", "carbon-dioxide", batch.step, detail, part, "limit from memory; V = nRT/P")


def _flammable(batch: PlannedBatch, gas: GasRelease, volume_l: float) -> Said:
    spaces: dict[str, float | None] = {"1 m³ around the vessel": _AROUND_THE_VESSEL_ML, "the room": batch.room_ml}
    head_ml = None
    if batch.vessel_ml is not None and batch.contents_ml is not None:
        head_ml = max(0.0, batch.vessel_ml - batch.contents_ml)
    said = f"{volume_l:.3g} L of {gas.code} at 20 °C and 101.325 kPa"
    beside = f", {volume_l * 1000 / head_ml:.3g} times the headspace" if head_ml else ""
    detail = f"{said}, which burns{beside}; {_AVERAGES}"
    yield Caution("warn", "flammable-gas", batch.step, detail, volume_l, "V = nRT/P")
    lacking = _needs(f"{gas.code} in the headspace", vessel=batch.vessel_ml, volume_of_the_contents=batch.contents_ml)
    if lacking:
        yield lacking
    if gas.lower_flammable_limit is None:
        yield f"{gas.code} against its flammable limit: needs lower flammable limit"
        return
    for where, space_ml in spaces.items():
        if space_ml is None:
            yield f"{gas.code} in {where}: needs room volume"
            continue
        part = volume_l * 1000 / space_ml / gas.lower_flammable_limit
        if part > _OF_FLAMMABLE_LIMIT:
            detail = (
                f"{said}, evenly spread in {where}, are {part:.2g} of the lower flammable limit; 0.25 is the most; "
                f"{_AVERAGES}"
            )
            yield Caution("stop", "flammable-limit", batch.step, detail, part, "25 % of the lower limit (from memory)")


def _fill(batch: PlannedBatch) -> Said:
    if lacking := _needs("fill level", vessel=batch.vessel_ml or None, volume_of_the_contents=batch.contents_ml):
        yield lacking
    elif batch.vessel_ml and batch.contents_ml is not None:
        level, most = batch.contents_ml / batch.vessel_ml, _FULL_FOAMING if batch.foams else _FULL
        if level > most:
            detail = f"the contents fill {level:.2f} of the vessel; {most:g} is the most"
            detail += " where it foams" if batch.foams else ""
            yield Caution("stop" if level > 1 else "warn", "fill-level", batch.step, detail, level, JUDGEMENT)


def _recorded(batch: PlannedBatch) -> Said:
    for text in batch.recorded:
        yield Caution("note", "recorded", batch.step, text, None, "recorded with the step")
