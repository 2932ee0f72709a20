"""Materials: a substance or feedstock as a kind of thing, before any amount of it is looked at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from service.domain.formula import Formula
from service.domain.quantity import Quantity


@dataclass(frozen=True, slots=True)
class Material:
    """A kind of thing: name, formula or stated molar mass or neither, density, phase, hazard statements.

    ``analyte`` names the pure material that this one is a crude or purified form of: crude and pure of one substance
    are two materials with one analyte. ``contents`` gives mass fractions of named materials in a feedstock.
    ``lower_flammable_limit`` is a volume fraction in air. Codes in ``hazards`` are GHS hazard statements.

    >>> Material(code="water", name="water").analyte_code
    'water'
    """

    code: str
    name: str
    formula: Formula | None = None
    stated_molar_mass: Quantity | None = None
    density: Quantity | None = None
    phase: str | None = None
    cas: str | None = None
    analyte: str | None = None
    hazards: tuple[str, ...] = ()
    contents: Mapping[str, Quantity] = field(default_factory=dict)
    lower_flammable_limit: Quantity | None = None
    solvent: bool = False

    @property
    def molar_mass_g_per_mol(self) -> float | None:
        """Molar mass in g/mol: from the formula, else as stated, else None."""
        if self.formula is not None:
            return self.formula.molar_mass_g_per_mol
        return None if self.stated_molar_mass is None else self.stated_molar_mass.base()

    @property
    def molar_mass_u_g_per_mol(self) -> float | None:
        """Standard uncertainty of the molar mass in g/mol; None where none is known."""
        if self.formula is not None:
            return self.formula.molar_mass_u_g_per_mol
        return None if self.stated_molar_mass is None else self.stated_molar_mass.stated_u_base()

    @property
    def density_g_per_ml(self) -> float | None:
        """Density in g/mL, or None where none is recorded."""
        return None if self.density is None else self.density.base()

    @property
    def is_water(self) -> bool:
        """Whether it is water: by its formula H2O, whatever it is called."""
        formula = self.formula
        return formula is not None and formula.charge == 0 and dict(formula.elements) == {"H": 2, "O": 1}

    @property
    def analyte_code(self) -> str:
        """The code of the substance that counts: the analyte where one is named, else the material itself."""
        return self.analyte or self.code
