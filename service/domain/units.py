"""The closed table of units: what an amount may be written in, and its exact factor to the fixed unit inside.

Factors are exact by definition: the SI prefixes, the litre, the tonne, minute, hour and day (BIPM, The International
System of Units, 9th edition 2019, chapters 3 and 4), the avoirdupois pound of 0.45359237 kg and its sixteenth, the
ounce (NIST Special Publication 811, 2008, appendix B). The tests compare every one of them with the ``pint`` library.
What a client wrote is looked up here and is never handed to a parser of unit expressions.

A unit may measure more than one thing: ``g/L`` is a concentration or a density, as the place asks for. The first
dimension listed is the one it stands for by itself.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType
from typing import Final


@dataclass(frozen=True, slots=True)
class Dimension:
    """What a unit measures: ``base`` is the fixed unit inside, ``phrase`` how a sentence names it, ``example`` one
    acceptable way to write it, ``largest`` the largest magnitude that is taken, in ``base``.

    The bounds keep a slip of the keyboard out of the sums, and keep mass in ng, volume in nL and amount in nmol within
    a 64-bit integer.
    """

    base: str
    phrase: str
    example: str
    largest: int = 10**9


DIMENSIONS: Final[Mapping[str, Dimension]] = MappingProxyType(
    {
        "mass": Dimension("g", "a mass", "12.35 g"),
        "volume": Dimension("mL", "a volume", "25 mL", 10**12),
        "amount": Dimension("mol", "an amount of substance", "0.1 mol"),
        "time": Dimension("h", "a time", "1.5 h"),
        "energy": Dimension("kWh", "an energy", "0.8 kWh"),
        "density": Dimension("g/mL", "a density", "1.10 g/mL"),
        "molar-concentration": Dimension("mol/L", "a molar concentration", "6 mol/L"),
        "mass-concentration": Dimension("g/L", "a mass concentration", "250 g/L"),
        "volume-per-mass": Dimension("mL/g", "a volume per mass", "8 mL/g"),
        "mass-per-mass": Dimension("g/g", "a mass per mass", "0.5 g/g"),
        "amount-per-mass": Dimension("mol/g", "an amount of substance per mass", "1.2 mmol/g"),
        "molar-energy": Dimension("kJ/mol", "a molar energy", "-57.1 kJ/mol"),
        "specific-heat": Dimension("J/(g*K)", "a specific heat", "4.18 J/(g*K)"),
        "molar-mass": Dimension("g/mol", "a molar mass", "249.68 g/mol"),
        "fraction": Dimension("1", "a fraction", "0.149"),
        "count": Dimension("1", "a number", "1.1"),
    }
)

_K: Final = 1000
_POUND_G: Final = Fraction(45359237, 100000)


def _each(dimension: str, **factors: int | Fraction) -> dict[str, dict[str, Fraction]]:
    return {code: {dimension: Fraction(factor)} for code, factor in factors.items()}


def _mass_in_volume(first: str, second: str, code: str, g_per_l: int | Fraction) -> dict[str, dict[str, Fraction]]:
    factors = {"density": Fraction(g_per_l) / _K, "mass-concentration": Fraction(g_per_l)}
    return {code: {first: factors[first], second: factors[second]}}


_DENSE: Final = ("density", "mass-concentration")
_THIN: Final = ("mass-concentration", "density")

UNITS: Final[Mapping[str, Mapping[str, Fraction]]] = MappingProxyType(
    {
        **_each("mass", g=1, kg=_K, mg=Fraction(1, _K), ug=Fraction(1, _K**2), t=_K**2, lb=_POUND_G, oz=_POUND_G / 16),
        **_each("volume", mL=1, L=_K, uL=Fraction(1, _K), cL=10, dL=100, cm3=1, m3=_K**2),
        **_each("amount", mol=1, mmol=Fraction(1, _K), umol=Fraction(1, _K**2), kmol=_K),
        **_each("time", h=1, min=Fraction(1, 60), s=Fraction(1, 3600), d=24, wk=168),
        **_each("energy", kWh=1, Wh=Fraction(1, _K), MJ=Fraction(_K, 3600), kJ=Fraction(1, 3600)),
        **_each("energy", J=Fraction(1, 3600 * _K)),
        **_mass_in_volume(*_DENSE, "g/mL", _K),
        **_mass_in_volume(*_DENSE, "g/cm3", _K),
        **_mass_in_volume(*_DENSE, "kg/L", _K),
        **_mass_in_volume(*_DENSE, "kg/m3", 1),
        **_mass_in_volume(*_THIN, "g/L", 1),
        **_mass_in_volume(*_THIN, "mg/mL", 1),
        **_mass_in_volume(*_THIN, "mg/L", Fraction(1, _K)),
        "mol/L": {"molar-concentration": Fraction(1)},
        "mmol/L": {"molar-concentration": Fraction(1, _K)},
        "umol/L": {"molar-concentration": Fraction(1, _K**2)},
        "mmol/mL": {"molar-concentration": Fraction(1)},
        "mL/g": {"volume-per-mass": Fraction(1)},
        "L/kg": {"volume-per-mass": Fraction(1)},
        "uL/mg": {"volume-per-mass": Fraction(1)},
        "g/g": {"mass-per-mass": Fraction(1)},
        "kg/kg": {"mass-per-mass": Fraction(1)},
        "g/kg": {"mass-per-mass": Fraction(1, _K)},
        "mg/g": {"mass-per-mass": Fraction(1, _K)},
        "mg/kg": {"mass-per-mass": Fraction(1, _K**2)},
        "mol/g": {"amount-per-mass": Fraction(1)},
        "mmol/g": {"amount-per-mass": Fraction(1, _K)},
        "mol/kg": {"amount-per-mass": Fraction(1, _K)},
        "kJ/mol": {"molar-energy": Fraction(1)},
        "J/mol": {"molar-energy": Fraction(1, _K)},
        "J/(g*K)": {"specific-heat": Fraction(1)},
        "kJ/(kg*K)": {"specific-heat": Fraction(1)},
        "J/(kg*K)": {"specific-heat": Fraction(1, _K)},
        "g/mol": {"molar-mass": Fraction(1)},
        "kg/mol": {"molar-mass": Fraction(_K)},
        "1": {"fraction": Fraction(1), "count": Fraction(1)},
    }
)
"""Unit code to the dimensions it can measure, each with its factor to that dimension's fixed unit."""

