"""What a plan is: its steps, its needs, and how surely it reaches the target."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from service.analytics.planning.graph import PlannedFlow, PlanStep


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One step of a plan. ``key_input_g`` is the planned feed of all batches together, ``batches`` has the spare ones
    among them. ``from_stock_g``: grams of its product taken from stock. Means over the trials, in grams: what it
    gives, what it is really fed, and what is left of its product, stock with it, once all that it feeds is fed; of the
    last step nothing is left over, whatever it gives.
    """

    code: str
    key_input_g: float
    batches: int
    spare_batches: int
    expected_product_g: float
    from_stock_g: float
    expected_key_input_g: float = 0.0
    expected_left_g: float = 0.0


@dataclass(frozen=True, slots=True)
class Need:
    """Grams of gross material: ``planned_g`` at the planned feeds, ``need_g`` at feeds that a share ``confidence`` of
    the trials does not pass: a good batch upstream wants more of what meets it downstream. The two are one for
    starting materials. ``expected_g`` is the mean of what is used up over the trials.
    """

    planned_g: float
    need_g: float
    expected_g: float = 0.0


@dataclass(frozen=True, slots=True)
class Campaign:
    """A plan of batches with its probability of reaching the target and the Monte Carlo uncertainty of that.

    ``starting`` are the bought key inputs; ``materials`` are all bought inputs, those among them. ``final_g``: grams of
    the last product in every trial, shape (trials,).
    """

    steps: tuple[PlannedStep, ...]
    starting: Mapping[str, Need]
    materials: Mapping[str, Need]
    p_reach: float
    monte_carlo_u: float
    final_g: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0), compare=False, repr=False)

    @property
    def batch_g(self) -> dict[str, float]:
        """Gross grams of key input a planned batch, of the steps that have one."""
        return {step.code: step.key_input_g / step.batches for step in self.steps if step.batches}


@dataclass(frozen=True, slots=True)
class Branches:
    """How branches that meet are over-provided.

    ``over``: (step, step that feeds it, how many times what the bill asks for is planned to be brought), empty where
    the bill's ratio is planned. ``cost`` and ``cost_at_the_bill``: money that the plan and that of the bill's ratio
    use up; None where a cost is not known, and no ratio was searched for.
    """

    over: tuple[tuple[str, str, float], ...]
    cost: float | None
    cost_at_the_bill: float | None


@dataclass(frozen=True, slots=True)
class Plan:
    """The answer: ``campaign`` reaches the target at the confidence asked for.

    ``at_the_mean`` is what the expected ratios alone would ask for, shown beside it and never instead, all its
    amounts as planned. ``p_max``: the
    most that any amount could reach in the plan's batches; ``p_max_without_spares`` the same without the spare ones.
    ``near_edge``: the confidence lies so near ``p_max`` that the grams hang on a few trials; one more batch of the step
    ``offered_spare`` would take the plan off the edge. ``steps`` are as they were planned, ``flow`` what is asked of
    them. ``branches`` is None where no branches meet.
    """

    target_g: float
    confidence: float
    trials: int
    campaign: Campaign
    at_the_mean: Campaign
    p_max: float
    p_max_without_spares: float
    near_edge: bool
    offered_spare: str | None
    steps: tuple[PlanStep, ...]
    flow: PlannedFlow
    branches: Branches | None = None
