"""Which part of a run's cost each lot that it made carries: as stated, else by what it would fetch, else by content."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate, pairwise
from typing import Final, Literal

from service.domain.run import WASTE
from service.errors import Fault, InvalidInput

Rule = Literal["stated", "the rest", "net realisable value", "contained mass", "unknown"]

_MOST_WHOLE: Final = 2**60
_ROUGH_WHOLE: Final = 2**53


@dataclass(frozen=True, slots=True)
class Sharing:
    """What an outturn brings to the sharing of its run's cost.

    ``stated``: its share, a fraction; ``credit_micro``: a sum that it carries instead, in 10⁻⁶. Where neither is
    stated, ``realisable_micro``: what all of it would fetch less what selling it costs; ``contained_ng``: how much of
    the wanted substance it holds. None: not known. Waste carries only what is stated.
    """

    role: str = "product"
    stated: Fraction | None = None
    credit_micro: int | None = None
    realisable_micro: int | None = None
    contained_ng: int | None = None


@dataclass(frozen=True, slots=True)
class CostShares:
    """Of the cost less ``credits``, each outturn carries its weight of ``whole``; ``rule`` says how those were found
    that were not stated. ``unknown``: there was no way to tell, and the first of them carries all of it."""

    rule: Rule
    weights: tuple[int, ...]
    whole: int
    credits: tuple[int, ...]


def cost_shares(outturns: Sequence[Sharing], *, cost_micro: int | None = None, passes_on: bool = True) -> CostShares:
    """Return how a run's cost is shared between its ``outturns``, in their order.

    What is not stated shares what is left: by net realisable value where all of it has one, else by contained mass.
    ``passes_on``: the lots carry everything, as those of a finished run do; of a failed or abandoned one they carry
    what is stated. ``cost_micro``: the run's cost, where it is known.

    Raises ``InvalidInput`` with a fault for shares that do not sum to 1 (``shares-not-one``) and for credits above the
    run's cost (``credit-above-cost``); pointers are those of a run's outturns.

    >>> cost_shares([Sharing(), Sharing("recovered", stated=Fraction("0.05"))])
    CostShares(rule='the rest', weights=(19, 1), whole=20, credits=(0, 0))
    >>> cost_shares([Sharing(contained_ng=30), Sharing("co-product", contained_ng=10)]).weights
    (3, 1)
    """
    credits = tuple(outturn.credit_micro or 0 for outturn in outturns)
    faults = []
    if cost_micro is not None and sum(credits) > cost_micro:
        first = next(place for place, credit in enumerate(credits) if credit)
        faults.append(
            Fault(
                code="credit-above-cost",
                pointer=f"/outturns/{first}/credit",
                received=sum(credits),
                expected=f"at most {cost_micro} millionths, what the run cost",
                detail="the credits of a run are at most what it cost",
            )
        )
    left = 1 - sum([outturn.stated for outturn in outturns if outturn.stated is not None])
    open_places = [
        place
        for place, outturn in enumerate(outturns)
        if passes_on and outturn.stated is None and outturn.credit_micro is None and outturn.role != WASTE
    ]
    if left < 0 or (left > 0 and passes_on and outturns and not open_places):
        faults.append(
            Fault(
                code="shares-not-one",
                pointer="/outturns",
                received=str(float(1 - left)),
                expected="cost shares that sum to 1, or less where an outturn without a share takes the rest",
                detail=f"the cost shares sum to {float(1 - left):g}",
            )
        )
    if faults:
        raise InvalidInput(faults)
    rule, parts = _parts([outturns[place] for place in open_places])
    total = sum(parts)
    if left == 1 and parts and (whole := total // (common := math.gcd(*parts))) < _MOST_WHOLE:
        weights = [0] * len(outturns)
        for place, part in zip(open_places, parts, strict=True):
            weights[place] = part // common
        return CostShares(rule, tuple(weights), whole, credits)
    shares = [outturn.stated or Fraction(0) for outturn in outturns]
    for place, part in zip(open_places, parts, strict=True):
        shares[place] = left * Fraction(part, total)
    return CostShares(rule, *_weights(shares), credits)


def _parts(outturns: Sequence[Sharing]) -> tuple[Rule, list[int]]:
    """Return by which rule some outturns share, and in which proportion."""
    if not outturns:
        return "stated", []
    if len(outturns) == 1:
        return "the rest", [1]
    rules: tuple[tuple[Rule, list[int | None]], ...] = (
        ("net realisable value", [outturn.realisable_micro for outturn in outturns]),
        ("contained mass", [outturn.contained_ng for outturn in outturns]),
    )
    for rule, values in rules:
        known = [max(value, 0) for value in values if value is not None]
        total = sum(known)
        if total and len(known) == len(values):
            return rule, known
    return "unknown", [1, *[0] * (len(outturns) - 1)]


def _weights(shares: Sequence[Fraction]) -> tuple[tuple[int, ...], int]:
    """Return shares as whole weights of a whole; rounded to 2⁻⁵³ where their denominators have no small multiple."""
    whole = math.lcm(*(share.denominator for share in shares))
    if whole >= _MOST_WHOLE:
        whole = _ROUGH_WHOLE
    ends = [round(end * whole) for end in accumulate(shares, initial=Fraction(0))]
    return tuple(end - before for before, end in pairwise(ends)), whole
