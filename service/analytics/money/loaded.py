"""Cost loaded with failures: what a lot cost once the failed runs of the steps behind it are paid for too.

The failures of a step are spread over that step's good product. What a failed run took may itself be loaded with the
failures of earlier steps, and of its own, where a step's product comes back into it; so the sums of all steps are
found together.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.analytics.money.ledger import Kind, Ledger
from service.analytics.money.ledger_order import LAST_DAY
from service.analytics.money.traced import Traced
from service.errors import NotComputable

FloatArray = NDArray[np.float64]

_ROUNDS: Final = 200
_CLOSE: Final = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Loaded:
    """``lot_micro``: what each lot carries with its load, in 10⁻⁶, all of it. ``by_step``: what each step has to
    spread, by its number; ``unspread`` the part of it that found no good product."""

    lot_micro: FloatArray
    by_step: FloatArray
    unspread: Mapping[int, float]


def loaded_cost(ledger: Ledger, traced: Traced, as_of: int = LAST_DAY) -> Loaded:
    """Return what every lot cost with the failures of the steps behind it.

    ``as_of``: failures and good product of runs that ended by that day (a proleptic ordinal) count. A failed run's
    failure is what no recovered lot carries of it. A run without a step spreads nothing. The figures are floats:
    spreading is an estimate, the cost itself is not. Raises ``NotComputable`` where a step's product goes back into its
    failures so entirely that no finite load covers them.

    >>> from service.analytics.money.ledger import Event, Make, ledger_of
    >>> from service.analytics.money.traced import traced_cost
    >>> runs = [Event("a", Kind.FINISHED, None, cost_micro=300, makes=(Make("salt", 50, product=50),), step="boil"),
    ...         Event("b", Kind.FAILED, None, cost_micro=100, step="boil")]
    >>> ledger = ledger_of(runs)
    >>> loaded_cost(ledger, traced_cost(ledger)).lot_micro
    array([400.])
    """
    steps = len(ledger.steps)
    counted = (ledger.step >= 0) & (ledger.ended <= as_of)
    failed = np.flatnonzero(counted & (ledger.kind == Kind.FAILED))
    good = np.flatnonzero(counted[ledger.made_by] & (ledger.kind[ledger.made_by] == Kind.FINISHED))
    failed_step, good_step = ledger.step[failed], ledger.step[ledger.made_by[good]]
    product = ledger.product[good].astype(np.float64)
    per_step = np.bincount(good_step, weights=product, minlength=steps)
    rest = traced.rest_micro[failed].astype(np.float64)
    own: FloatArray = np.bincount(failed_step, weights=rest, minlength=steps).astype(np.float64)
    spread = np.divide(product, per_step[good_step], out=np.zeros_like(product), where=per_step[good_step] > 0)
    passed_on = _passed_on(ledger)
    kept = _rest_share(ledger)[failed]

    by_step = own
    extra = np.zeros(len(ledger.lots))
    for _ in range(_ROUNDS if own.any() else 0):
        load = np.zeros(len(ledger.lots))
        load[good] = by_step[good_step] * spread
        extra, taken = passed_on(load)
        found = own + np.bincount(failed_step, taken[failed] * kept, steps).astype(np.float64)
        close = np.abs(found - by_step).max() <= _CLOSE * np.abs(found).max()
        by_step = found
        if close:
            break
    else:
        if own.any():
            raise NotComputable("what the steps give goes back into their failed runs: no load covers the failures")
    lost = np.flatnonzero((by_step != 0) & (per_step == 0)).tolist()
    return Loaded(
        lot_micro=traced.lot_micro.astype(np.float64) + extra,
        by_step=by_step,
        unspread={step: float(by_step[step]) for step in lost},
    )


def _passed_on(ledger: Ledger) -> Callable[[FloatArray], tuple[FloatArray, FloatArray]]:
    """Return what turns loads put on lots into loads of all lots after them, and of all events by their takes."""
    from scipy.sparse import csr_array, eye_array
    from scipy.sparse.linalg import spsolve_triangular

    order, lots, events = ledger.order, len(ledger.lots), len(ledger.events)
    quantity = ledger.quantity[ledger.take_lot].astype(np.float64)
    part = np.divide(ledger.take_quantity, quantity, out=np.zeros_like(quantity), where=quantity != 0)
    into = csr_array((part, (ledger.take_event, order.place[ledger.take_lot])), shape=(events, lots))
    makers = ledger.made_by[order.lots]
    share = _lot_share(ledger)[order.lots]
    out_of = csr_array((share, (np.arange(lots), makers)), shape=(lots, events))
    matrix = (eye_array(lots, format="csr") - out_of @ into).tocsr()

    def passed_on(load: FloatArray) -> tuple[FloatArray, FloatArray]:
        every: Any = spsolve_triangular(matrix, load[order.lots], lower=True, unit_diagonal=True)
        return every[order.place], into @ every

    return passed_on


def _lot_share(ledger: Ledger) -> FloatArray:
    """Return the part of its event's load that each lot carries: by weight, since a credit is a sum that stays."""
    share: FloatArray = ledger.weight / np.maximum(ledger.whole[ledger.made_by], 1)
    return share


def _rest_share(ledger: Ledger) -> FloatArray:
    share = np.ones(len(ledger.events))
    np.subtract.at(share, ledger.made_by, _lot_share(ledger))
    return share
