"""A share of trials that held, with its exact interval."""

from __future__ import annotations


def binomial_interval(held: int, trials: int, confidence: float = 0.90) -> tuple[float, float]:
    """Return the exact two-sided limits of a probability of which ``held`` of ``trials`` were seen.

    The limits of Clopper and Pearson (Biometrika 1934, 26, 404): each end is the probability at which what was seen, or
    worse, has a chance of (1 − confidence)/2. They hold with at least ``confidence``, mostly with more. Trials are
    taken as independent. Raises ``ValueError`` for no trial, more held than tried, or a confidence outside (0, 1).

    >>> low, high = binomial_interval(0, 10, 0.95)
    >>> low, round(high, 4), round(1 - 0.025 ** (1 / 10), 4)
    (0.0, 0.3085, 0.3085)
    """
    if trials < 1 or not 0 <= held <= trials:
        raise ValueError(f"at least one trial, and as many held at most, received {held} of {trials}")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence lies between 0 and 1, received {confidence!r}")

    from scipy.special import betaincinv

    tail = (1 - confidence) / 2
    low = 0.0 if held == 0 else float(betaincinv(held, trials - held + 1, tail))
    high = 1.0 if held == trials else float(betaincinv(held + 1, trials - held, 1 - tail))
    return low, high
