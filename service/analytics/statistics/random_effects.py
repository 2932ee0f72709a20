"""One-way random effects: how much of the spread lies between groups of runs, and what each group does to a run.

The model is value = mean + effect of the group + the rest of the run, effects and rests normal and independent. It is
fitted by restricted maximum likelihood, which needs no equal numbers of runs a group.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_SCAN: Final = 256
_WEIGHED: Final = 64


@dataclass(frozen=True, slots=True)
class RandomEffects:
    """Variances in the unit of the values squared, effects in that of the values, one a group in the order of groups.

    ``mean`` is that of a group to come, with its standard error. ``share`` is between/(between + within).
    ``criterion`` is minus twice the restricted log-likelihood. ``p`` is the probability of group means as far apart
    where groups do nothing. ``effects`` are shrunken (best linear unbiased predictors): what each group adds to the
    mean. ``against_others`` is a group's effect less the mean effect of all the other groups, ``se`` its standard
    error, ``low`` and ``high`` its limits. What the runs cannot carry is None, with a reason.
    """

    groups: int
    runs: int
    mean: float | None = None
    mean_se: float | None = None
    between: float | None = None
    within: float | None = None
    share: float | None = None
    criterion: float | None = None
    p: float | None = None
    effects: Floats | None = None
    against_others: Floats | None = None
    se: Floats | None = None
    low: Floats | None = None
    high: Floats | None = None
    reasons: Mapping[str, str] = field(default_factory=dict)


def random_effects(values: ArrayLike, group: ArrayLike, confidence: float = 0.90) -> RandomEffects:
    """Fit ``values`` of shape (n,) in the groups that ``group``, whole numbers of the same shape from 0, sorts them in.

    Every number from 0 to the largest has a run. Variances by restricted maximum likelihood (Patterson and Thompson,
    Biometrika 1971, 58, 545), the variance between groups being at least 0; equal to the analysis of variance where
    groups are of one size. Effects by Henderson's equations; ``p`` by the F of the analysis of variance, exact for any
    sizes. The standard errors of effects know that the variances are estimates: they are taken over the whole
    likelihood of the ratio of the two, with a half-Cauchy prior of scale 1 on the ratio of standard deviations (Gelman,
    Bayesian Analysis 2006, 1, 515), so that a variance of 0 does not make every group certain to be alike.

    Raises ``ValueError`` for shapes that differ, values that are not finite, a group without a run or a confidence
    outside (0, 1).

    >>> dyes = [1545, 1440, 1440, 1520, 1580, 1540, 1555, 1490, 1560, 1495, 1595, 1550, 1605, 1510, 1560,
    ...         1445, 1440, 1595, 1465, 1545, 1595, 1630, 1515, 1635, 1625, 1520, 1455, 1450, 1480, 1445]
    >>> found = random_effects(dyes, [batch for batch in range(6) for _ in range(5)])
    >>> round(found.mean, 1), round(found.between), round(found.within), round(found.share, 3), round(found.p, 4)
    (1527.5, 1764, 2451, 0.418, 0.0044)
    >>> random_effects([0.5, 0.6], [0, 1]).reasons["between"]
    'one run a group'
    """
    y, of = np.asarray(values, dtype=np.float64), np.asarray(group)
    if y.ndim != 1 or y.shape != of.shape or not np.isfinite(y).all():
        raise ValueError(f"one group a finite value, received shapes {y.shape} and {of.shape}")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence lies between 0 and 1, received {confidence!r}")
    counts = np.bincount(of.astype(np.int64)).astype(np.float64) if y.size else np.zeros(0)
    if (counts == 0).any():
        raise ValueError("every group has a run")
    n, k = int(y.size), int(counts.size)
    if k < 2:
        return _none(k, n, "one group" if k else "no runs")
    if n == k:
        return _none(k, n, "one run a group")
    means = np.bincount(of, weights=y) / counts
    rest = y - means[of]
    inside = float(rest @ rest)
    centre = float(y.mean())
    outside = float(counts @ (means - centre) ** 2)
    if inside <= 1e-20 * max(float(y @ y), outside):
        return _none(k, n, "the runs of a group are all alike")

    from scipy.special import fdtrc, stdtrit

    # Means are taken about their centre: a mean far from 0 would eat the digits of what differs.
    fit = _Fit(counts, means - centre, inside, n)
    ratio = fit.likeliest()
    at = fit.at(np.array([ratio]))
    within = float(at.within[0])
    effects = at.effects[0]
    against, _ = _against_others(at)
    se = _spread_of_effects(fit, against[0])
    reach = float(stdtrit(n - k, (1 + confidence) / 2)) * se
    return RandomEffects(
        groups=k,
        runs=n,
        mean=centre + float(at.mean[0]),
        mean_se=math.sqrt(within / float(at.weight[0])),
        between=ratio * within,
        within=within,
        share=ratio / (1 + ratio),
        criterion=float(at.criterion[0]),
        p=float(fdtrc(k - 1, n - k, (outside / (k - 1)) / (inside / (n - k)))),
        effects=effects,
        against_others=against[0],
        se=se,
        low=against[0] - reach,
        high=against[0] + reach,
    )


def _none(groups: int, runs: int, why: str) -> RandomEffects:
    names = ("mean", "mean_se", "between", "within", "share", "criterion", "p", "effects", "against_others", "se")
    return RandomEffects(groups, runs, reasons=dict.fromkeys((*names, "low", "high"), why))


@dataclass(frozen=True, slots=True)
class _At:
    """The fit at several ratios of between to within, shape (r,), and what each group does there, shape (r, k)."""

    ratio: Floats
    mean: Floats
    weight: Floats
    within: Floats
    criterion: Floats
    shrink: Floats
    effects: Floats


@dataclass(frozen=True, slots=True)
class _Fit:
    """What the likelihood needs of the runs: numbers and means of groups, and the squares inside them."""

    counts: Floats
    means: Floats
    inside: float
    runs: int

    def at(self, ratio: Floats) -> _At:
        """Return the fit with the mean and the variance within that are likeliest at each ratio."""
        spread = 1 + ratio[:, None] * self.counts
        weights = self.counts / spread
        weight = weights.sum(axis=1)
        mean = weights @ self.means / weight
        apart = self.means - mean[:, None]
        degrees = self.runs - 1
        within = (self.inside + (weights * apart**2).sum(axis=1)) / degrees
        criterion = degrees * (1 + math.log(2 * math.pi) + np.log(within)) + np.log(spread).sum(axis=1) + np.log(weight)
        shrink = 1 - 1 / spread
        return _At(ratio, mean, weight, within, criterion, shrink, shrink * apart)

    def likeliest(self) -> float:
        """Return the ratio of the least criterion: the best of a scan, then golden sections about it."""
        places = np.linspace(0, 1, _SCAN, endpoint=False)
        best = int(self.at(_ratio(places)).criterion.argmin())
        low, high = places[max(best - 1, 0)], places[best] + 1 / _SCAN
        golden = (math.sqrt(5) - 1) / 2
        for _ in range(60):
            inner = np.array([high - golden * (high - low), low + golden * (high - low)])
            left, right = self.at(_ratio(inner)).criterion
            if left <= right:
                high = float(inner[1])
            else:
                low = float(inner[0])
        found = float(_ratio(np.array([(low + high) / 2]))[0])
        # The least may lie at the edge itself, which sections never reach.
        at_edge, inside = self.at(np.array([0.0, found])).criterion
        return 0.0 if at_edge <= inside + 1e-10 else found


def _ratio(place: Floats) -> Floats:
    """Return ratios of variances at places from 0 to 1 that are even for a half-Cauchy ratio of deviations."""
    return np.tan(np.minimum(place, 1 - 1e-4) * math.pi / 2) ** 2


def _against_others(at: _At) -> tuple[Floats, Floats]:
    """Return each group's effect less the mean of the others', and its prediction error variance, both (r, k)."""
    others = at.effects.shape[1] - 1
    against = at.effects - (at.effects.sum(axis=1)[:, None] - at.effects) / others
    # The error of an effect is its own, of variance between·(1 − shrink), and −shrink times the error of the mean.
    own = (at.ratio * at.within)[:, None] * (1 - at.shrink)
    alone = own + (own.sum(axis=1)[:, None] - own) / others**2
    shared = at.shrink - (at.shrink.sum(axis=1)[:, None] - at.shrink) / others
    return against, alone + shared**2 * (at.within / at.weight)[:, None]


def _spread_of_effects(fit: _Fit, found: Floats) -> Floats:
    """Return standard errors about the effects ``found`` over every ratio of variances, weighed by its likelihood."""
    at = fit.at(_ratio((np.arange(_WEIGHED) + 0.5) / _WEIGHED))
    weight = np.exp(-(at.criterion - at.criterion.min()) / 2)
    weight /= weight.sum()
    against, variance = _against_others(at)
    spread: Floats = np.sqrt(weight @ (variance + (against - found) ** 2))
    return spread
