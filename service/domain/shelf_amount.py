"""Amounts as the ledger counts them: whole nanograms, nanolitres or nanomoles of a lot's own dimension, exactly."""

from __future__ import annotations

from fractions import Fraction
from typing import Final

from service.domain.charge import density_of, molar_mass_of
from service.domain.lot import Strength
from service.domain.material import Material
from service.domain.quantity import Quantity
from service.domain.run import Outturn

UNITS_PER_BASE: Final = {"mass": 10**9, "volume": 10**6, "amount": 10**9, "time": 3_600_000, "energy": 3_600_000_000}
"""ng in a g, nL in a mL, nmol in a mol, ms in an hour, mJ in a kWh."""
UNIT_KEYS: Final = {"mass": "g", "volume": "ml", "amount": "mol"}
"""How the name of a key ends whose number is in the fixed unit of a lot's dimension."""


def net_of(outturn: Outturn) -> tuple[str, Fraction]:
    """Return the dimension of an outturn's net amount and the amount, exact, in g or mL.

    Of k portions weighed on one tare, the sum of the gross weights less k tares.

    >>> from service.domain.quantity import parse_quantity
    >>> grams = lambda text: parse_quantity(text, ("mass",))
    >>> net_of(Outturn("salt", gross=(grams("60.1 g"), grams("50.1 g")), tare=grams("20.1 g")))
    ('mass', Fraction(70, 1))
    """
    if outturn.net is not None:
        return outturn.net.dimension, outturn.net.exact_base()
    assert outturn.tare is not None, "an outturn states its net, or gross and tare"
    return "mass", sum((gross.exact_base() for gross in outturn.gross), -len(outturn.gross) * outturn.tare.exact_base())


def in_units(base: Fraction, dimension: str) -> int:
    """Return an exact amount in g, mL, mol, h or kWh as whole ng, nL, nmol, ms or mJ; a half is rounded to even.

    >>> in_units(Fraction(1, 3), "volume")
    333333
    """
    return round(base * UNITS_PER_BASE[dimension])


def in_dimension(
    amount: Quantity, dimension: str, strength: Strength, material: Material, analyte: Material | None = None
) -> Fraction | str:
    """Return an ``amount`` of a lot in the fixed unit (g, mL or mol) of the lot's ``dimension``; else why it cannot be.

    ``strength`` is that of the lot as it stands, ``material`` what it is of, ``analyte`` the material that this one is
    a form of. Mass and volume are turned into each other by the density; moles by the molar concentration of a
    solution, else by the mass concentration or the assay and the molar mass. Common arithmetic of the trade.

    >>> from service.domain.lot import Measured
    >>> from service.domain.quantity import parse_quantity
    >>> acid = Strength(density=Measured(1.1))
    >>> in_dimension(parse_quantity("25.3 g", ("mass",)), "volume", acid, Material("acid", "acid"))
    Fraction(23, 1)
    >>> in_dimension(parse_quantity("25 g", ("mass",)), "volume", Strength(), Material("acid", "acid"))
    'the density of acid is not known'
    """
    return base_in_dimension(amount.exact_base(), amount.dimension, dimension, strength, material, analyte)


def base_in_dimension(
    base: Fraction, given: str, dimension: str, strength: Strength, material: Material, analyte: Material | None = None
) -> Fraction | str:
    """Return an amount of so many g, mL or mol, by the dimension that is ``given``, as :func:`in_dimension` does.

    >>> from service.domain.lot import Measured
    >>> base_in_dimension(Fraction(10), "volume", "mass", Strength(density=Measured(1.1)), Material("acid", "acid"))
    Fraction(11, 1)
    """
    if given == dimension:
        return base
    factors = _Factors(strength, material, analyte)
    if {given, dimension} == {"mass", "volume"}:
        factor, missing = factors.g_per_ml, "density"
    elif "volume" in (given, dimension):
        factor, missing = factors.mol_per_ml, "molar concentration"
    else:
        factor, missing = factors.mol_per_g, "molar mass"
    if factor is None:
        return f"the {missing} of {material.code} is not known"
    by_volume_or_mass = given == "volume" or (given == "mass" and dimension == "amount")
    return base * factor if by_volume_or_mass else base / factor


class _Factors:
    """What a millilitre and a gram of a lot are, None where it is not known or nothing."""

    def __init__(self, strength: Strength, material: Material, analyte: Material | None) -> None:
        density = density_of(strength, material)
        molar_mass = molar_mass_of(material, analyte)
        self._g_per_mol = _exact(molar_mass.value if molar_mass is not None else None)
        self._strength = strength
        self.g_per_ml = _exact(density.value if density is not None else None)

    @property
    def mol_per_ml(self) -> Fraction | None:
        if (molarity := self._strength.molarity) is not None:
            return _over(_exact(molarity.value), Fraction(1000))
        if (grams_per_l := self._strength.mass_concentration) is not None:
            return _over(_over(_exact(grams_per_l.value), Fraction(1000)), self._g_per_mol)
        if self.g_per_ml is None or (per_g := self._mol_per_g_by_assay) is None:
            return None
        return self.g_per_ml * per_g

    @property
    def mol_per_g(self) -> Fraction | None:
        if not self._strength.is_solution:
            return self._mol_per_g_by_assay
        return _over(self.mol_per_ml, self.g_per_ml)

    @property
    def _mol_per_g_by_assay(self) -> Fraction | None:
        return _over(_exact(self._strength.mass_fraction), self._g_per_mol)


def _exact(value: float | None) -> Fraction | None:
    """The decimal that a float was read from, so that equal digits give equal units on every machine."""
    return None if value is None or value <= 0.0 else Fraction(repr(value))


def _over(value: Fraction | None, divisor: Fraction | None) -> Fraction | None:
    return None if value is None or divisor is None else value / divisor
