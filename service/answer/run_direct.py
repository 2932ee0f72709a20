"""What a run paid beside the lots that it took: bare charges, labour, energy, waste, consumables; and its credits."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from service.answer.ledger_money import LedgerMoney, Unpriced
from service.domain.lot import Strength
from service.domain.run import CO_PRODUCT, RECOVERED, WASTE
from service.store.ledger_lines import Line, LotRow, RunRow
from service.store.strengths import strength_from


class Direct(NamedTuple):
    """Something that a run used beside its lots: a charge without one, labour, energy, waste, consumables.

    ``quantity`` in ng, nL, nmol, ms or mJ by ``dimension``; ``micro`` is what it cost, None where that is not known or
    not counted.
    """

    of: str
    material: str | None
    dimension: str | None
    quantity: int | None
    micro: int | None


def paid_beside_lots(
    run: RunRow,
    lines: Iterable[Line],
    lots: Mapping[str, LotRow],
    day: dt.date,
    money: LedgerMoney,
    *,
    labour: bool,
) -> tuple[list[Direct], list[Unpriced], list[str]]:
    """Return what a run used beside its lots at the prices of a day, what of that has no known cost, and what was not
    counted; ``lots`` are those that it made, ``labour`` counts hours at their rate."""
    direct: list[Direct] = []
    unpriced: list[Unpriced] = []
    not_counted: list[str] = []
    for line in lines:
        if line.kind == "charge":
            if line.lot is not None:
                continue  # it costs what its lot is worth
            cost = _charged(line, day, money)
            if isinstance(cost, Unpriced):
                unpriced.append(cost)
            micro = None if isinstance(cost, Unpriced) else cost
            quantity = None if line.quantity is None else -line.quantity
            direct.append(Direct("charge", line.material, line.dimension, quantity, micro))
        elif line.kind in ("labour", "energy") or line.role == WASTE:
            of, rated = "waste" if line.role == WASTE else line.kind, None
            if of != "labour" or labour:
                lot = lots.get(line.lot or "")
                strength = Strength() if lot is None else strength_from(lot.strength)
                rated = money.rated(of, line, strength, day)
            if isinstance(rated, str):
                not_counted.append(rated)
            micro = rated if isinstance(rated, int) else None
            direct.append(Direct(of, line.material, line.dimension, line.quantity, micro))
    consumables = money.consumables(run.route, run.route_revision, run.step, day)
    if isinstance(consumables, Unpriced):
        unpriced.append(consumables)
    elif consumables is not None:
        direct.append(Direct("consumables", None, None, None, consumables))
    return direct, unpriced, not_counted


def credited(line: Line, day: dt.date, money: LedgerMoney) -> int | Unpriced:
    """Return what an outturn is credited with at the rate of a day."""
    if line.credit_micro is None or line.currency is None:
        return 0
    return money.converted(line.credit_micro, line.currency, day)


def goes_by_offers(line: Line) -> bool:
    """Say whether what a line is worth may be asked of offers, or what its volume holds or weighs of its material: of a
    bare charge, of what the lot of a by-product would fetch, of an outturn by volume."""
    if line.kind == "charge":
        return line.lot is None and line.price_micro is None
    stated = line.price_micro is not None or line.credit_micro is not None or line.cost_share_micro is not None
    by_product = line.role in (CO_PRODUCT, RECOVERED) and line.lot is not None
    by_volume = line.kind == "outturn" and line.dimension == "volume"
    return (by_product or by_volume) and not stated


def _charged(line: Line, day: dt.date, money: LedgerMoney) -> int | Unpriced:
    assert line.material is not None, "a charge is of a material"
    if line.price_micro is not None and line.currency is not None:
        return money.converted(line.price_micro, line.currency, day)
    if line.quantity is None:
        return Unpriced(f"material:{line.material}", "how much was charged is not known")
    return money.offered(line.material, line.dimension, -line.quantity, day)
