"""Run-to-run spread: the scale it is measured on, and the prior that one or two runs borrow it from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Scale = Literal["logit", "ln"]

LEAST_YIELD = 0.0005
"""A usable run below this is taken as this: the logarithm of a trace would outweigh every other run (judgement)."""

MOST_YIELD = 0.98
"""On the logit scale, yields above this, among them the wet ones above 1, are taken as this (judgement)."""

OFTEN_ABOVE_ONE = 0.10
"""More runs than this share above 1: the step's basis or dryness is wrong, and its yields are no fractions."""

LEAST_STEPS = 4
LEAST_DEGREES = 8
"""A shared spread is estimated from at least so many steps and degrees of freedom in all (judgement)."""

_NU0_RANGE = (2.0, 20.0)
_S0_RANGE = (0.15, 1.2)


@dataclass(frozen=True, slots=True)
class SpreadPrior:
    """What is believed of a step's spread before its own runs: ``nu0`` degrees of freedom worth of ``s0``.

    ``s0`` is a standard deviation between runs on the forecast's scale. The default is judgement: 0.60 in logit is
    0.11 to 0.13 in a yield between 0.3 and 0.7.
    """

    nu0: float = 3.0
    s0: float = 0.60


def default_prior(scale: Scale) -> SpreadPrior:
    """Return the prior of a workshop without runs enough for its own: s0 0.60 in logit, 0.35 in ln (judgement).

    >>> default_prior("ln")
    SpreadPrior(nu0=3.0, s0=0.35)
    """
    return SpreadPrior(s0=0.60 if scale == "logit" else 0.35)


def scale_of(yields: ArrayLike, *, mass_ratio: bool) -> Scale:
    """Return the scale to forecast on: ln for a mass ratio or where over 10 % of the runs exceed 1, else logit.

    ``yields``: shape (k,), the usable runs as fractions.

    >>> scale_of([0.62, 0.55], mass_ratio=False), scale_of([0.9, 1.2], mass_ratio=False)
    ('logit', 'ln')
    """
    values = np.asarray(yields, dtype=np.float64)
    often = int((values > 1).sum()) > OFTEN_ABOVE_ONE * values.size
    return "ln" if mass_ratio or often else "logit"


def onto_scale(yields: ArrayLike, scale: Scale) -> NDArray[np.float64]:
    """Return yields on the scale: logit(clip(Y, 0.0005, 0.98)), or ln(max(Y, 0.0005)), which has no cap.

    ``yields``: any shape, fractions.

    >>> onto_scale([0.5, 1.3], "logit").round(3).tolist()
    [0.0, 3.892]
    """
    values = np.asarray(yields, dtype=np.float64)
    if scale == "ln":
        return np.log(np.maximum(values, LEAST_YIELD))
    clipped = np.clip(values, LEAST_YIELD, MOST_YIELD)
    return np.log(clipped / (1 - clipped))


def off_scale(values: ArrayLike, scale: Scale) -> NDArray[np.float64]:
    """Return the yields at points of the scale, shape as given: between 0 and 1 for logit, any positive for ln.

    >>> off_scale([0.0], "logit").tolist(), off_scale([0.0], "ln").tolist()
    ([0.5], [1.0])
    """
    # A t of few degrees has tails that overflow an exponential, or a product of ten of them.
    if scale == "ln":
        return np.exp(np.minimum(np.asarray(values, dtype=np.float64), 50.0))
    return np.reciprocal(1.0 + np.exp(np.minimum(-np.asarray(values, dtype=np.float64), 700.0)))


def spread_of(yields: ArrayLike, scale: Scale) -> tuple[float, int]:
    """Return a step's sum of squares about its mean on the scale, and its degrees of freedom k − 1.

    ``yields``: shape (k,), the usable runs of one step, k at least 1.

    >>> squares, degrees = spread_of([0.62, 0.55, 0.70], "logit")
    >>> round(squares, 4), degrees
    (0.2099, 2)
    """
    points = onto_scale(yields, scale)
    apart = points - points.mean()
    return float(apart @ apart), int(points.size) - 1


def shared_prior(groups: Sequence[tuple[float, float]], scale: Scale = "logit") -> SpreadPrior:
    """Return the prior that a workshop's own steps of one scale show, or the default where they are too few.

    ``groups``: for each step (sum of squares about its mean, degrees of freedom), as ``spread_of`` gives them; steps
    without a degree of freedom are passed over. Needs 4 steps and 8 degrees of freedom in all.

    The moment estimator of moderated variances: the logarithms of the steps' variances are fitted by a scaled F
    distribution (Smyth, Statistical Applications in Genetics and Molecular Biology 2004, 3, article 3, section 6.2).
    Both figures are estimated before ν0 is held to 2–20 and s0 to 0.15–1.2 (judgement).

    >>> shared_prior([(0.5, 2), (0.3, 1)])
    SpreadPrior(nu0=3.0, s0=0.6)
    >>> even = shared_prior([(0.04 * 4, 4), (0.05 * 4, 4), (0.03 * 4, 4), (0.04 * 4, 4)])
    >>> even.nu0, round(even.s0, 3)
    (20.0, 0.227)
    """
    usable = [(squares, degrees) for squares, degrees in groups if degrees >= 1]
    if len(usable) < LEAST_STEPS or sum(degrees for _, degrees in usable) < LEAST_DEGREES:
        return default_prior(scale)

    from scipy.special import polygamma, psi

    degrees_of = np.array([degrees for _, degrees in usable])
    variances = np.array([squares for squares, _ in usable]) / degrees_of
    # Repeats that agree to the last digit written have no logarithm of their variance.
    variances = np.maximum(variances, max(1e-5 * float(np.median(variances)), 1e-8))
    logs = np.log(variances) - psi(degrees_of / 2) + np.log(degrees_of / 2)
    centre = float(logs.mean())
    excess = float(((logs - centre) ** 2).sum() / (len(usable) - 1) - polygamma(1, degrees_of / 2).mean())
    if excess > 0:
        half = _trigamma_inverse(excess)
        nu0, ln_variance = 2 * half, centre + float(psi(half)) - math.log(half)
    else:  # the steps differ by no more than chance: one spread for all
        nu0, ln_variance = math.inf, centre
    return SpreadPrior(nu0=_within(nu0, _NU0_RANGE), s0=_within(math.exp(ln_variance / 2), _S0_RANGE))


def _within(value: float, limits: tuple[float, float]) -> float:
    return min(max(value, limits[0]), limits[1])


def _trigamma_inverse(wanted: float) -> float:
    """Return y with ψ'(y) = ``wanted`` > 0, by Newton's method on 1/ψ', convex and monotone (Smyth 2004, appendix)."""
    from scipy.special import polygamma

    if wanted > 1e7:
        return 1 / math.sqrt(wanted)
    if wanted < 1e-6:
        return 1 / wanted
    found = 0.5 + 1 / wanted
    for _ in range(50):
        slope = float(polygamma(1, found))
        step = slope * (1 - slope / wanted) / float(polygamma(2, found))
        found += step
        if -step / found < 1e-10:
            break
    return found
