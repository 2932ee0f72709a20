"""An amount with its unit, its digits as written and its standard uncertainty; and the one way to read it.

What was written is taken apart by :mod:`service.domain.notation` and its unit looked up in the closed table of
:mod:`service.domain.units`. Nothing is evaluated and nothing is guessed: ``1,5 g``, ``1 000 g`` and ``9**9 g`` are
refused with a hint. The digits are kept, because ``12.350 g`` states a finer weighing than ``12.35 g``.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from decimal import Decimal, Inexact, localcontext
from fractions import Fraction
from functools import lru_cache
from typing import Final, Literal

from service.domain.notation import LARGEST_EXPONENT, MOST_DIGITS, Written, exponent_of
from service.domain.units import DIMENSIONS, UNITS, nearest_unit, unit_code, units_of, wanted

Sign = Literal["positive", "non-negative", "any"]

SMALLEST_BASE: Final = Fraction(1, 10**12)
"""The smallest magnitude, other than zero, that is taken, in the fixed unit of any dimension."""
LARGEST_NUMBER: Final = 10**6
_NEARLY_NOTHING: Final = 1000 * float(SMALLEST_BASE)


# A book repeats its amounts, and one record asks for the same one several times: what they come to is remembered.


@lru_cache(maxsize=16_384)
def _exact(value: Decimal, unit: str, dimension: str) -> Fraction:
    return Fraction(value) * UNITS[unit][dimension]


@lru_cache(maxsize=16_384)
def _in_fixed_unit(value: Decimal, unit: str, dimension: str) -> float:
    return float(_exact(value, unit, dimension))


@lru_cache(maxsize=1024)
def _step(exponent: int, unit: str, dimension: str) -> float:
    return float(Fraction(10) ** exponent * UNITS[unit][dimension])


@dataclass(frozen=True, slots=True, eq=False)
class Quantity:
    """An amount as recorded.

    ``value`` keeps the digits as written; ``unit`` is a code of the table; ``uncertainty`` is the stated standard
    uncertainty in the same unit, or None where none was stated; ``dimension`` is what the amount was asked for as, by
    default what its unit stands for by itself. Two quantities are equal where they are written alike: ``12.35 g`` and
    ``12.350 g`` are different weighings.

    >>> mass = Quantity(Decimal("12.350"), "kg", Decimal("0.002"))
    >>> mass.dimension, mass.base(), mass.step_base(), mass.stated_u_base(), mass.text()
    ('mass', 12350.0, 1.0, 2.0, '12.350 kg ± 0.002 kg')
    """

    value: Decimal
    unit: str
    uncertainty: Decimal | None = None
    dimension: str = ""

    def __post_init__(self) -> None:
        if not self.dimension:
            object.__setattr__(self, "dimension", next(iter(UNITS[self.unit])))

    def _written(self) -> tuple[object, ...]:
        uncertainty = None if self.uncertainty is None else self.uncertainty.as_tuple()
        return self.value.as_tuple(), self.unit, uncertainty, self.dimension

    def __eq__(self, other: object) -> bool:
        return self._written() == other._written() if isinstance(other, Quantity) else NotImplemented

    def __hash__(self) -> int:
        return hash(self._written())

    def exact_base(self) -> Fraction:
        """Return the amount in the fixed unit of its dimension (g, mL, mol, h, kWh, ...), exactly.

        >>> Quantity(Decimal("40"), "min").exact_base()
        Fraction(2, 3)
        """
        return _exact(self.value, self.unit, self.dimension)

    def base(self) -> float:
        """Return the amount in the fixed unit of its dimension (g, mL, mol, h, kWh, ...)."""
        return _in_fixed_unit(self.value, self.unit, self.dimension)

    def step_base(self) -> float:
        """Return one unit of the last digit written, in the fixed unit of the dimension.

        >>> Quantity(Decimal("50.0"), "mg").step_base()
        0.0001
        """
        return _step(exponent_of(self.value), self.unit, self.dimension)

    def stated_u_base(self) -> float | None:
        """Return the stated standard uncertainty in the fixed unit of the dimension, or None where none was stated."""
        return None if self.uncertainty is None else _in_fixed_unit(self.uncertainty, self.unit, self.dimension)

    def text(self) -> str:
        """Return the one canonical way to write it, with its digits; reading that gives the equal quantity back.

        >>> parse_quantity("0.120(3)l", ["volume"]).text()
        '0.120 L ± 0.003 L'
        """
        unit = "" if self.unit == "1" else f" {self.unit}"
        spread = "" if self.uncertainty is None else f" ± {_digits(self.uncertainty)}{unit}"
        return f"{_digits(self.value)}{unit}{spread}"


def parse_quantity(written: object, dimensions: Collection[str], *, sign: Sign = "positive") -> Quantity:
    """Read an amount as a client wrote it.

    ``written`` is text (``"12.35 g"``, ``"25mL"``, ``"12.35 g ± 0.02 g"``, ``"(12.35 ± 0.02) g"``, ``"12.35(2) g"``,
    ``+/-`` for ``±``) or a mapping with ``value``, ``unit`` and perhaps ``uncertainty``, whose numbers are text or JSON
    numbers (text keeps trailing zeros, a JSON number cannot). ``dimensions`` are the names of :data:`DIMENSIONS` that
    the place can take; ``sign`` says whether zero and negative amounts are acceptable there.

    Returns the quantity, its digits kept and its unit a code of the table. Raises :class:`InvalidInput` with one fault
    without a pointer. ``±`` is taken as a standard uncertainty, one standard deviation (JCGM 100:2008, 2.3.1).

    >>> parse_quantity("12.350 g ± 20 mg", ["mass"]).text()
    '12.350 g ± 0.020 g'
    >>> parse_quantity({"value": "25", "unit": "mL"}, ["mass", "volume"]).dimension
    'volume'
    >>> parse_quantity("1,5 g", ["mass"])
    Traceback (most recent call last):
    ...
    service.errors.InvalidInput: '1,5 g' has a decimal comma: write a decimal point, as in "1.5 g"
    """
    reader = Written(written, wanted(dimensions))
    value, uncertainty, unit, uncertainty_unit = reader.parts()
    if not unit and not uncertainty_unit:
        reader.refuse("missing-unit", f"{reader.shown!r} has no unit: write the unit after the number")
    code = _unit(reader, unit or uncertainty_unit, dimensions)
    dimension = next(name for name in UNITS[code] if name in dimensions)
    if uncertainty is not None and uncertainty_unit:
        uncertainty = _converted(reader, uncertainty, _unit(reader, uncertainty_unit, [dimension]), code, dimension)
    quantity = Quantity(value, code, uncertainty, dimension)
    _check_sign(reader, value, sign, DIMENSIONS[dimension].phrase)
    _check_size(reader, quantity, DIMENSIONS[dimension].largest, DIMENSIONS[dimension].base)
    return quantity


def parse_fraction(
    written: object,
    *,
    name: str,
    minimum: int | Decimal = 0,
    maximum: int | Decimal = 1,
    above_ok: bool = False,
) -> Quantity:
    """Read a fraction such as an assay, a loss on drying or a content: ``"0.99"``, ``"0.012 ± 0.002"``, ``"0.149(2)"``.

    ``name`` is what a fault calls it. The value must lie from ``minimum`` to ``maximum``, both included; with
    ``above_ok`` there is no upper end but the one of every number. Percent is refused: a fraction of 0.5 and 0.5 % are
    too easily taken for each other. Returns a quantity in the unit ``1``; raises :class:`InvalidInput` with one fault.

    >>> parse_fraction("0.149(2)", name="assay").text()
    '0.149 ± 0.002'
    >>> parse_fraction("14.9", name="assay")
    Traceback (most recent call last):
    ...
    service.errors.InvalidInput: assay is a fraction from 0 to 1, and 14.9 is above it: write 0.149 for 14.9 %
    """
    top = f"to {maximum}" if not above_ok else "upwards"
    expected = f"{name} as a fraction from {minimum} {top}, without a unit"
    quantity = _bare(written, name, "fraction", expected)
    reader = Written(written, expected)
    value = quantity.value
    if value < minimum:
        reader.refuse("out-of-range", f"{name} is a fraction from {minimum} {top}, and {value} is below it")
    if value > maximum and not above_ok:
        hint = f": write {_plain(value.scaleb(-2))} for {_plain(value)} %" if value <= 100 else ""
        reader.refuse("out-of-range", f"{name} is a fraction from {minimum} {top}, and {value} is above it{hint}")
    return quantity


def parse_number(written: object, *, name: str, sign: Sign = "positive") -> Quantity:
    """Read a number without a unit, such as equivalents: ``"1.1"`` or ``"1.10 ± 0.02"``, at most a million.

    ``name`` is what a fault calls it. Returns a quantity in the unit ``1``; raises :class:`InvalidInput`
    with one fault.

    >>> parse_number("1.10", name="equivalents").base()
    1.1
    """
    expected = f"{name} as a number without a unit"
    quantity = _bare(written, name, "count", expected)
    _check_sign(Written(written, expected), quantity.value, sign, name)
    return quantity


def weighing_u_g(weighing: Quantity, readings: int) -> float | None:
    """Return the standard uncertainty of a weighing in g, or None where what was written carries none.

    The stated uncertainty where there is one. Else a display step d, one unit of the last digit written, is a
    rectangular distribution of full width d, of standard deviation d/√12 (JCGM 100:2008, 4.3.7 and F.2.2.1), in each of
    ``readings`` independent readings: 1 for a gross or a tare weight, 2 for a net weight or a charge weighed by
    difference. Read so only in mg, g, or in kg with decimals: ``2 kg`` or ``3 oz`` names a size, not a reading.

    >>> round(weighing_u_g(parse_quantity("50.0 g", ["mass"]), readings=2), 4)
    0.0408
    >>> weighing_u_g(parse_quantity("2 kg", ["mass"]), readings=2) is None
    True
    """
    if weighing.uncertainty is not None:
        return weighing.stated_u_base()
    if weighing.unit in ("mg", "g") or (weighing.unit == "kg" and exponent_of(weighing.value) < 0):
        return weighing.step_base() * math.sqrt(readings / 12)
    return None


def volume_u_ml(volume: Quantity) -> float:
    """Return the standard uncertainty of a measured volume in mL.

    The stated one, else 1 % of the volume or d/√12 of the last digit written (as :func:`weighing_u_g`, one reading),
    whichever is larger: common practice for a graduated cylinder, not a published rule.

    >>> volume_u_ml(parse_quantity("400 mL", ["volume"])), round(volume_u_ml(parse_quantity("10 mL", ["volume"])), 4)
    (4.0, 0.2887)
    """
    stated = volume.stated_u_base()
    return stated if stated is not None else max(volume.base() / 100, volume.step_base() / math.sqrt(12))


def _digits(value: Decimal) -> str:
    """Write the digits that were given and no more: 0.0000001, but 1E+3 where 1000 would claim four of them."""
    return str(value) if exponent_of(value) > 0 else format(value, "f")


def _plain(value: Decimal) -> str:
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def _bare(written: object, name: str, dimension: str, expected: str) -> Quantity:
    """Read a number without a unit, of any sign, within the bounds of every number."""
    reader = Written(written, expected)
    value, uncertainty, unit, uncertainty_unit = reader.parts()
    given = unit or uncertainty_unit
    if given.startswith("%"):
        meant = f"write {_plain(value.scaleb(-2))} for {_plain(value)} %"
        reader.refuse("unknown-unit", f"{name} is written as a fraction, not in percent: {meant}")
    if given not in ("", "1"):
        reader.refuse("wrong-dimension", f"{name} takes no unit, and {reader.shown!r} has one: write the number")
    quantity = Quantity(value, "1", uncertainty, dimension)
    _check_size(reader, quantity, LARGEST_NUMBER, "")
    return quantity


def _unit(reader: Written, written: str, dimensions: Collection[str]) -> str:
    """Return the code of a unit that can measure one of ``dimensions``, or refuse."""
    code = unit_code(written)
    if code is None:
        near = nearest_unit(written, dimensions)
        some = ", ".join(units_of(dimensions)[:8])
        hint = f"did you mean {near!r}?" if near else f"this takes {some}"
        reader.refuse("unknown-unit", f"no unit is called {written!r}: {hint}")
    if UNITS[code].keys().isdisjoint(dimensions):
        found = DIMENSIONS[next(iter(UNITS[code]))].phrase
        reader.refuse("wrong-dimension", f"{reader.shown!r} is {found}: {reader.expected} is wanted")
    return code


def _converted(reader: Written, uncertainty: Decimal, source: str, target: str, dimension: str) -> Decimal:
    """Return an uncertainty in the unit of its value, exactly, or refuse where it would be no number of that unit."""
    if source == target:
        return uncertainty
    ratio = UNITS[source][dimension] / UNITS[target][dimension]
    converted: Decimal | None
    with localcontext(prec=MOST_DIGITS) as exact:
        exact.traps[Inexact] = True
        try:
            converted = uncertainty * (Decimal(ratio.numerator) / Decimal(ratio.denominator))
        except Inexact:
            converted = None
    if converted is None or exponent_of(converted) < -LARGEST_EXPONENT:
        reader.refuse("bad-uncertainty", f"write the uncertainty of {reader.shown!r} in {target}, as its value")
    return converted


def _check_sign(reader: Written, value: Decimal, sign: Sign, phrase: str) -> None:
    if value < 0 and sign != "any":
        reader.refuse("out-of-range", f"{phrase} cannot be negative here, and {value} is")
    if value == 0 and sign == "positive":
        reader.refuse("out-of-range", f"{phrase} must be above zero here")


def _check_size(reader: Written, quantity: Quantity, largest: int, base: str) -> None:
    """Refuse magnitudes that no bench sees, of the value and of its uncertainty, before they reach a sum."""
    factor = UNITS[quantity.unit][quantity.dimension]
    for part, digits in (("value", quantity.value), ("uncertainty", quantity.uncertainty)):
        # Most amounts lie far from either end, which a float tells ten times faster than a fraction.
        if digits is None or _NEARLY_NOTHING < abs(float(digits)) * float(factor) < largest / 2:
            continue
        size = abs(Fraction(digits) * factor)
        if size > largest:
            reader.refuse("out-of-range", f"the {part} of {reader.shown!r} is beyond {largest} {base}".rstrip())
        if 0 < size < SMALLEST_BASE:
            reader.refuse("out-of-range", f"the {part} of {reader.shown!r} is too small to be meant: check the unit")
