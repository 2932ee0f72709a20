"""How the cost of a run is shared between what it made: the sharing of its lines, with what each would fetch.

What an outturn would fetch is what it states (``realisable_value``), else what an offer of the day sells its content
for. Offers stand in for what states none beside one that does; alone they count only among lots of different
materials, since crops of one product go by what they contain.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Final, NamedTuple

from service.analytics.money.cost_shares import CostShares, Sharing, cost_shares
from service.answer.ledger_money import LedgerMoney, Unpriced
from service.domain.lot import Strength
from service.domain.run import PRODUCT, WASTE
from service.errors import InvalidInput
from service.store.ledger_lines import Line, LotRow, RunRow
from service.store.strengths import strength_from

NG_PER_G: Final = 10**9
NG_PER_NL: Final = 1000
"""Of what weighs a gram a millilitre."""

_RULES: Final = {"net realisable value": "value", "contained mass": "contained"}


class Out(NamedTuple):
    """An outturn's line and its lot, None where it went on no shelf; ``money`` knows what its material is."""

    line: Line
    lot: LotRow | None
    money: LedgerMoney

    @property
    def carries(self) -> bool:
        """Whether it may carry cost without stating that it does."""
        return self.line.role != WASTE and (self.lot is not None or self.line.role == PRODUCT)

    @property
    def is_open(self) -> bool:
        """Whether it carries of the cost what others leave."""
        return self.carries and self.line.cost_share_micro is None and self.line.credit_micro is None

    @property
    def contained_ng(self) -> int | None:
        """What it holds of the wanted substance, None where nothing tells."""
        if self.lot is None or self.line.quantity is None:
            return None
        strength = strength_from(self.lot.strength)
        return self.money.contained_ng(self.lot.material, self.line.dimension, self.line.quantity, strength)

    def spread_by(self, run: RunRow, outs: Sequence[Out]) -> int:
        """By what the failures of the step are spread on it: contained ng; as if it were water where nothing tells."""
        if self.lot is None and run.contained_g is not None:
            products = [out for out in outs if out.line.role == PRODUCT]
            shelved = sum(out.contained_ng or 0 for out in products)
            net = sum(out.line.quantity or 0 for out in products if out.lot is None)
            rest = max(round(run.contained_g * NG_PER_G) - shelved, 0)
            return rest * (self.line.quantity or 0) // net if net else 0
        known = self.contained_ng
        if known is None:
            return (self.line.quantity or 0) * (NG_PER_NL if self.line.dimension == "volume" else 1)
        return known


class RunShares(NamedTuple):
    """Who carries a run's cost. ``by`` names the rule for each outturn: ``stated``, ``credit``, ``value`` or
    ``contained``, None where it is alone or carries nothing; ``notes`` what of that is not as it was meant."""

    shares: CostShares
    by: tuple[str | None, ...]
    unpriced: tuple[Unpriced, ...] = ()
    notes: tuple[str, ...] = ()


_ALONE: Final = RunShares(CostShares("the rest", (1,), 1, (0,)), (None,))


def shares_of_run(
    run: RunRow, outs: Sequence[Out], credits: Sequence[int], *, finished: bool, money: LedgerMoney, day: dt.date
) -> RunShares:
    """Return who carries a run's cost: what is stated, then credits, then by value, else by contained mass.

    ``day`` is that on which it made them, at whose prices what they would fetch counts.
    """
    if finished and len(outs) == 1 and outs[0].line.cost_share_micro is None and not any(credits):
        return _ALONE
    products = [out for out in outs if out.line.role == PRODUCT]
    open_outs = [out for out in outs if out.is_open] if finished else []
    worth, notes = _worth(run, outs, open_outs, money, day)
    unpriced = tuple(value for value in worth if isinstance(value, Unpriced))
    values = dict(zip(map(id, open_outs), worth, strict=True))
    asked = []
    for out, credit in zip(outs, credits, strict=True):
        line = out.line
        contained = out.spread_by(run, products) if out.lot is None and line.role == PRODUCT else out.contained_ng
        value = values.get(id(out))
        asked.append(
            Sharing(
                role=(line.role or PRODUCT) if out.carries else WASTE,
                stated=None if line.cost_share_micro is None else Fraction(line.cost_share_micro, 10**6),
                credit_micro=None if line.credit_micro is None else credit,
                realisable_micro=value if isinstance(value, int) else None,
                contained_ng=contained,
            )
        )
    if finished and not any(each.role != WASTE or each.stated for each in asked):
        finished = False
    try:
        shares = cost_shares(asked, passes_on=finished)
    except InvalidInput:
        stated = [each.stated or Fraction(0) for each in asked]
        total = sum(stated)
        scaled = [Sharing(), *asked[1:]]
        if total:
            scaled = [replace(each, stated=share / total) for each, share in zip(asked, stated, strict=True)]
        notes.append("its cost shares do not come to 1: they count in proportion")
        shares = cost_shares(scaled, passes_on=finished)
    return RunShares(shares, _said(outs, shares), unpriced, tuple(notes))


def _worth(
    run: RunRow, made: Sequence[Out], outs: Sequence[Out], money: LedgerMoney, day: dt.date
) -> tuple[list[int | Unpriced | None], list[str]]:
    """Return what each of the lots that share by value would fetch; of none where they do not."""
    nothing: list[int | Unpriced | None] = [None] * len(outs)
    stated = any(out.line.price_micro is not None for out in outs)
    if len(outs) < 2 or not (stated or len({out.line.material for out in outs}) > 1):
        return nothing, []
    found: list[int | Unpriced | None] = []
    for out in outs:
        if out.line.price_micro is not None and out.line.currency is not None:
            found.append(money.converted(out.line.price_micro, out.line.currency, day))
        else:
            found.append(_by_offers(run, made, out, money, day))
        if found[-1] is None:
            named = f"{out.line.material} states none and no offer of it stands on the day"
            return nothing, [f"what it states as realisable value is not used: {named}"] if stated else []
    return found, []


def _by_offers(run: RunRow, made: Sequence[Out], out: Out, money: LedgerMoney, day: dt.date) -> int | None:
    if out.line.quantity is None or out.line.material is None:
        return None
    # What was handed over without a lot fetches what it would in one: its content is the rest of the run's.
    contained = out.contained_ng if out.lot is not None else out.spread_by(run, made)
    if contained is not None:
        return money.worth(out.line.material, "mass", contained, Strength(), day)
    assert out.lot is not None, "what is on no lot holds the rest of the run's content"
    return money.worth(out.line.material, out.line.dimension, out.line.quantity, strength_from(out.lot.strength), day)


def _said(outs: Sequence[Out], shares: CostShares) -> tuple[str | None, ...]:
    stated = any(out.line.cost_share_micro is not None for out in outs)
    credited = any(out.line.credit_micro is not None for out in outs)
    rest = _RULES.get(shares.rule) or (None if shares.rule == "unknown" else "stated" if stated else "credit")
    found: list[str | None] = []
    for out, weight, credit in zip(outs, shares.weights, shares.credits, strict=True):
        if not (weight or credit):
            found.append(None)
        elif out.line.cost_share_micro is not None:
            found.append("stated")
        elif out.line.credit_micro is not None:
            found.append("credit")
        else:
            found.append(rest if stated or credited or shares.rule in _RULES else None)
    return tuple(found)
