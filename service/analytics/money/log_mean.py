"""The log-mean split: a change of a sum of products, shared between their factors without a remainder.

Of a term w = Π x, w¹ − w⁰ = Σ L(w¹, w⁰)·ln(x¹/x⁰) with L(a, b) = (a − b)/ln(a/b), exactly, since the logarithms of the
factors sum to that of the term (the logarithmic mean Divisia index; B. W. Ang, Energy Policy 2004, 32, 1131; from
memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

Terms = Mapping[str, Mapping[str, float]]


@dataclass(frozen=True, slots=True)
class Split:
    """``change``: the sum of the terms after, less before. It is the sum of ``by_factor`` and ``not_split``.

    ``not_split``: the change of a term that cannot be shared, by the term's name, and ``reasons`` why, by the same.
    """

    change: float
    by_factor: Mapping[str, float]
    not_split: Mapping[str, float]
    reasons: Mapping[str, str]


def log_mean(a: float, b: float) -> float:
    """Return the logarithmic mean of two positive numbers, a itself where they are equal; 0 where one of them is 0.

    >>> round(log_mean(2.0, 1.0), 6), log_mean(3.0, 3.0), log_mean(0.0, 3.0)
    (1.442695, 3.0, 0.0)
    """
    if a <= 0 or b <= 0:
        return 0.0
    return (a - b) / _log_ratio(a, b) if a != b else a


def log_mean_split(before: Terms, after: Terms) -> Split:
    """Return how the change of Σ Π of two sets of terms is shared between their factors.

    ``before`` and ``after``: by term, its factors by name; equal names in several terms are one factor. A term that is
    0 or missing on one side, or has other factors there, is not shared: its whole change stands under its own name.

    Raises ``ValueError`` for a factor below 0 or one that is not finite.

    >>> split = log_mean_split({"acid": {"price": 2.0, "use": 3.0}}, {"acid": {"price": 4.0, "use": 3.0}})
    >>> split.change, {name: round(part, 12) for name, part in split.by_factor.items()}
    (6.0, {'price': 6.0, 'use': 0.0})
    """
    for factors in (*before.values(), *after.values()):
        for name, factor in factors.items():
            if not 0 <= factor < math.inf:
                raise ValueError(f"a factor is a finite number of at least 0, received {factor!r} for {name!r}")
    by_factor: dict[str, float] = {}
    not_split: dict[str, float] = {}
    reasons: dict[str, str] = {}
    for term in dict.fromkeys([*before, *after]):
        old, new = before.get(term, {}), after.get(term, {})
        was, is_now = _product(old), _product(new)
        if was == is_now == 0:
            continue
        if was == 0 or is_now == 0 or old.keys() != new.keys():
            not_split[term] = is_now - was
            reasons[term] = (
                "nothing before" if was == 0 else "nothing after" if is_now == 0 else "it is made up of other factors"
            )
            continue
        mean = log_mean(is_now, was)
        for name, factor in new.items():
            by_factor[name] = by_factor.get(name, 0.0) + mean * _log_ratio(factor, old[name])
    change = math.fsum(map(_product, after.values())) - math.fsum(map(_product, before.values()))
    return Split(change, by_factor, not_split, reasons)


def _log_ratio(a: float, b: float) -> float:
    if not 0.5 < a / b < 2:
        return math.log(a) - math.log(b)
    return math.log1p((a - b) / b)  # of nearly equal numbers, without losing the digits in which they differ


def _product(factors: Mapping[str, float]) -> float:
    return math.prod(factors.values()) if factors else 0.0
