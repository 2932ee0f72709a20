"""The next run of a step: from its own runs, else from an opinion, else from next to nothing.

A mean is no bound, and two or three runs say little of their own spread. So the spread is moderated by a prior while
the level is not, the next run is Student's t on the scale of the logit (or of the logarithm, for a mass ratio), and
the chance that it gives nothing usable stands beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.analytics.forecast.spread import (
    Scale,
    SpreadPrior,
    default_prior,
    off_scale,
    onto_scale,
    scale_of,
)
from service.errors import NotComputable

Floats = NDArray[np.float64]
Kind = Literal["runs", "opinion", "none"]
Note = Literal["above-one", "often-above-one", "shared-lot", "beyond-largest-batch", "spread-inflated"]

FAILURE_RUNS = 10.0
"""The workshop's other steps weigh as much as this many runs of this one on its chance of failure (judgement)."""

SHARED_LOT = 0.5
"""Share of the variance between runs that runs of one feedstock lot have in common (judgement)."""

PER_LN_BATCH = 0.2
"""Standard deviation of the level's shift per factor e beyond the largest recorded batch (judgement)."""

OPINION_WIDENING = 1.6
"""An opinion's tenth and ninetieth percentiles are this much too close to its middle (judgement)."""

OPINION_DEGREES = 3.0
_T3_AT_90 = 1.6377443536962102  # Student's t of 3 degrees at 0.9, the unit in which an opinion's scales are counted
_NO_RECORD_CENTRE, _NO_RECORD_SCALE = 0.4, 1.2  # in logit: median 0.60, one run in ten below 0.17 (judgement)

NO_BOUND = 1e-12
"""A chance among usable runs up to this is none: 1 − 0.9/0.9 is 0 on paper, and must not become a quantile at 1e-17."""


@dataclass(frozen=True, slots=True)
class StepForecast:
    """The next run of a step, as a distribution on its scale and a chance of failure.

    ``centre``, ``spread_low`` and ``spread_high`` are on the scale, ``dof`` the degrees of Student's t. Of kind
    ``runs`` the two spreads are one: the moderated standard deviation of a run about its level, and the level is
    known to spread/√``effective_runs``. Of kind ``opinion`` and ``none`` they are scales of the next run itself, below
    and above the centre, half of the variance in the level and half in the run, and ``effective_runs`` is 0.
    ``beyond_variance`` is added to the variance of the level. The chance of failure is Beta(``failures_a``,
    ``failures_b``), certain to be 0 where ``failures_a`` is 0. The spreads hold ``spread_factor`` already, by which
    they are wider than the runs alone say. ``notes`` are codes of what was done to the yields.
    """

    scale: Scale
    kind: Kind
    centre: float
    spread_low: float
    spread_high: float
    dof: float
    effective_runs: float
    failures_a: float
    failures_b: float
    beyond_variance: float = 0.0
    notes: tuple[Note, ...] = ()
    spread_factor: float = 1.0

    @property
    def mean_failure(self) -> float:
        """The expected chance, 0 to 1, that the next run gives nothing usable."""
        return self.failures_a / (self.failures_a + self.failures_b)

    def beyond(self, ln_batch_beyond: float) -> StepForecast:
        """Return the forecast for a batch whose size lies so far beyond the largest recorded, ln(size/largest).

        Below 0, and while there is no run, it is the same forecast. (0.2·ln)² joins the variance of the level.

        >>> forecast_step([0.6], 0, mass_ratio=False).beyond(1.0).beyond_variance
        0.04000000000000001
        """
        if self.kind != "runs" or ln_batch_beyond <= 0:
            return self
        said: tuple[Note, ...] = () if "beyond-largest-batch" in self.notes else ("beyond-largest-batch",)
        return replace(self, beyond_variance=float(beyond_variance(ln_batch_beyond)), notes=self.notes + said)

    def at_least(self, probability: float) -> float:
        """Return the yield (fraction; g/g for a mass ratio) that the next run reaches or passes with ``probability``.

        0 where the chance of failure alone leaves less than ``probability``: one run cannot give that confidence, a
        spare batch can. Raises ``ValueError`` for a probability outside (0, 1).

        Where ``beyond_variance`` is not 0, the sum of a t and a normal variable is taken as a t of the summed variance
        (an approximation: the draws hold the sum itself).

        >>> forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, pi0=0.02).at_least(0.90).__round__(4)
        0.396
        """
        if not 0 < probability < 1:
            raise ValueError(f"a probability lies between 0 and 1, received {probability!r}")
        among = float(among_usable(probability, self.mean_failure))
        return 0.0 if among <= NO_BOUND else self._usable_quantile(among)

    @property
    def median_if_usable(self) -> float:
        """The yield (fraction; g/g for a mass ratio) that half of the usable runs reach."""
        return self._usable_quantile(0.5)

    def _usable_quantile(self, among: float) -> float:
        """The yield that a share ``among`` of the usable runs stays below."""
        from scipy.special import stdtrit

        away = float(stdtrit(self.dof, among))
        spread = self.spread_low if away < 0 else self.spread_high
        if self.kind == "runs":
            spread = float(next_run_width(spread, self.effective_runs, self.beyond_variance))
        return float(off_scale(self.centre + spread * away, self.scale))


