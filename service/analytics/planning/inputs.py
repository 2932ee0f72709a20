"""Everything that a plan rests on, as plain frozen data: a changed question is the same inputs with some replaced."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

from service.analytics.forecast.draws import QUOTED_TRIALS
from service.analytics.money.packs import OrderTerms, PackOffer
from service.analytics.money.standard_cost import StepCost
from service.analytics.planning.graph import PlanStep


@dataclass(frozen=True, slots=True)
class StepInputs:
    """A step as the records have it.

    ``plan``: the step to plan, its forecast that of a batch within the record; ``cost``: the same step as the standard
    cost sees it, its places those of ``PlanInputs.steps``. ``route`` and ``step`` are its codes: of a sub-route where
    ``route`` is not the planned one. ``largest_before_g``: the largest batch that gave product, gross grams of key
    input, None without one. ``labour_h`` and ``elapsed_h``: hours a batch, None where the step states none.
    ``unknown_needs``: bought materials whose need in grams cannot be told, with the reason.
    """

    plan: PlanStep
    cost: StepCost
    route: str
    step: str
    key_input: str
    product: str
    largest_before_g: float | None = None
    labour_h: float | None = None
    elapsed_h: float | None = None
    unknown_needs: Mapping[str, str] = field(default_factory=dict)

    @property
    def code(self) -> str:
        """The step's code in the plan: with its route before it where that is a sub-route."""
        return self.plan.code


@dataclass(frozen=True, slots=True)
class PlanInputs:
    """A route with its sub-routes, the shelf, the shop and the prices of one day in one currency.

    ``steps``: in topological order, the last makes ``product``. Of the materials in ``by_volume`` a millilitre stands
    wherever a gram stands for others. ``dry_fraction``: dry grams in a gram of final product as weighed.
    ``on_hand_g`` are gross grams on the shelf that may be taken, ``on_hand_counts_as_g`` the grams of the strength that
    is planned with that they stand for; ``stock_left_out`` names the lots left alone, and
    ``expires_on`` the first day (ISO 8601) on which a lot that may be taken expires. ``price_per_g``: money per gram
    of need. ``made_by``: materials that another route makes and that no step here does. ``offers``: packs of bought
    materials and of intermediates, in grams of need. ``at_hand``: materials that the shelf never runs out of.
    """

    route: str
    product: str
    as_of: dt.date
    currency: str
    steps: tuple[StepInputs, ...]
    dry_fraction: float = 1.0
    on_hand_g: Mapping[str, float] = field(default_factory=dict)
    on_hand_counts_as_g: Mapping[str, float] = field(default_factory=dict)
    stock_left_out: tuple[Mapping[str, str], ...] = ()
    expires_on: Mapping[str, str] = field(default_factory=dict)
    price_per_g: Mapping[str, float] = field(default_factory=dict)
    made_by: Mapping[str, str] = field(default_factory=dict)
    offers: tuple[PackOffer, ...] = ()
    terms: Mapping[str, OrderTerms] = field(default_factory=dict)
    by_volume: frozenset[str] = frozenset()
    at_hand: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class PlanQuestion:
    """What is asked of the inputs.

    ``target_g``: grams of product as isolated, dry. ``spares``: spare batches in any case, by step. ``largest_g``:
    bounds of some steps' batches below their own limits, gross grams of key input.
    """

    target_g: float
    confidence: float = 0.90
    trials: int = QUOTED_TRIALS
    spares: Mapping[str, int] = field(default_factory=dict)
    largest_g: Mapping[str, float] = field(default_factory=dict)
