"""What is true of a generated book: of its steps, runs and lots, and the figures that follow."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.world.chemistry import REAGENTS, Turn

GRID = np.polynomial.hermite_e.hermegauss(64)


@dataclass(frozen=True)
class TrueStep:
    """One step as it really is. Yields of usable runs are expit(μ + σz), or exp(μ + σz) for a mass ratio.

    ``key_strength`` and ``product_strength`` are nominal: g of the wanted substance in a gross g, or a feed's content.
    ``theoretical_per_g`` is in contained g of product a gross g of key input, nominal. ``equivalents`` by reagent, and
    ``branch`` the material that another step makes with its g a gross g of key input.
    """

    route: str
    code: str
    basis: str
    key: str
    product: str
    mu: float
    sigma: float
    failing: float
    key_strength: float
    product_strength: float
    theoretical_per_g: float
    batch_g: float
    digits: int
    analyte: str | None = None
    turn: Turn | None = None
    key_molar: float = 0.0
    product_molar: float = 0.0
    equivalents: Mapping[str, float] = field(default_factory=dict)
    branch: tuple[str, float] | None = None
    water_ml_per_g: float = 0.0
    extra_sigma: float = 0.0

    def draw(self, z: NDArray[np.float64]) -> NDArray[np.float64]:
        """Yields of usable runs for standard normal ``z``, random effects of operators and lots among the spread."""
        x = self.mu + math.hypot(self.sigma, self.extra_sigma) * z
        return np.exp(x) if self.basis == "mass-ratio" else 1.0 / (1.0 + np.exp(-x))

    def _mean_of(self, power: int) -> float:
        points, weights = GRID
        return float(np.sum(weights * self.draw(points) ** power) / np.sum(weights))

    @property
    def mean(self) -> float:
        """True mean yield of the usable runs."""
        return self._mean_of(1)

    @property
    def sd(self) -> float:
        """True standard deviation of the yields of the usable runs."""
        return math.sqrt(self._mean_of(2) - self.mean**2)

    @property
    def gross_per_g(self) -> float:
        """g of product as isolated a gross g of key input, at a yield of 1 and nominal strengths."""
        return self.theoretical_per_g / self.product_strength

    @property
    def ratio(self) -> float:
        """Expected g of product as isolated a gross g of key input, failures included."""
        return (1.0 - self.failing) * self.mean * self.gross_per_g

    def reagent_units_per_g(self, code: str) -> float:
        """g, mL or mol of a reagent of nominal strength that the bill asks for a gross g of key input."""
        reagent = REAGENTS[code]
        moles = self.equivalents[code] * self.key_strength / self.key_molar
        return moles / reagent.moles_per_unit(reagent.strength)


@dataclass(frozen=True, slots=True)
class RunTruth:
    """One run: what was written, worked out here from the text of the record, and what it really gave."""

    code: str
    route: str
    step: str
    status: str
    excluded: bool
    started_on: str
    finished_on: str | None
    operator: str
    key_lot: str
    batch_g: float
    theoretical_g: float
    net_g: float
    dry_g: float
    contained_g: float
    true_yield: float | None
    slip: str | None = None

    @property
    def counted(self) -> bool:
        """Finished and not left out."""
        return self.status == "finished" and not self.excluded

    @property
    def written_yield(self) -> float | None:
        """The yield that follows from what was written; None where the run has none."""
        return self.contained_g / self.theoretical_g if self.status == "finished" else None


@dataclass(frozen=True, slots=True)
class LotTruth:
    """One lot: g of the wanted substance in a g, or mol/L of a solution; effect on yields; EUR a g, mL or mol."""

    material: str
    strength: float
    effect: float = 0.0
    supplier: str | None = None
    cost_per_unit: float | None = None


@dataclass(frozen=True, slots=True)
class StepStatistics:
    """The statistics of a step over the runs as written; None where the runs cannot carry a figure."""

    counted: int
    failed: int
    abandoned: int
    open: int
    left_out: int
    mean: float | None
    sd: float | None
    median: float | None
    q1: float | None
    q3: float | None
    ratio_of_totals: float | None
    ratio_usable: float | None
    failure_rate: float | None


@dataclass
class Truth:
    """Everything that is true of one book. ``prices`` are the newest offers, EUR for a g, mL or mol of a material."""

    steps: dict[tuple[str, str], TrueStep] = field(default_factory=dict)
    runs: dict[str, RunTruth] = field(default_factory=dict)
    lots: dict[str, LotTruth] = field(default_factory=dict)
    operators: dict[str, float] = field(default_factory=dict)
    suppliers: dict[str, float] = field(default_factory=dict)
    prices: dict[str, float] = field(default_factory=dict)

    def steps_of(self, route: str) -> list[TrueStep]:
        """The steps of a route, each after those that feed it; the last makes the product."""
        return [step for (name, _), step in self.steps.items() if name == route]

    def slips(self) -> dict[str, str]:
        """The planted slips by run."""
        return {run.code: run.slip for run in self.runs.values() if run.slip is not None}

    def statistics(self, route: str, step: str) -> StepStatistics:
        """What a report on one step must say, from the runs as written, by the standard library alone."""
        runs = [run for run in self.runs.values() if (run.route, run.step) == (route, step)]
        kept = [run for run in runs if not run.excluded]
        counted = [run for run in kept if run.counted]
        failed = [run for run in kept if run.status == "failed"]
        yields = [run.contained_g / run.theoretical_g for run in counted]
        contained = math.fsum(run.contained_g for run in counted)
        usable = math.fsum(run.theoretical_g for run in counted)
        total = usable + math.fsum(run.theoretical_g for run in failed)
        quarters = statistics.quantiles(yields, n=4, method="inclusive") if len(yields) > 1 else None
        return StepStatistics(
            counted=len(counted),
            failed=len(failed),
            abandoned=sum(run.status == "abandoned" for run in kept),
            open=sum(run.status == "open" for run in kept),
            left_out=len(runs) - len(kept),
            mean=statistics.fmean(yields) if yields else None,
            sd=statistics.stdev(yields) if len(yields) > 1 else None,
            median=statistics.median(yields) if yields else None,
            q1=quarters[0] if quarters else None,
            q3=quarters[2] if quarters else None,
            ratio_of_totals=contained / total if total else None,
            ratio_usable=contained / usable if usable else None,
            failure_rate=len(failed) / (len(counted) + len(failed)) if counted or failed else None,
        )

    def standard_cost(self, route: str) -> dict[str, float]:
        """EUR a g of each step's product as isolated: newest prices, nominal bills, true ratios with failures."""
        cost: dict[str, float] = {}
        by_step: dict[str, float] = {}
        for step in self.steps_of(route):
            feed = cost[step.key] if step.key in cost else self.prices[step.key]
            feed += sum(step.reagent_units_per_g(code) * self.prices[code] for code in step.equivalents)
            feed += step.water_ml_per_g * self.prices["water"]
            if step.branch is not None:
                material, per_g = step.branch
                feed += per_g * cost[material]
            by_step[step.code] = cost[step.product] = feed / step.ratio
        return by_step

    def simulate(
        self,
        route: str,
        feed_g: Mapping[str, float],
        *,
        batches: Mapping[str, int] | None = None,
        trials: int = 20_000,
        seed: int = 1,
    ) -> NDArray[np.float64]:
        """g of final product of a route in each of ``trials`` campaigns that begin with ``feed_g`` of the bought feeds.

        Every batch of a step draws its own yield and its own failure from the true distribution; ``batches`` by step
        code, one where not named, share the step's feed evenly. Where branches meet, the scarcer of the two decides.
        """
        source = np.random.default_rng([seed, trials])
        made: dict[str, NDArray[np.float64]] = {}
        for step in self.steps_of(route):
            count = (batches or {}).get(step.code, 1)
            z, u = source.standard_normal((count, trials)), source.random((count, trials))
            usable = np.where(u >= step.failing, step.draw(z), 0.0).mean(axis=0)
            feed = made.get(step.key, np.full(trials, feed_g.get(step.key, 0.0)))
            if step.branch is not None:
                material, per_g = step.branch
                feed = np.minimum(feed, made[material] / per_g)
            made[step.product] = feed * usable * step.gross_per_g
        return made[self.steps_of(route)[-1].product]