def forecast_step(
    yields: ArrayLike,
    failures: int,
    *,
    mass_ratio: bool,
    other_runs: int = 0,
    other_failures: int = 0,
    prior: SpreadPrior | None = None,
    opinion: tuple[float, float, float] | None = None,
    runs_per_lot: float = 1.0,
    new_lot: bool = False,
    ln_batch_beyond: float = 0.0,
    pi0: float | None = None,
    spread_factor: float = 1.0,
) -> StepForecast:
    """Return the forecast of a step's next run from its k usable ``yields`` and its ``failures``.

    ``yields``: shape (k,), fractions (g/g where ``mass_ratio``). ``failures``: finished runs that gave nothing usable.
    ``other_runs`` and ``other_failures``: finished runs (failures among them) of the workshop's other steps, which
    give the chance of failure before this step's own record; ``pi0`` states that chance instead, and 0 with no failures
    leaves failure out. ``prior``: on the spread, on the scale that ``scale_of`` names; the default prior where None.
    ``opinion``: (low, likely, high) yields, as the tenth, fiftieth and ninetieth percentile, used only while there is
    no usable run: an optimistic opinion mixed in does not wash out for many runs. ``new_lot``: the next run is on
    another feedstock lot than any recorded, where ``runs_per_lot`` usable runs (1 to k) came from each.
    ``ln_batch_beyond``: ln(batch size/largest recorded batch size), where positive, in use once there is a run.
    ``spread_factor``: at least 1, by which the spread is widened where the record of past forecasts asks for it
    (``record.spread_factors``), in use once there is a run.

    With SS the sum of squares on the scale: ν = ν0 + n − 1, ν·s² = ν0·s0² + SS·(n − 1)/(k − 1), next run =
    mean + s·√(1 + 1/n)·t of ν degrees, where n = k, or k/(1 + (m − 1)/2) for m runs a lot and a new lot (the design
    effect of Kish, Survey Sampling 1965, with an intraclass correlation of one half); s² is at least SS/(k − 1) where
    the prior is the default. The moderated variance is that of Smyth, Statistical Applications in Genetics and
    Molecular Biology 2004, 3, article 3. The chance of failure is Beta(f + 10·π0, k + 10·(1 − π0)),
    π0 = (other failures + 0.5)/(other runs + 10).

    Runs are taken as exchangeable, normal on the scale. Raises ``NotComputable`` for a mass ratio with neither run nor
    opinion, which has no natural size; ``ValueError`` for values out of their range.

    >>> forecast_step([0.60], 0, mass_ratio=False, pi0=0).at_least(0.90).__round__(4)
    0.2721
    >>> forecast_step([], 0, mass_ratio=False).kind
    'none'
    """
    values = np.asarray(yields, dtype=np.float64)
    if values.ndim != 1 or not np.isfinite(values).all() or (values < 0).any():
        raise ValueError(f"yields are a flat sequence of finite numbers of at least 0, received {yields!r}")
    if failures < 0 or not 0 <= other_failures <= other_runs:
        raise ValueError(f"failures are counts within the runs, received {failures}, {other_failures} of {other_runs}")
    if runs_per_lot < 1 or ln_batch_beyond < 0 or spread_factor < 1:
        raise ValueError(
            "runs a lot from 1, ln(size/record) from 0 and a spread factor from 1, received "
            f"{runs_per_lot}, {ln_batch_beyond}, {spread_factor}"
        )
    runs = int(values.size)
    chance = chance_elsewhere(other_runs, other_failures) if pi0 is None else pi0
    if not 0 <= chance < 1:
        raise ValueError(f"a chance of failure is at least 0 and below 1, received {pi0!r}")
    failures_a, failures_b = (float(part) for part in failure_chance(runs, failures, chance))
    scale = scale_of(values, mass_ratio=mass_ratio)

    if runs == 0:
        kind, centre, low, high = _without_runs(scale, opinion)
        return StepForecast(scale, kind, centre, low, high, OPINION_DEGREES, 0.0, failures_a, failures_b)

    notes: list[Note] = []
    if not mass_ratio and (values > 1).any():
        notes.append("often-above-one" if scale == "ln" else "above-one")
    effective = float(runs)
    if new_lot and runs_per_lot > 1:
        effective = float(runs_by_lots(effective, runs_per_lot))
        notes.append("shared-lot")
    if ln_batch_beyond > 0:
        notes.append("beyond-largest-batch")
    if spread_factor > 1:
        notes.append("spread-inflated")
    prior = default_prior(scale) if prior is None else prior
    points = onto_scale(values, scale)
    centre = float(points.mean())
    squares = float(((points - centre) ** 2).sum())
    lent = prior != default_prior(scale)
    degrees, moderated = moderated_spread(prior.nu0, prior.s0, squares, runs, effective, lent)
    spread = spread_factor * float(moderated)
    return StepForecast(
        scale=scale,
        kind="runs",
        centre=centre,
        spread_low=spread,
        spread_high=spread,
        dof=float(degrees),
        effective_runs=effective,
        failures_a=failures_a,
        failures_b=failures_b,
        beyond_variance=float(beyond_variance(ln_batch_beyond)),
        notes=tuple(notes),
        spread_factor=spread_factor,
    )


