"""One batch as it is planned, in plain numbers: what goes in, what comes of it, and what it is made in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class BatchMaterial:
    """One material of a batch, at the strength of the lot that it is taken from; None where a figure is not known.

    ``hazards``: statements of that strength, empty where none is recorded. ``acid`` and ``water``: whether it is, or
    holds, an acid or water, as far as the records show. ``element_g``: contained grams of those of its ``elements``
    whose amount is known. ``holds``: mass fraction of other materials that it is a form of or contains, by their
    codes, None where it is one of unknown strength; ``analyte`` the one that ``amount_mol`` and the strengths are of.
    """

    code: str
    mass_g: float | None = None
    volume_ml: float | None = None
    amount_mol: float | None = None
    mass_fraction: float | None = None
    molarity_mol_per_l: float | None = None
    concentration_g_per_l: float | None = None
    hazards: tuple[str, ...] = ()
    elements: frozenset[str] = frozenset()
    acid: bool | None = None
    water: bool | None = None
    element_g: Mapping[str, float] = field(default_factory=dict)
    holds: Mapping[str, float | None] = field(default_factory=dict)
    analyte: str | None = None


@dataclass(frozen=True, slots=True)
class GasRelease:
    """A gas that the reaction gives off: ``amount_mol`` at full conversion, None where unknown.

    ``lower_flammable_limit`` is a volume fraction in air; ``hazards`` are the gas's statements.
    """

    code: str
    amount_mol: float | None
    lower_flammable_limit: float | None = None
    hazards: tuple[str, ...] = ()
    carbon_dioxide: bool = False

    @property
    def flammable(self) -> bool:
        """Whether a statement or a lower limit says that it burns."""
        return self.lower_flammable_limit is not None or not {"H220", "H221"}.isdisjoint(self.hazards)


@dataclass(frozen=True, slots=True)
class PlannedBatch:
    """One batch of a step as it is planned. A figure that is not known is None.

    ``charges``: all that goes in, gross; ``made``: the product first, at full conversion, then co-products and whatever
    else the reaction makes. ``gases``: what it gives off, None where no reaction is recorded. ``batches``: so many of
    this size are planned. ``mean_yield``: of the record, failures included. ``largest_before_g``: key input of the
    step's largest successful run. ``enthalpy_kj_per_mol`` is per mole of reaction as written, negative where heat is
    given off; ``extent_mol`` moles of reaction; ``contents_g`` and ``contents_ml`` everything in the vessel;
    ``reaction_mass_g`` what of it is there while the heat is given off, where that is recorded. ``recorded``: the
    step's own cautions.
    """

    step: str
    key_input_g: float
    charges: tuple[BatchMaterial, ...] = ()
    made: tuple[BatchMaterial, ...] = ()
    gases: tuple[GasRelease, ...] | None = None
    largest_before_g: float | None = None
    enthalpy_kj_per_mol: float | None = None
    extent_mol: float | None = None
    contents_g: float | None = None
    specific_heat_j_per_g_k: float | None = None
    contents_ml: float | None = None
    vessel_ml: float | None = None
    room_ml: float | None = None
    all_at_once: bool = False
    closed_vessel: bool = False
    foams: bool = False
    recorded: tuple[str, ...] = ()
    reaction_mass_g: float | None = None
    batches: int = 1
    mean_yield: float | None = None
