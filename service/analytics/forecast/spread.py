"""Run-to-run spread: the scale it is measured on, and the prior that one or two runs borrow it from."""

from __future__ import annotations

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
    negated = np.array(values, dtype=np.float64)
    np.negative(negated, out=negated)
    return off_negated_logit(negated)


def off_negated_logit(negated: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return 1/(1 + exp(x)): the yields at points of the logit scale, whose negatives x are overwritten.

    ``negated``: any shape; the array that is returned.

    >>> off_negated_logit(np.array([0.0, 900.0])).round(3).tolist()
    [0.5, 0.0]
    """
    np.minimum(negated, 700.0, out=negated)
    np.exp(negated, out=negated)
    negated += 1.0
    return np.reciprocal(negated, out=negated)


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
    without a degree of freedom are passed over. Needs 4 steps and 8 degrees of freedom in all. The one state of
    ``shared_priors``, which says how.

    >>> shared_prior([(0.5, 2), (0.3, 1)])
    SpreadPrior(nu0=3.0, s0=0.6)
    >>> even = shared_prior([(0.04 * 4, 4), (0.05 * 4, 4), (0.03 * 4, 4), (0.04 * 4, 4)])
    >>> even.nu0, round(even.s0, 3)
    (20.0, 0.227)
    """
    table = np.array(groups, dtype=np.float64).reshape(1, -1, 2)
    nu0, s0 = shared_priors(table[:, :, 0], table[:, :, 1], scale)
    return SpreadPrior(nu0=float(nu0[0]), s0=float(s0[0]))


def shared_priors(
    squares: ArrayLike, degrees: ArrayLike, scale: Scale = "logit"
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return ν0 and s0 as a workshop's steps of one scale showed them at several times, each of shape (times,).

    ``squares`` and ``degrees``: shape (times, steps), the sum of squares about each step's mean and its degrees of
    freedom as they stood; a step without a degree of freedom is passed over. A time with fewer than 4 steps or 8
    degrees of freedom has the default prior.

    The moment estimator of moderated variances: the logarithms of the steps' variances are fitted by a scaled F
    distribution (Smyth, Statistical Applications in Genetics and Molecular Biology 2004, 3, article 3, section 6.2).
    Both figures are estimated before ν0 is held to 2–20 and s0 to 0.15–1.2 (judgement).

    >>> nu0, s0 = shared_priors([[0.5, 0.0], [0.5, 0.3]], [[2, 0], [2, 1]])
    >>> nu0.tolist(), s0.tolist()
    ([3.0, 3.0], [0.6, 0.6])
    """
    all_squares, all_degrees = np.asarray(squares, dtype=np.float64), np.asarray(degrees, dtype=np.float64)
    default = default_prior(scale)
    nu0, s0 = (np.full(len(all_degrees), value) for value in (default.nu0, default.s0))
    usable = all_degrees >= 1
    enough = (usable.sum(axis=1) >= LEAST_STEPS) & ((all_degrees * usable).sum(axis=1) >= LEAST_DEGREES)
    if not enough.any():
        return nu0, s0

    from scipy.special import polygamma, psi

    usable, counts = usable[enough], usable[enough].sum(axis=1)
    degrees_of = np.where(usable, all_degrees[enough], 1.0)
    variances = np.where(usable, all_squares[enough], 0.0) / degrees_of
    # Repeats that agree to the last digit written have no logarithm of their variance.
    variances = np.maximum(variances, np.maximum(1e-5 * _medians(variances, usable, counts), 1e-8)[:, None])
    distinct, places = np.unique(degrees_of, return_inverse=True)
    offset = (np.log(distinct / 2) - psi(distinct / 2))[places].reshape(degrees_of.shape)
    by_chance = polygamma(1, distinct / 2)[places].reshape(degrees_of.shape)
    logs = (np.log(variances) + offset) * usable
    centre = logs.sum(axis=1) / counts
    excess = (((logs - centre[:, None]) * usable) ** 2).sum(axis=1) / (counts - 1)
    excess -= (by_chance * usable).sum(axis=1) / counts
    differ = excess > 0  # else the steps differ by no more than chance: one spread for all
    half = _trigamma_inverse(excess[differ])
    found, ln_variance = np.full(len(counts), np.inf), centre
    found[differ] = 2 * half
    ln_variance[differ] += psi(half) - np.log(half)
    nu0[enough] = np.clip(found, *_NU0_RANGE)
    s0[enough] = np.clip(np.exp(ln_variance / 2), *_S0_RANGE)
    return nu0, s0


def _medians(values: NDArray[np.float64], usable: NDArray[np.bool_], counts: NDArray[np.int64]) -> NDArray[np.float64]:
    """The median of the usable values of each row."""
    ordered = np.sort(np.where(usable, values, np.inf), axis=1)
    rows = np.arange(len(values))
    found: NDArray[np.float64] = (ordered[rows, (counts - 1) // 2] + ordered[rows, counts // 2]) / 2
    return found


def _trigamma_inverse(wanted: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return y with ψ'(y) = ``wanted`` > 0, by Newton's method on 1/ψ', convex and monotone (Smyth 2004, appendix)."""
    from scipy.special import polygamma

    bounded = np.clip(wanted, 1e-6, 1e7)
    found: NDArray[np.float64] = 0.5 + 1 / bounded
    for _ in range(50):
        slope = polygamma(1, found)
        step = slope * (1 - slope / bounded) / polygamma(2, found)
        found = found + step
        if (np.abs(step) < 1e-10 * found).all():
            break
    found = np.where(wanted > 1e7, 1 / np.sqrt(wanted), found)
    return np.where(wanted < 1e-6, 1 / wanted, found)