# ---- the sums of the forecast, each once: for one run here, for every run of the past in ``record``


def chance_elsewhere(runs: ArrayLike, failures: ArrayLike) -> Floats:
    """Return π0 = (F + 0.5)/(N + 10): what N finished runs of other steps, F of them failed, say; elementwise.

    >>> float(chance_elsewhere(40, 1))
    0.03
    """
    return np.asarray((np.asarray(failures) + 0.5) / (np.asarray(runs) + FAILURE_RUNS), dtype=np.float64)


def failure_chance(runs: ArrayLike, failures: ArrayLike, elsewhere: ArrayLike) -> tuple[Floats, Floats]:
    """Return a and b of the Beta(f + 10·π0, k + 10·(1 − π0)) that a step's chance of failure has; elementwise.

    >>> [round(float(part), 6) for part in failure_chance(4, 1, 0.05)]
    [1.5, 13.5]
    """
    chance = np.asarray(elsewhere, dtype=np.float64)
    return np.asarray(failures) + FAILURE_RUNS * chance, np.asarray(runs) + FAILURE_RUNS * (1 - chance)


def among_usable(probability: ArrayLike, mean_failure: ArrayLike) -> Floats:
    """Return q = 1 − γ/(1 − π̂), the share of usable runs below a bound that holds with γ; up to 0 there is none.

    >>> round(float(among_usable(0.9, 0.05)), 4)
    0.0526
    """
    usable = 1 - np.asarray(mean_failure, dtype=np.float64)
    return np.asarray(1 - np.asarray(probability) / np.maximum(usable, 1e-300), dtype=np.float64)


