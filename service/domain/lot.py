"""Lots and pools: identifiable amounts on a shelf, and what a gram or a millilitre of one holds."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

from service.domain.money import Money
from service.domain.quantity import Quantity


@dataclass(frozen=True, slots=True)
class Measured:
    """A plain number with its standard uncertainty in the same unit, None where no uncertainty was stated.

    >>> Measured(0.012, 0.002).relative_u
    0.16666666666666666
    """

    value: float
    u: float | None = None

    @property
    def relative_u(self) -> float:
        """Relative standard uncertainty; 0 where none was stated or the value is zero."""
        return 0.0 if self.u is None or self.value == 0 else self.u / abs(self.value)


@dataclass(frozen=True, slots=True)
class Strength:
    """What an amount holds, in plain numbers; a field is None where it was not measured or stated.

    ``assay`` is the mass fraction of the wanted substance on the dry basis, ``loss_on_drying`` the mass fraction lost;
    ``molarity`` in mol/L or ``mass_concentration`` in g/L for solutions; ``density`` in g/mL; ``contents`` the mass
    fractions of named materials in a feedstock, of the material as it stands.
    """

    assay: Measured | None = None
    loss_on_drying: Measured | None = None
    molarity: Measured | None = None
    mass_concentration: Measured | None = None
    density: Measured | None = None
    contents: Mapping[str, Measured] = field(default_factory=dict)

    @property
    def mass_fraction(self) -> float:
        """Grams of the wanted substance in a gram as it stands; what was not measured counts as pure and dry."""
        dry = 1.0 - (self.loss_on_drying.value if self.loss_on_drying else 0.0)
        return dry * (self.assay.value if self.assay else 1.0)

    @property
    def is_solution(self) -> bool:
        """Whether it tells what a volume holds, whatever that weighs."""
        return self.molarity is not None or self.mass_concentration is not None

    def over(self, shelf: Strength) -> Strength:
        """Return what a charge states itself, over what its lot states.

        An assay or a concentration of its own stands for both: the two are never mixed.

        >>> Strength(assay=Measured(0.8)).over(Strength(molarity=Measured(6.0), density=Measured(1.1))).molarity is None
        True
        """
        stated = self if self.assay is not None or self.is_solution else shelf
        return Strength(
            assay=stated.assay,
            loss_on_drying=self.loss_on_drying or shelf.loss_on_drying,
            molarity=stated.molarity,
            mass_concentration=stated.mass_concentration,
            density=self.density or shelf.density,
            contents=self.contents or shelf.contents,
        )


@dataclass(frozen=True, slots=True)
class Lot:
    """An identifiable amount on a shelf as it was written down: opening stock, or a line of a purchase.

    ``value`` is what the whole lot is worth in the books. A lot that a run or a pool makes has no record of this kind;
    it is written through its run or pool.
    """

    code: str
    material: str
    amount: Quantity
    assay: Quantity | None = None
    concentration: Quantity | None = None
    density: Quantity | None = None
    loss_on_drying: Quantity | None = None
    contents: Mapping[str, Quantity] = field(default_factory=dict)
    hazards: tuple[str, ...] | None = None
    received_on: dt.date | None = None
    expires_on: dt.date | None = None
    origin: str = "opening"
    value: Money | None = None
    supplier: str | None = None
    project: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class ShelfLot:
    """A lot as the rest of the book sees it, whichever record it was written through.

    ``source_kind`` is ``lots``, ``runs`` or ``pools``, ``source_code`` the record there. ``dimension`` is that of its
    own amount: mass, volume or amount (of substance).
    """

    code: str
    material: str
    dimension: str
    strength: Strength
    source_kind: str
    source_code: str
    project: str | None = None
    received_on: dt.date | None = None
    expires_on: dt.date | None = None
    hazards: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class PoolPart:
    """One lot that goes into a pool, and how much of it; None means all that is left."""

    lot: str
    amount: Quantity


@dataclass(frozen=True, slots=True)
class Pool:
    """Several lots of one material united into a new one; its assay is their mass-weighted mean unless measured."""

    code: str
    made_on: dt.date
    parts: tuple[PoolPart, ...]
    lot: str
    assay: Quantity | None = None
    loss_on_drying: Quantity | None = None
    project: str | None = None
    note: str | None = None


def measured(quantity: Quantity | None) -> Measured | None:
    """Return a quantity as a plain number in its fixed unit with its stated uncertainty; None stays None.

    >>> from service.domain.quantity import parse_quantity
    >>> measured(parse_quantity("1.10(2) g/mL", ("density",)))
    Measured(value=1.1, u=0.02)
    """
    return None if quantity is None else Measured(quantity.base(), quantity.stated_u_base())


def strength_of(
    *,
    assay: Quantity | None = None,
    loss_on_drying: Quantity | None = None,
    concentration: Quantity | None = None,
    density: Quantity | None = None,
    contents: Mapping[str, Quantity] | None = None,
) -> Strength:
    """Return the strength that a lot, a charge or an outturn states, in plain numbers.

    >>> from service.domain.quantity import parse_quantity
    >>> strength_of(concentration=parse_quantity("6 mol/L", ("molar-concentration",))).molarity
    Measured(value=6.0, u=None)
    """
    molar = concentration is not None and concentration.dimension == "molar-concentration"
    return Strength(
        assay=measured(assay),
        loss_on_drying=measured(loss_on_drying),
        molarity=measured(concentration) if molar else None,
        mass_concentration=None if molar else measured(concentration),
        density=measured(density),
        contents={code: found for code, quantity in (contents or {}).items() if (found := measured(quantity))},
    )
