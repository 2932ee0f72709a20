"""Textbook reactions and invented ones, with molar masses of their own, for routes of any length.

Each family turns round: its last product is its first feed, so that a chain can be as long as a test wants. Atomic
weights are the standard ones of 2021, abridged where they are intervals (Prohaska et al., Pure Appl. Chem. 2022, 94,
573).
"""

from __future__ import annotations

from dataclasses import dataclass, field

WEIGHTS = {
    "H": 1.0080,
    "C": 12.011,
    "O": 15.999,
    "Na": 22.98976928,
    "Mg": 24.305,
    "S": 32.06,
    "Cl": 35.45,
    "Ca": 40.078,
    "Cu": 63.546,
}

SUBSTANCES: dict[str, tuple[str, dict[str, int]]] = {
    "copper-oxide": ("CuO", {"Cu": 1, "O": 1}),
    "blue-vitriol": ("CuSO4.5H2O", {"Cu": 1, "S": 1, "O": 9, "H": 10}),
    "copper-carbonate": ("Cu2(OH)2CO3", {"Cu": 2, "C": 1, "O": 5, "H": 2}),
    "magnesia": ("MgO", {"Mg": 1, "O": 1}),
    "bitter-salt": ("MgSO4.7H2O", {"Mg": 1, "S": 1, "O": 11, "H": 14}),
    "magnesite": ("MgCO3", {"Mg": 1, "C": 1, "O": 3}),
    "chalk": ("CaCO3", {"Ca": 1, "C": 1, "O": 3}),
    "calcium-chloride": ("CaCl2.2H2O", {"Ca": 1, "Cl": 2, "O": 2, "H": 4}),
    "soda-ash": ("Na2CO3", {"Na": 2, "C": 1, "O": 3}),
    "sulfuric-acid": ("H2SO4", {"H": 2, "S": 1, "O": 4}),
    "hydrochloric-acid": ("HCl", {"H": 1, "Cl": 1}),
    "sodium-sulfate": ("Na2SO4", {"Na": 2, "S": 1, "O": 4}),
    "salt": ("NaCl", {"Na": 1, "Cl": 1}),
    "water": ("H2O", {"H": 2, "O": 1}),
    "carbon-dioxide": ("CO2", {"C": 1, "O": 2}),
}


def molar_mass(substance: str) -> float:
    """g/mol of a substance of the table."""
    return sum(WEIGHTS[element] * count for element, count in SUBSTANCES[substance][1].items())


@dataclass(frozen=True)
class Turn:
    """One reaction of a family: coefficients of the key input and product, of billed reagents, and of all the rest."""

    key: str
    product: str
    key_n: int = 1
    product_n: int = 1
    reagents: dict[str, int] = field(default_factory=dict)
    unbilled: dict[str, int] = field(default_factory=dict)
    besides: dict[str, int] = field(default_factory=dict)


FAMILIES: tuple[tuple[Turn, ...], ...] = (
    (
        Turn("copper-oxide", "blue-vitriol", reagents={"sulfuric-acid": 1}, unbilled={"water": 4}),
        Turn(
            "blue-vitriol",
            "copper-carbonate",
            key_n=2,
            reagents={"soda-ash": 2},
            besides={"sodium-sulfate": 2, "carbon-dioxide": 1, "water": 9},
        ),
        Turn("copper-carbonate", "copper-oxide", product_n=2, besides={"carbon-dioxide": 1, "water": 1}),
    ),
    (
        Turn(
            "chalk",
            "calcium-chloride",
            reagents={"hydrochloric-acid": 2},
            unbilled={"water": 1},
            besides={"carbon-dioxide": 1},
        ),
        Turn("calcium-chloride", "chalk", reagents={"soda-ash": 1}, besides={"salt": 2, "water": 2}),
    ),
    (
        Turn("magnesia", "bitter-salt", reagents={"sulfuric-acid": 1}, unbilled={"water": 6}),
        Turn("bitter-salt", "magnesite", reagents={"soda-ash": 1}, besides={"sodium-sulfate": 1, "water": 7}),
        Turn("magnesite", "magnesia", besides={"carbon-dioxide": 1}),
    ),
)


@dataclass(frozen=True)
class Reagent:
    """A bought reagent and how it is charged.

    ``form``: ``mass`` (an assay), ``volume`` (an assay and a density), ``molar`` (a solution in mol/L, by volume) or
    ``moles``. ``strength`` is the assay, or mol/L. ``pack`` is in g, mL or mol; ``price`` for a pack, in EUR.
    """

    code: str
    molar: float
    form: str
    strength: float
    pack: int
    price: float
    density: float | None = None

    @property
    def unit(self) -> str:
        """The unit that it is bought, kept and charged in."""
        return {"mass": "g", "volume": "mL", "molar": "mL", "moles": "mol"}[self.form]

    def moles_per_unit(self, strength: float) -> float:
        """mol in a g, mL or mol of a lot of that strength."""
        if self.form == "mass":
            return strength / self.molar
        if self.form == "volume":
            assert self.density is not None
            return self.density * strength / self.molar
        return strength / 1000.0 if self.form == "molar" else 1.0


REAGENTS = {
    reagent.code: reagent
    for reagent in (
        Reagent("soda-ash", molar_mass("soda-ash"), "mass", 0.99, 1000, 3.50),
        Reagent("sulfuric-acid", molar_mass("sulfuric-acid"), "molar", 2.0, 5000, 9.00, density=1.12),
        Reagent("hydrochloric-acid", molar_mass("hydrochloric-acid"), "volume", 0.20, 5000, 8.00, density=1.10),
        Reagent("linker", 40.0, "moles", 1.0, 20, 12.00),
        Reagent("capper", 60.0, "mass", 0.95, 500, 7.50),
    )
}

INVENTED_START = 120.0
"""g/mol of the first invented feed; each turn adds what its reagent adds."""


def invented_turn(stage: int, mass: float) -> tuple[Turn, float]:
    """The reaction of one invented stage, and the molar mass of what it makes: two linkers or one capper are added."""
    reagent, count = ("linker", 2) if stage % 2 == 0 else ("capper", 1)
    turn = Turn("feed", "adduct", reagents={reagent: count})
    return turn, mass + count * REAGENTS[reagent].molar