def runs_by_lots(runs: ArrayLike, runs_per_lot: ArrayLike) -> Floats:
    """Return how many independent runs ``runs`` count for, m̄ of each lot, to one on a new lot; elementwise, 1 or more.

    >>> float(runs_by_lots(6, 3))
    3.0
    """
    counted = np.asarray(runs, dtype=np.float64) / (1 + (np.asarray(runs_per_lot) - 1) * SHARED_LOT)
    return np.asarray(np.maximum(1.0, counted), dtype=np.float64)


def moderated_spread(
    nu0: ArrayLike, s0: ArrayLike, squares: ArrayLike, runs: ArrayLike, effective: ArrayLike, lent: ArrayLike
) -> tuple[Floats, Floats]:
    """Return ν = ν0 + n − 1 and s with ν·s² = ν0·s0² + SS·(n − 1)/(k − 1); elementwise, for k = ``runs`` from 1.

    ``lent``: whether the prior is what other steps showed. One that is not, the default, widens a spread and never
    narrows it: s² is then at least the runs' own variance (judgement). Narrowed by a guess, bounds asked at 90 % held
    in 86.7 % of erratic steps (spread 0.9 in logit) of three runs; so they hold in 88.9 %.

    >>> [round(float(part), 4) for part in moderated_spread(3.0, 0.6, 0.2099, 3, 3.0, False)]
    [5.0, 0.5079]
    >>> [round(float(moderated_spread(3.0, 0.6, 3.0, 3, 3.0, lent)[1]), 4) for lent in (False, True)]
    [1.2247, 0.9033]
    """
    count, counted = np.asarray(runs, dtype=np.float64), np.asarray(effective, dtype=np.float64)
    variance = np.asarray(squares) / np.maximum(count - 1, 1.0)
    degrees = np.asarray(nu0) + counted - 1
    moderated = (np.asarray(nu0) * np.asarray(s0) ** 2 + variance * (counted - 1)) / degrees
    return degrees, np.sqrt(np.where(np.asarray(lent), moderated, np.maximum(moderated, variance)))


def beyond_variance(ln_batch_beyond: ArrayLike) -> Floats:
    """Return what a batch beyond the largest adds to the variance of the level, (0.2·ln(m/m_max))²; elementwise.

    >>> round(float(beyond_variance(1.0)), 3)
    0.04
    """
    return np.asarray((PER_LN_BATCH * np.asarray(ln_batch_beyond)) ** 2, dtype=np.float64)


def next_run_width(spread: ArrayLike, effective: ArrayLike, beyond: ArrayLike) -> Floats:
    """Return the scale of the next run about the mean, √(s²·(1 + 1/n) + what lies beyond the record); elementwise.

    >>> round(float(next_run_width(0.6, 1.0, 0.0)), 4)
    0.8485
    """
    width = np.asarray(spread) ** 2 * (1 + 1 / np.asarray(effective)) + np.asarray(beyond)
    return np.asarray(np.sqrt(width), dtype=np.float64)


def _without_runs(scale: Scale, opinion: tuple[float, float, float] | None) -> tuple[Kind, float, float, float]:
    """Return kind, centre, lower and upper scale of a step that has given nothing usable yet."""
    if opinion is None:
        if scale == "ln":
            raise NotComputable(
                "a mass ratio without a run or an expected yield has no forecast: record a run, or state the expected "
                "yield of the step as low, likely and high",
                code="no-forecast",
            )
        return "none", _NO_RECORD_CENTRE, _NO_RECORD_SCALE, _NO_RECORD_SCALE
    if not 0 < opinion[0] <= opinion[1] <= opinion[2]:
        raise ValueError(f"an opinion is low, likely and high, each above 0 and in that order, received {opinion!r}")
    low, likely, high = onto_scale(opinion, scale).tolist()
    unit = OPINION_WIDENING / _T3_AT_90
    return "opinion", likely, unit * (likely - low), unit * (high - likely)
