"""What an amount holds: gross mass, contained mass and contained moles of a charge, with every input kept apart.

An amount is turned into three small functions of a shared list of numbers, so that the whole of a run can be computed
once for its values and once more for each uncertain input: amounts of one lot share its assay, amounts of one material
its molar mass, and what is shared does not average out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from service.domain.lot import Measured, Strength, measured
from service.domain.material import Material
from service.domain.quantity import Quantity, volume_u_ml, weighing_u_g

Reading = Callable[[list[float]], float]

DENSITY_NEEDED = "density-needed"
MOLAR_MASS_NEEDED = "molar-mass-needed"
NOT_MEASURED = "not_measured"


class Inputs:
    """The numbers that a computation rests on, each with its standard uncertainty, each taken once."""

    def __init__(self) -> None:
        self.values: list[float] = []
        self.us: list[float] = []
        self._places: dict[tuple[str, str], int] = {}

    def take(self, measured: Measured, key: tuple[str, str] | None = None) -> int:
        """Return the place of a number in the list; a number with a ``key`` taken before keeps its first place."""
        if key is not None and key in self._places:
            return self._places[key]
        place = len(self.values)
        self.values.append(measured.value)
        self.us.append(measured.u or 0.0)
        if key is not None:
            self._places[key] = place
        return place


@dataclass(frozen=True, slots=True)
class Holding:
    """One amount as three functions of the inputs: gross g, contained g, contained mol. None where it cannot be known.

    ``reasons`` says why for each that is None, by the keys ``gross_g``, ``contained_g`` and ``contained_mol``;
    ``codes`` names the datum that is missing; ``notes`` says what was not measured and so taken as pure or dry.
    """

    gross: Reading | None
    contained: Reading | None
    mol: Reading | None
    reasons: dict[str, str] = field(default_factory=dict)
    codes: dict[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def molar_mass_of(material: Material, analyte: Material | None = None) -> Measured | None:
    """Return the molar mass in g/mol that amounts of ``material`` are counted by: its own, else its analyte's.

    >>> molar_mass_of(Material("tar", "tar")) is None
    True
    """
    for found in (material, analyte):
        if found is not None and (value := found.molar_mass_g_per_mol) is not None:
            return Measured(value, found.molar_mass_u_g_per_mol)
    return None


def density_of(strength: Strength, material: Material) -> Measured | None:
    """Return the density in g/mL that an amount is counted by: its own, else its material's; None without either.

    >>> density_of(Strength(density=Measured(1.1)), Material("acid", "acid"))
    Measured(value=1.1, u=None)
    """
    return strength.density or measured(material.density)


def amount_u(amount: Quantity, readings: int) -> float | None:
    """Return the standard uncertainty of an amount in its fixed unit (g, mL or mol); None where it carries none.

    >>> from service.domain.quantity import parse_quantity
    >>> round(amount_u(parse_quantity("12.35 g", ("mass",)), readings=2), 5)
    0.00408
    """
    if amount.dimension == "mass":
        return weighing_u_g(amount, readings)
    return volume_u_ml(amount) if amount.dimension == "volume" else amount.stated_u_base()


def holding_of(
    amount: Quantity, strength: Strength, material: Material, molar_mass: Measured | None, inputs: Inputs, lot: str
) -> Holding:
    """Return what an amount of a lot holds, by the kind of amount it is.

    A mass m of assay w and loss on drying l contains m(1 - l)w; of a solution of density ρ, c·m/ρ. A volume V weighs
    V·ρ; a solution of it contains c·V. Moles n of a substance contain n·M and weigh n·M/((1 - l)w). ``lot`` is the key
    under which the strength is shared. Common arithmetic of the trade (OpenStax Chemistry 2e, chapters 3 and 4).

    >>> from service.domain.quantity import parse_quantity
    >>> inputs = Inputs()
    >>> acid = Strength(molarity=Measured(6.0))
    >>> held = holding_of(parse_quantity("25 mL", ("volume",)), acid, Material("acid", "acid"), None, inputs, "acid-07")
    >>> held.mol(inputs.values), held.codes
    (0.15, {'gross_g': 'density-needed', 'contained_g': 'molar-mass-needed'})
    """
    return _Builder(strength, material, molar_mass, inputs, lot).holding(amount)


class _Builder:
    """One amount being turned into functions; the parts that are missing are collected on the way."""

    def __init__(
        self, strength: Strength, material: Material, molar_mass: Measured | None, inputs: Inputs, lot: str
    ) -> None:
        self.inputs = inputs
        self.name = material.code
        self.reasons: dict[str, str] = {}
        self.codes: dict[str, str] = {}
        self.strength = strength
        self.molar_mass = self._place(molar_mass, ("molar mass", material.analyte_code))
        self.density = self._place(density_of(strength, material), ("density", lot))
        self.assay = self._place(strength.assay, ("assay", lot))
        self.loss = self._place(strength.loss_on_drying, ("loss on drying", lot))
        self.molarity = self._place(strength.molarity, ("molarity", lot))
        self.grams_per_l = self._place(strength.mass_concentration, ("mass concentration", lot))

    def _place(self, measured: Measured | None, key: tuple[str, str]) -> int | None:
        return None if measured is None else self.inputs.take(measured, key)

    def holding(self, amount: Quantity) -> Holding:
        if amount.dimension == "mass":
            size = self.inputs.take(Measured(amount.base(), amount_u(amount, readings=2)))
            volume = self._over(size, self.density)
            gross: Reading | None = lambda x: x[size]
        elif amount.dimension == "volume":
            size = self.inputs.take(Measured(amount.base(), amount_u(amount, readings=1)))
            volume = lambda x: x[size]
            gross = self._times(volume, self.density)
            if gross is None:
                self._missing("gross_g", DENSITY_NEEDED, "the density")
        else:
            return self._of_moles(self.inputs.take(Measured(amount.base(), amount_u(amount, readings=1))))
        contained, mol = self._solution(volume) if self._is_solution else self._solid(gross)
        return Holding(gross, contained, mol, self.reasons, self.codes, self._notes())

    @property
    def _is_solution(self) -> bool:
        return self.molarity is not None or self.grams_per_l is not None

    def _solid(self, gross: Reading | None) -> tuple[Reading | None, Reading | None]:
        """Contained mass and moles of a weighed or measured amount with an assay."""
        if gross is None:
            self._missing("contained_g", DENSITY_NEEDED, "the density")
            self._missing("contained_mol", DENSITY_NEEDED, "the density")
            return None, None
        fraction = self._fraction
        contained: Reading = lambda x: gross(x) * fraction(x)
        return contained, self._moles_of(contained)

    def _solution(self, volume: Reading | None) -> tuple[Reading | None, Reading | None]:
        """Contained mass and moles of a solution, by its volume in mL."""
        if volume is None:
            self._missing("contained_g", DENSITY_NEEDED, "the density of the solution")
            self._missing("contained_mol", DENSITY_NEEDED, "the density of the solution")
            return None, None
        if (c := self.molarity) is not None:
            mol: Reading = lambda x: x[c] * volume(x) / 1000.0
            contained = self._times(mol, self.molar_mass)
            if contained is None:
                self._missing("contained_g", MOLAR_MASS_NEEDED, "the molar mass")
            return contained, mol
        g = self.grams_per_l
        assert g is not None
        held: Reading = lambda x: x[g] * volume(x) / 1000.0
        return held, self._moles_of(held)

    def _of_moles(self, n: int) -> Holding:
        mol: Reading = lambda x: x[n]
        contained = self._times(mol, self.molar_mass)
        gross: Reading | None = None
        if contained is None:
            self._missing("contained_g", MOLAR_MASS_NEEDED, "the molar mass")
        if not self._is_solution:
            fraction = self._fraction
            if contained is not None:
                held = contained
                gross = lambda x: held(x) / fraction(x)
            else:
                self._missing("gross_g", MOLAR_MASS_NEEDED, "the molar mass")
        elif self.density is None:
            self._missing("gross_g", DENSITY_NEEDED, "the density of the solution")
        elif (c := self.molarity) is not None:
            rho = self.density
            gross = lambda x: x[n] / x[c] * 1000.0 * x[rho]
        elif contained is not None and (g := self.grams_per_l) is not None:
            rho, held = self.density, contained
            gross = lambda x: held(x) / x[g] * 1000.0 * x[rho]
        else:
            self._missing("gross_g", MOLAR_MASS_NEEDED, "the molar mass")
        return Holding(gross, contained, mol, self.reasons, self.codes, self._notes())

    @property
    def _fraction(self) -> Reading:
        """Grams contained in a gram as it stands: (1 - loss on drying) x assay; not measured counts 0 and 1."""
        w, loss = self.assay, self.loss
        return lambda x: (1.0 if loss is None else 1.0 - x[loss]) * (1.0 if w is None else x[w])

    def _moles_of(self, contained: Reading) -> Reading | None:
        if (molar_mass := self.molar_mass) is None:
            self._missing("contained_mol", MOLAR_MASS_NEEDED, "the molar mass")
            return None
        return lambda x: contained(x) / x[molar_mass]

    def _times(self, reading: Reading, place: int | None) -> Reading | None:
        return None if place is None else lambda x: reading(x) * x[place]

    @staticmethod
    def _over(size: int, density: int | None) -> Reading | None:
        return None if density is None else lambda x: x[size] / x[density]

    def _missing(self, key: str, code: str, what: str) -> None:
        self.codes[key] = code
        self.reasons[key] = f"{what} of {self.name} is not known"

    def _notes(self) -> tuple[str, ...]:
        if self._is_solution:
            return ()
        absent = (("assay", self.assay), ("loss_on_drying", self.loss))
        return tuple(f"{NOT_MEASURED}: {name}" for name, place in absent if place is None)
