"""The scale of a forecast and the shared prior on spread."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import digamma, polygamma

from service.analytics.forecast.spread import (
    SpreadPrior,
    default_prior,
    off_scale,
    onto_scale,
    scale_of,
    shared_prior,
    spread_of,
)


def test_too_few_steps_or_runs_leave_the_default() -> None:
    assert shared_prior([(1.0, 4)] * 3) == default_prior("logit") == SpreadPrior(3.0, 0.60)
    assert shared_prior([(1.0, 1)] * 7) == default_prior("logit")
    assert shared_prior([(1.0, 1)] * 7, "ln") == default_prior("ln") == SpreadPrior(3.0, 0.35)
    assert shared_prior([(1.0, 2)] * 4) != default_prior("logit")


def test_steps_of_one_run_are_passed_over() -> None:
    groups = [(0.5, 3), (0.2, 2), (0.9, 4), (0.1, 2)]
    assert shared_prior([*groups, (0.0, 0), (0.0, 0)]) == shared_prior(groups)


def test_moment_equations_solved_by_another_road() -> None:
    # Smyth 2004, section 6.2, with the trigamma equation solved by bracketing in place of Newton's method.
    degrees = np.array([2, 3, 4, 2, 5, 3])
    variances = np.array([0.02, 0.30, 0.11, 0.50, 0.06, 0.25])
    logs = np.log(variances) - digamma(degrees / 2) + np.log(degrees / 2)
    excess = logs.var(ddof=1) - polygamma(1, degrees / 2).mean()
    half = brentq(lambda y: polygamma(1, y) - excess, 1e-3, 1e4)
    s0 = math.exp((logs.mean() + digamma(half) - math.log(half)) / 2)
    found = shared_prior(list(zip(variances * degrees, degrees.tolist(), strict=True)))
    assert 2 < 2 * half < 20
    assert (found.nu0, found.s0) == (pytest.approx(2 * half, rel=1e-6), pytest.approx(s0, rel=1e-6))


def test_a_known_workshop_is_found_again() -> None:
    # 2,000 steps of 3 degrees of freedom whose variances follow ν0·s0²/χ²: the estimates are near the truth.
    rng = np.random.default_rng(20040203)
    variances = 6 * 0.4**2 / rng.chisquare(6, 2000)
    squares = variances * rng.chisquare(3, 2000)
    found = shared_prior([(float(value), 3) for value in squares])
    assert found.nu0 == pytest.approx(6, rel=0.15)
    assert found.s0 == pytest.approx(0.4, rel=0.05)


def test_both_figures_are_held_to_their_ranges() -> None:
    assert shared_prior([(1e-9, 2)] * 6) == SpreadPrior(20.0, 0.15)
    assert shared_prior([(900.0, 2)] * 6) == SpreadPrior(20.0, 1.2)
    wild = shared_prior([(10.0 ** (-4 * sign), 5) for sign in (-1, 1, -1, 1, -1, 1)])
    assert wild.nu0 == 2.0


def test_repeats_that_agree_to_the_last_digit_do_not_upset_the_estimate() -> None:
    found = shared_prior([(0.0, 2), (0.4, 2), (0.5, 2), (0.3, 2), (0.4, 2)])
    assert 2 <= found.nu0 <= 20
    assert 0.15 <= found.s0 <= 1.2
    assert shared_prior([(0.0, 2)] * 5) == SpreadPrior(20.0, 0.15)


def test_runs_above_one_decide_the_scale() -> None:
    assert scale_of([0.9] * 9 + [1.1], mass_ratio=False) == "logit"  # 10 % is not more than 10 %
    assert scale_of([0.9] * 8 + [1.1], mass_ratio=False) == "ln"
    assert scale_of([0.5], mass_ratio=True) == "ln"
    assert scale_of([], mass_ratio=False) == "logit"


def test_the_scales_are_capped_where_they_must_be() -> None:
    assert onto_scale([1.3, 0.98], "logit") == pytest.approx([math.log(49), math.log(49)])
    assert onto_scale([0.0, 2.0], "ln") == pytest.approx([math.log(0.0005), math.log(2)])
    assert off_scale([-1e6, 0.0, 1e6], "logit").tolist() == pytest.approx([0.0, 0.5, 1.0])
    assert np.isfinite(off_scale([-1e6, 1e6], "ln")).all()


def test_spread_of_a_step() -> None:
    squares, degrees = spread_of([math.exp(-1), math.exp(-2)], "ln")
    assert (squares, degrees) == (pytest.approx(0.5), 1)
    assert spread_of([0.6], "logit") == (0.0, 0)
