"""Slips of writing: whether a yield fits the runs before it better once a factor of ten, a unit or a tare is undone.

Every yield Y is compared on ln Y with Student's t of the runs before it. The logarithm, because a slip multiplies, and
because on a logit scale every wet product would stand out without end.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

WINDOW: Final = 50
"""A yield is compared with so many usable runs of its step, the newest before it (judgement)."""
PRIOR: Final = 0.02
"""Share of runs that have a slip of some kind, before anything is seen (judgement)."""
ASKS_ABOVE: Final = 3.0
"""Above these odds of any slip against none somebody is asked (judgement)."""
NU0, S0 = 3.0, 0.35
"""The spread of ln Y that is believed of a step before its own runs, and how many degrees of freedom that is worth."""

GRAMS_PER_OUNCE: Final = 28.349523125
GRAMS_PER_POUND: Final = 453.59237
"""Avoirdupois, exact (international yard and pound agreement, 1959)."""

ANY_RUN: Final[Mapping[str, tuple[float, ...]]] = MappingProxyType(
    {
        "times-1000": (1000.0,),
        "over-1000": (1 / 1000.0,),
        "times-10": (10.0,),
        "over-10": (1 / 10.0,),
        "ounces": (1 / GRAMS_PER_OUNCE, GRAMS_PER_OUNCE),
        "pounds": (1 / GRAMS_PER_POUND, GRAMS_PER_POUND),
    }
)
"""Slips that any run may have, with what each multiplies its yield by: product, or key input, written so."""

TARE_FACTORS: Final = tuple(np.geomspace(1.3, 100.0, 48).tolist())
"""What an unknown tare left in multiplies a yield by, anything from 1.3 to 100 alike (judgement)."""


@dataclass(frozen=True, slots=True)
class Slips:
    """The odds of slips against none, a line a yield; NaN where there is nothing to compare with.

    ``odds`` of any slip, shape (n,); ``by_kind`` of each, in the order of ``kinds``, shape (n, kinds), 0 for a kind
    that a run cannot have. ``compared`` counts the earlier runs behind each line, ``typical`` is their typical yield.
    """

    kinds: tuple[str, ...]
    odds: Floats
    by_kind: Floats
    compared: NDArray[np.int64]
    typical: Floats

    def asks(self) -> NDArray[np.bool_]:
        """Return which yields somebody should look at."""
        with np.errstate(invalid="ignore"):
            return self.odds > ASKS_ABOVE

    def likeliest(self, place: int) -> str:
        """Return the kind of slip that a yield has most likely, if it has one."""
        return self.kinds[int(self.by_kind[place].argmax())]


def slips_of(yields: ArrayLike, factors: Mapping[str, ArrayLike] = ANY_RUN) -> Slips:
    """Return the odds of a slip in each usable run of one step, against the newest 50 before it.

    ``yields``: shape (n,), usable runs in the order of time, fractions above 0 (another yield is compared with nothing
    and nothing with it). ``factors``: what a slip of each kind multiplies a yield by; shape (f,) where it is the same
    for all runs, (n, f) where it is not, NaN for a run that cannot have it. A kind's factors are equally likely.

    See :func:`slip_of` for the sum and its source.

    >>> found = slips_of([0.62, 0.55, 0.70, 0.61, 590.0, 0.66])
    >>> found.asks().tolist(), found.likeliest(4)
    ([False, False, False, False, True, False], 'times-1000')
    """
    values = np.asarray(yields, dtype=np.float64)
    if values.ndim != 1:
        raise ValueError(f"yields are a flat sequence, received shape {values.shape}")
    logs = np.log(values, where=values > 0, out=np.full(values.shape, np.nan))
    usable = np.isfinite(logs)
    parts = []
    # Only usable yields are compared with: the window slides over them alone.
    held = np.concatenate([np.full(WINDOW, np.nan), logs[usable]])
    windows = np.lib.stride_tricks.sliding_window_view(held, WINDOW)[:-1]
    places = np.flatnonzero(usable)
    tables = {kind: np.asarray(each, dtype=np.float64) for kind, each in factors.items()}
    for start in range(0, len(places), 4096):
        some = slice(start, start + 4096)
        mine = {kind: each if each.ndim == 1 else each[places[some]] for kind, each in tables.items()}
        parts.append(_odds(windows[some], logs[places[some]], mine))
    found = Slips(
        tuple(factors),
        np.full(values.size, np.nan),
        np.zeros((values.size, len(factors))),
        np.zeros(values.size, dtype=np.int64),
        np.full(values.size, np.nan),
    )
    if parts:
        for target, each in zip(
            (found.odds, found.by_kind, found.compared, found.typical), zip(*parts, strict=True), strict=True
        ):
            target[places] = np.concatenate(each)
    return found


def slip_of(earlier: ArrayLike, observed: float, factors: Mapping[str, ArrayLike] = ANY_RUN) -> Slips:
    """Return the odds of a slip in one yield, against the usable yields ``earlier``, shape (k,); one line.

    Odds of kind j = (0.02/J)·t(ln Y − ln factor)/(0.98·t(ln Y)), J the number of kinds that the run can have, t the
    density of x̄ + s·√(1 + 1/k)·t_ν over x = ln Y of the earlier runs with ν = 3 + k − 1 and
    ν·s² = 3·0.35² + Σ(x − x̄)²: a spread moderated by a prior as in forecasts (Smyth 2004). Before that, earlier runs
    that look like slips themselves, by the same odds about the median and its absolute deviations, are set aside, else
    one slip would hide the next; when most runs before agree with them they no longer look so.

    Raises ``ValueError`` for a yield that is not above 0.

    >>> found = slip_of([0.62, 0.55, 0.70, 0.61], 6.1)
    >>> found.likeliest(0), round(float(found.odds[0]), 1), int(found.compared[0])
    ('times-10', 18.1, 4)
    """
    if not 0 < observed < math.inf:
        raise ValueError(f"a yield above 0 is compared, received {observed!r}")
    known = np.asarray(earlier, dtype=np.float64)
    known = known[np.isfinite(known) & (known > 0)][-WINDOW:]
    window = np.concatenate([np.full(WINDOW - known.size, np.nan), np.log(known)])[None, :]
    tables = {kind: np.asarray(each, dtype=np.float64).reshape(1, -1) for kind, each in factors.items()}
    return Slips(tuple(factors), *_odds(window, np.array([math.log(observed)]), tables))


def cannot_ask(earlier: Sequence[float], observed: float) -> bool:
    """Return whether a yield is so ordinary that no slip of any kind could have odds to ask for.

    ``earlier``: usable yields above 0, any order. A bound, by plain numbers and without arrays: the density of no slip
    can exceed that at the middle of the t, so odds stay below 0.02/0.98·t(0)/t(z). False where it cannot tell, and
    where earlier runs are so far apart that slips may be among them.

    >>> cannot_ask([0.62, 0.55, 0.70], 0.4), cannot_ask([0.62, 0.55, 0.70], 0.04)
    (True, False)
    """
    if not earlier:
        return True
    if not 0 < observed < math.inf:
        return False
    logs = [math.log(y) for y in earlier]
    k = len(logs)
    centre = math.fsum(logs) / k
    squares = math.fsum((x - centre) ** 2 for x in logs)
    nu = NU0 + k - 1
    # Runs nearer to each other than to a tenfold slip are never set aside: this is then the t of the odds themselves.
    if max(logs) - min(logs) > math.log(10) / 2:
        return False
    z2 = (math.log(observed) - centre) ** 2 / ((NU0 * S0 * S0 + squares) / nu * (1 + 1 / k))
    return bool(PRIOR / (1 - PRIOR) * (1 + z2 / nu) ** ((nu + 1) / 2) <= ASKS_ABOVE)


def may_ask(yields: ArrayLike) -> NDArray[np.bool_]:
    """Return which usable runs of one step are so odd that some slip could have odds to ask for; shape (n,).

    ``yields``: shape (n,), as for :func:`slips_of`. The bound of :func:`cannot_ask`, beside the same earlier runs that
    the odds themselves are found with: whatever slips a run can have, one that is False here has odds to ask for none.

    >>> may_ask([0.62, 0.55, 0.70, 0.61, 590.0, 0.66]).tolist()
    [False, False, False, False, True, False]
    """
    values = np.asarray(yields, dtype=np.float64)
    found = np.zeros(values.shape, dtype=np.bool_)
    places = np.flatnonzero(np.isfinite(values) & (values > 0))
    logs = np.log(values[places])
    held = np.concatenate([np.full(WINDOW, np.nan), logs])
    windows = np.lib.stride_tricks.sliding_window_view(held, WINDOW)[:-1]
    for start in range(0, len(places), 4096):
        some = slice(start, start + 4096)
        centre, scale, nu, k = _compared(windows[some])
        z2 = ((logs[some] - centre) / scale) ** 2
        bound = math.log(PRIOR / (1 - PRIOR)) + (nu + 1) / 2 * np.log1p(z2 / nu)
        found[places[some]] = (k > 0) & (bound > math.log(ASKS_ABOVE))
    return found


def _compared(windows: Floats) -> tuple[Floats, Floats, Floats, NDArray[np.int64]]:
    """Return centre, scale and degrees of the t over earlier runs, less those that look like slips; how many."""
    windows = _without_slips(windows)
    known = np.isfinite(windows)
    k = known.sum(axis=1)
    some = np.maximum(k, 1)
    centre = np.where(known, windows, 0.0).sum(axis=1) / some
    squares = np.where(known, windows - centre[:, None], 0.0)
    nu = NU0 + some - 1
    scale = np.sqrt((NU0 * S0**2 + (squares**2).sum(axis=1)) / nu * (1 + 1 / some))
    return centre, scale, nu, k


def _odds(
    windows: Floats, observed: Floats, factors: Mapping[str, Floats]
) -> tuple[Floats, Floats, NDArray[np.int64], Floats]:
    """Return odds of any slip and of each kind, how many runs were compared with, and their typical yield."""
    centre, scale, nu, k = _compared(windows)
    by_kind = _by_kind((observed - centre) / scale, scale, nu, factors)
    odds = by_kind.sum(axis=1)
    none = k == 0
    odds[none], by_kind[none] = np.nan, 0.0
    return odds, by_kind, k, np.where(none, np.nan, np.exp(centre))


def _by_kind(z: Floats, scale: Floats, nu: Floats, factors: Mapping[str, Floats]) -> Floats:
    """Return the odds of each kind against none at ``z``, distances from the centre in scales; shape (n, kinds)."""
    plain = np.log1p(z**2 / nu)
    power = (nu + 1) / 2
    found = np.zeros((z.size, len(factors)))
    can = np.zeros((z.size, len(factors)), dtype=np.bool_)
    for place, each in enumerate(factors.values()):
        shifts = np.log(np.broadcast_to(each, (z.size, each.shape[-1])))
        there = np.isfinite(shifts)
        moved = (z[:, None] - np.where(there, shifts, 0.0) / scale[:, None]) ** 2 / nu[:, None]
        ratio = np.exp(np.minimum(power[:, None] * (plain[:, None] - np.log1p(moved)), 690.0))
        counts = there.sum(axis=1)
        can[:, place] = counts > 0
        found[:, place] = np.where(there, ratio, 0.0).sum(axis=1) / np.maximum(counts, 1)
    kinds = np.maximum(can.sum(axis=1), 1)
    odds: Floats = found * (PRIOR / (1 - PRIOR) / kinds)[:, None]
    return odds


def _without_slips(windows: Floats) -> Floats:
    """Return windows of earlier runs with those set to NaN that look like slips beside the others of their window."""
    known = np.isfinite(windows)
    k = known.sum(axis=1)
    judged = np.flatnonzero(k > 2)
    if not judged.size:
        return windows
    logs = windows[judged]
    middle = np.nanmedian(logs, axis=1, keepdims=True)
    away = np.abs(logs - middle)
    spread = 1.4826 * np.nanmedian(away, axis=1)
    nu = NU0 + k[judged] - 1
    scale = np.sqrt((NU0 * S0**2 + (k[judged] - 1) * spread**2) / nu)
    rows, columns = np.nonzero(away > 2 * scale[:, None])
    if not rows.size:
        return windows
    z = (logs[rows, columns] - middle[rows, 0]) / scale[rows]
    general = {kind: np.asarray(each) for kind, each in ANY_RUN.items()}
    asks = _by_kind(z, scale[rows], nu[rows], general).sum(axis=1) > ASKS_ABOVE
    cleaned = windows.copy()
    cleaned[judged[rows[asks]], columns[asks]] = np.nan
    return cleaned