# Other ways that the trade writes the same unit. Only what cannot be misread: case decides between mg and Mg.
_WRITTEN_ALSO: Final[Mapping[str, str]] = MappingProxyType(
    {
        **{code.replace("L", "l"): code for code in UNITS if "L" in code},
        "M": "mol/L",
        "mM": "mmol/L",
        "uM": "umol/L",
        "J/g/K": "J/(g*K)",
        "J/(g K)": "J/(g*K)",
        "kJ/kg/K": "kJ/(kg*K)",
        "kJ/(kg K)": "kJ/(kg*K)",
        "J/kg/K": "J/(kg*K)",
        "J/(kg K)": "J/(kg*K)",
    }
)
_PLAIN: Final = str.maketrans({"µ": "u", "μ": "u", "³": "3", "·": "*", "⋅": "*"})

# Words that people write in full, and the unit to offer them. Offered, never taken: "gr" is a grain to some.
_OFFERED: Final[Mapping[str, str]] = MappingProxyType(
    {
        **dict.fromkeys(("gr", "gm", "gms", "gram", "grams", "gramme", "grammes"), "g"),
        **dict.fromkeys(("kilo", "kilos", "kilogram", "kilograms", "kgs"), "kg"),
        **dict.fromkeys(("milligram", "milligrams", "mgs"), "mg"),
        **dict.fromkeys(("microgram", "micrograms", "mcg"), "ug"),
        **dict.fromkeys(("ton", "tonne", "tonnes"), "t"),
        **dict.fromkeys(("pound", "pounds", "lbs"), "lb"),
        **dict.fromkeys(("ounce", "ounces", "ozs"), "oz"),
        **dict.fromkeys(("litre", "litres", "liter", "liters", "ltr", "lt"), "L"),
        **dict.fromkeys(("millilitre", "millilitres", "milliliter", "milliliters", "mls", "cc", "ccm"), "mL"),
        **dict.fromkeys(("mole", "moles", "mols"), "mol"),
        **dict.fromkeys(("hr", "hrs", "hour", "hours"), "h"),
        **dict.fromkeys(("mins", "minute", "minutes"), "min"),
        **dict.fromkeys(("sec", "secs", "second", "seconds"), "s"),
        **dict.fromkeys(("day", "days"), "d"),
        **dict.fromkeys(("week", "weeks"), "wk"),
        **dict.fromkeys(("molar",), "mol/L"),
    }
)


def unit_code(written: str) -> str | None:
    """Return the table's code for a unit as a person wrote it, or None where there is no such unit.

    ``written`` carries no surrounding space. Case matters: ``Mg`` is not ``mg``.

    >>> unit_code("µL"), unit_code("ml"), unit_code("g/cm³"), unit_code("Mg")
    ('uL', 'mL', 'g/cm3', None)
    """
    plain = written.translate(_PLAIN)
    if plain in UNITS and plain != "1":
        return plain
    return _WRITTEN_ALSO.get(plain)


def nearest_unit(written: str, dimensions: Collection[str]) -> str | None:
    """Return the unit of those ``dimensions`` that ``written`` was probably meant to be, or None. Only to offer.

    >>> nearest_unit("grams", {"mass"}), nearest_unit("KG", {"mass"}), nearest_unit("parsec", {"mass"})
    ('g', 'kg', None)
    """
    codes = units_of(dimensions)
    plain = written.translate(_PLAIN)
    offered = _OFFERED.get(plain.lower().rstrip("."))
    if offered in codes:
        return offered
    for code in codes:
        if code.lower() == plain.lower():
            return code
    close = difflib.get_close_matches(plain, codes, n=1, cutoff=0.7)
    return close[0] if close else None


def units_of(dimensions: Collection[str]) -> tuple[str, ...]:
    """Return the codes of the units that can measure one of ``dimensions``, in the table's order.

    >>> units_of({"amount"})
    ('mol', 'mmol', 'umol', 'kmol')
    """
    return tuple(code for code, factors in UNITS.items() if not factors.keys().isdisjoint(dimensions))


def wanted(dimensions: Collection[str]) -> str:
    """Say what is expected where one of ``dimensions`` is asked for, with an example of each.

    >>> wanted(["mass", "volume"])
    'a mass such as "12.35 g" or a volume such as "25 mL"'
    """
    asked = [dimension for name, dimension in DIMENSIONS.items() if name in dimensions]
    return " or ".join(f'{dimension.phrase} such as "{dimension.example}"' for dimension in asked)
