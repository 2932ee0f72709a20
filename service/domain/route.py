"""Routes and their steps: a way to make a material, a graph of steps between weighings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha256

from service.domain.money import Money
from service.domain.quantity import Quantity
from service.domain.reaction import Reaction

STOICHIOMETRIC = "stoichiometric"
CONTENT = "content"
RECOVERY = "recovery"
MASS_RATIO = "mass-ratio"
BASES = (STOICHIOMETRIC, CONTENT, RECOVERY, MASS_RATIO)


@dataclass(frozen=True, slots=True)
class BillLine:
    """One other input of a step: exactly one of ``equivalents`` (moles per mole of key input), ``per_key_input``
    (mass, volume or moles a gram of key input) and ``per_batch`` (an amount whatever the batch).

    ``from_step`` names the step of this route that makes it where two do; ``from_route`` a sub-route with its own runs.
    """

    material: str
    equivalents: Quantity | None = None
    per_key_input: Quantity | None = None
    per_batch: Quantity | None = None
    from_step: str | None = None
    from_route: str | None = None


@dataclass(frozen=True, slots=True)
class ExpectedYield:
    """An opinion, used until the first run: three points of the yield (P10, P50, P90), as fractions."""

    low: float
    likely: float
    high: float


@dataclass(frozen=True, slots=True)
class BatchLimits:
    """The smallest and the largest batch, as gross grams of key input; an end left out is open."""

    smallest_g: float | None = None
    largest_g: float | None = None


NO_LIMITS = BatchLimits()


@dataclass(frozen=True, slots=True)
class Step:
    """What lies between two weighings: one key input, one product, a basis, a bill of other inputs, limits, cautions.

    ``analyte`` is the material that a ``content`` step extracts. ``reaction_enthalpy`` is molar, in kJ per mole of
    reaction as written, negative for heat given off; ``reaction_mass`` is what is in the vessel while it is given
    off, a mass a batch or a mass a mass of key input.
    """

    code: str
    name: str
    basis: str
    key_input: str
    product: str
    analyte: str | None = None
    reaction: Reaction | None = None
    bill: tuple[BillLine, ...] = ()
    co_products: tuple[str, ...] = ()
    from_step: str | None = None
    from_route: str | None = None
    limits: BatchLimits = NO_LIMITS
    minimum_assay: Quantity | None = None
    expected_yield: ExpectedYield | None = None
    vessel: Quantity | None = None
    closed_vessel: bool = False
    foams: bool = False
    all_at_once: bool = False
    reaction_enthalpy: Quantity | None = None
    specific_heat: Quantity | None = None
    reaction_mass: Quantity | None = None
    labour: Quantity | None = None
    elapsed: Quantity | None = None
    energy: Quantity | None = None
    consumables: Money | None = None
    cautions: tuple[str, ...] = ()
    note: str | None = None

    @property
    def inputs(self) -> tuple[str, ...]:
        """The materials that go in: the key input first, then the bill in its order."""
        return (self.key_input, *(line.material for line in self.bill))

    def computes_as(self) -> tuple[object, ...]:
        """What a run's outcome rests on: two steps that agree here give any run the same outcome."""
        return (
            self.basis,
            self.key_input,
            self.product,
            self.analyte,
            self.reaction,
            tuple(line.material for line in self.bill),
        )

    def pooled_as(self) -> str:
        """What must be equal for the runs of two revisions of a step to be counted together, as a short digest.

        >>> wash, dry = (Step(code, code, "recovery", "crude", "pure") for code in ("wash", "dry"))
        >>> wash.pooled_as() == dry.pooled_as()
        True
        """
        reaction = self.reaction
        sides = () if reaction is None else (sorted(reaction.reactants.items()), sorted(reaction.products.items()))
        told = repr((self.basis, self.key_input, self.product, self.analyte, sides))
        return sha256(told.encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Route:
    """A way to make ``product``: a graph whose nodes are steps. An input that one other step makes comes from it."""

    code: str
    name: str
    product: str
    steps: tuple[Step, ...]
    note: str | None = None
    upstream: Mapping[tuple[str, str], str] = field(default_factory=dict)
    """(step, material) -> the step of this route that makes that input; made by ``service.domain.graph.connect``."""

    def step(self, code: str) -> Step | None:
        """Return the step of that code, or None where the route has none."""
        return next((step for step in self.steps if step.code == code), None)

    @property
    def last_step(self) -> Step:
        """The step that makes the route's product."""
        return next(step for step in self.steps if step.product == self.product)
