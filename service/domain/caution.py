"""Cautions: what could hurt in one planned batch, computed from what was recorded and never from a default.

What the records do not carry is said to be not assessed, by name. Levels: ``note`` is worth knowing, ``warn`` wants a
decision, ``stop`` wants the caution's code acknowledged before a plan holds such a batch. Which level a figure earns is
judgement unless the caution's source says otherwise. No legal list is built in: limits are those that the workshop
itself recorded.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Final, Literal

from service.domain.planned_batch import BatchMaterial, GasRelease, PlannedBatch
from service.domain.workshop import MaterialLimit

STANDING: Final = (
    "Arithmetic on what was recorded, not a safety review. What is not listed was not assessed. "
    "Local law, local codes and a competent person who sees the set-up decide."
)

Level = Literal["note", "warn", "stop"]

JUDGEMENT: Final = "common practice (judgement)"
STATEMENTS: Final = "hazard statements as recorded (UN GHS; EUH: Regulation (EC) 1272/2008)"

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
_GRAVE: Final = frozenset({"H200", "H201", "H202", "H203", "H240", "H250", "H300", "H310", "H330", "H340", "H350"})
_AQUATIC: Final = frozenset({"H400", "H410", "H411"})
# Metals whose salts are collected whatever the label says.
_METALS: Final = frozenset(
    ("Ag", "As", "Ba", "Cd", "Co", "Cr", "Cu", "Hg", "Mn", "Mo", "Ni", "Pb", "Sb", "Se", "Sn", "Tl", "V", "Zn")
)
_SET_OFF: Final[Mapping[str, tuple[str, Level, str]]] = {
    "H260": ("water", "stop", "gives off flammable gas that may ignite by itself"),
    "H261": ("water", "warn", "gives off flammable gas"),
    "EUH014": ("water", "warn", "reacts violently"),
    "EUH029": ("water", "warn", "gives off toxic gas"),
    "EUH031": ("acid", "warn", "gives off toxic gas"),
    "EUH032": ("acid", "stop", "gives off very toxic gas"),
}


@dataclass(frozen=True, slots=True)
class Caution:
    """Something that could hurt: ``value`` is the figure behind it, ``source`` where the rule comes from."""

    level: Level
    code: str
    step: str
    detail: str
    value: float | None
    source: str

    def as_dict(self) -> dict[str, object]:
        """Return the caution as plain data."""
        return {
            "level": self.level,
            "code": self.code,
            "step": self.step,
            "detail": self.detail,
            "value": self.value,
            "source": self.source,
        }


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
    rules = (_beyond_record, _heat, _gases, _hazards, _pairs, _fill, _liquors, _recorded)
    found: list[Caution] = []
    missing: list[str] = []
    for said in chain(*(rule(batch) for rule in rules), _limits(batch, limits)):
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


_Said = Iterator[Caution | str]


def _needs(what: str, **known: float | None) -> str | None:
    """The sentence that says what is not assessed for want of which data; None where nothing is wanting."""
    wanting = [name.replace("_", " ") for name, value in known.items() if value is None]
    return f"{what}: needs {', '.join(wanting)}" if wanting else None


def _beyond_record(batch: PlannedBatch) -> _Said:
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


def _heat(batch: PlannedBatch) -> _Said:
    enthalpy = batch.enthalpy_kj_per_mol
    if lacking := _needs(
        "temperature rise",
        reaction_enthalpy=enthalpy,
        extent_of_reaction=batch.extent_mol,
        mass_of_the_contents=batch.contents_g or None,
        specific_heat=batch.specific_heat_j_per_g_k or None,
    ):
        yield lacking
    elif enthalpy and batch.extent_mol and batch.contents_g and batch.specific_heat_j_per_g_k:
        rise = adiabatic_rise_k(enthalpy, batch.extent_mol, batch.contents_g, batch.specific_heat_j_per_g_k)
        if rise > _RISE_WARN_K:
            yield Caution(
                "stop" if rise > _RISE_STOP_K else "warn",
                "adiabatic-rise",
                batch.step,
                f"without cooling the contents would warm by {rise:.0f} K",
                rise,
                "(−ΔH·n)/(m·c_p); Stoessel, Thermal Safety of Chemical Processes (from memory)",
            )
    if not batch.all_at_once or batch.key_input_g <= (batch.largest_before_g or 0.0):
        return
    if enthalpy is None:
        yield "charged all at once: needs reaction enthalpy"
    elif enthalpy < 0:
        detail = f"an exothermic batch of {batch.key_input_g:g} g, larger than any before, is charged all at once"
        yield Caution("stop", "all-at-once", batch.step, detail, batch.key_input_g, JUDGEMENT)


def _gases(batch: PlannedBatch) -> _Said:
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


def _flammable(batch: PlannedBatch, gas: GasRelease, volume_l: float) -> _Said:
    spaces: dict[str, float | None] = {"1 m³ around the vessel": _AROUND_THE_VESSEL_ML, "the room": batch.room_ml}
    head_ml = None
    if batch.vessel_ml is not None and batch.contents_ml is not None:
        head_ml = max(0.0, batch.vessel_ml - batch.contents_ml)
    said = f"{volume_l:.3g} L of {gas.code} at 20 °C and 101.325 kPa"
    beside = f", {volume_l * 1000 / head_ml:.3g} times the headspace" if head_ml else ""
    yield Caution("warn", "flammable-gas", batch.step, f"{said}, which burns{beside}", volume_l, "V = nRT/P")
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
                f"{said}, evenly spread in {where}, are {part:.2g} of the lower flammable limit; 0.25 is the most. "
                "An average does not describe the air at the vessel's mouth"
            )
            yield Caution("stop", "flammable-limit", batch.step, detail, part, "25 % of the lower limit (from memory)")


def _grams(material: BatchMaterial) -> str:
    return f"{'an unknown mass' if material.mass_g is None else f'{material.mass_g:.3g} g'} of {material.code}"


def _hazards(batch: PlannedBatch) -> _Said:
    silent = [material.code for material in batch.charges + batch.made if not material.hazards]
    for material in batch.charges + batch.made:
        if material.hazards:
            grave = _GRAVE.intersection(part[:4] for statement in material.hazards for part in statement.split("+"))
            detail = f"{_grams(material)}: {', '.join(material.hazards)}"
            yield Caution(
                "warn" if grave else "note", "hazard-statements", batch.step, detail, material.mass_g, STATEMENTS
            )
    for gas in batch.gases or ():
        if gas.hazards:
            detail = f"{gas.code}, given off: {', '.join(gas.hazards)}"
            yield Caution("warn", "hazard-statements", batch.step, detail, gas.amount_mol, STATEMENTS)
    if silent:
        yield f"hazards of {', '.join(dict.fromkeys(silent))}: no statement is recorded"


def _pairs(batch: PlannedBatch) -> _Said:
    for material in batch.charges:
        for statement in material.hazards:
            if statement not in _SET_OFF:
                continue
            trigger, level, what = _SET_OFF[statement]
            unknown = []
            for other in batch.charges:
                holds = other.water if trigger == "water" else other.acid
                if other.code == material.code:
                    continue
                if holds:
                    detail = f"{_grams(material)} ({statement}) {what} with {other.code}, which is or holds {trigger}"
                    yield Caution(level, "incompatible", batch.step, detail, material.mass_g, STATEMENTS)
                elif holds is None:
                    unknown.append(other.code)
            if unknown:
                yield f"{material.code} ({statement}): needs whether {', '.join(unknown)} is or holds {trigger}"


def _fill(batch: PlannedBatch) -> _Said:
    if lacking := _needs("fill level", vessel=batch.vessel_ml or None, volume_of_the_contents=batch.contents_ml):
        yield lacking
    elif batch.vessel_ml and batch.contents_ml is not None:
        level, most = batch.contents_ml / batch.vessel_ml, _FULL_FOAMING if batch.foams else _FULL
        if level > most:
            detail = f"the contents fill {level:.2f} of the vessel; {most:g} is the most"
            detail += " where it foams" if batch.foams else ""
            yield Caution("stop" if level > 1 else "warn", "fill-level", batch.step, detail, level, JUDGEMENT)


def _liquors(batch: PlannedBatch) -> _Said:
    for material in batch.charges:
        signs = sorted(_AQUATIC.intersection(material.hazards)) + sorted(_METALS & material.elements)
        if signs:
            detail = (
                f"{_grams(material)} ({', '.join(signs)}): what the product does not hold is in liquors and residues; "
                "collect them, nothing goes down a drain"
            )
            yield Caution("warn", "liquors-to-collect", batch.step, detail, material.mass_g, JUDGEMENT)


def _recorded(batch: PlannedBatch) -> _Said:
    for text in batch.recorded:
        yield Caution("note", "recorded", batch.step, text, None, "recorded with the step")


def _limits(batch: PlannedBatch, limits: Sequence[MaterialLimit]) -> _Said:
    for material in batch.charges + batch.made:
        held = {
            "mass": material.mass_g,
            "volume": material.volume_ml,
            "amount": material.amount_mol,
            "fraction": material.mass_fraction,
            "molar-concentration": material.molarity_mol_per_l,
            "mass-concentration": material.concentration_g_per_l,
        }
        for limit in limits:
            if limit.material != material.code:
                continue
            source = f"{limit.source}, {limit.on.isoformat()}"
            if limit.licence is not None:
                detail = f"{material.code} asks for a licence: {limit.licence}"
                yield Caution("warn", "licence", batch.step, detail, None, source)
            for largest in (limit.largest_amount, limit.largest_concentration):
                if largest is None:
                    continue
                value = held.get(largest.dimension)
                if value is None:
                    yield f"{material.code} against its limit of {largest.text()}: needs its {largest.dimension}"
                elif value > largest.base():
                    detail = f"{material.code} is beyond the workshop's limit of {largest.text()}"
                    yield Caution("stop", "workshop-limit", batch.step, detail, value, source)
