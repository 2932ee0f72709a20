"""The second best order: what there is to fall back on, and what it would cost more."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.analytics.money.packs import OrderTerms, PackOffer, Purchase, cheapest_packs


@dataclass(frozen=True, slots=True)
class RunnerUp:
    """The cheapest order that does without ``without``, an offer of the best one; ``more_micro`` is what it costs more,
    in millionths of the report currency."""

    purchase: Purchase
    without: str
    more_micro: int


def runner_up(
    best: Purchase, needs_g: Mapping[str, float], offers: Sequence[PackOffer], terms: Mapping[str, OrderTerms]
) -> RunnerUp | None:
    """Return the cheapest order that does without at least one of the offers that ``best`` buys; None where none does.

    Every such order is the cheapest without one certain offer, so that each is left out in turn. An order that merely
    adds an offer to all of the best one's, or shifts their numbers, is no other choice and is not looked for. Arguments
    as for ``cheapest_packs``, whose answer ``best`` is.

    >>> salt = [PackOffer("near", "salt", "corner", 100.0, 2_000_000),
    ...         PackOffer("far", "salt", "post", 100.0, 1_500_000)]
    >>> terms = {"post": OrderTerms(4_000_000)}
    >>> found = runner_up(cheapest_packs({"salt": 90.0}, salt, terms), {"salt": 90.0}, salt, terms)
    >>> dict(found.purchase.packs), found.without, found.more_micro
    ({'far': 1}, 'near', 3500000)
    """
    found: RunnerUp | None = None
    for code in best.packs:
        left = [offer for offer in offers if offer.code != code]
        other = cheapest_packs(needs_g, left, terms)
        if len(other.not_offered) > len(best.not_offered):
            continue
        more = other.cash_micro - best.cash_micro
        if found is None or more < found.more_micro:
            found = RunnerUp(other, code, more)
    return found
