"""The buying of a plan as its answer shows it: the second best order, and whether to make or to buy half-way."""

from __future__ import annotations

from typing import Any

from service.analytics.money.make_or_buy import Choice
from service.analytics.money.runner_up import runner_up
from service.analytics.planning.entries import Entries
from service.answer.plan_lines import Layout
from service.domain.money import from_micro


class Buying:
    """One plan's shopping with what else could be bought."""

    def __init__(self, layout: Layout, entries: Entries) -> None:
        self._layout, self._entries = layout, entries
        self._inputs, self._whole = layout.inputs, layout.whole

    def answer(self, reasons: dict[str, str]) -> dict[str, Any]:
        """Return the keys of the answer that are about buying; ``reasons`` takes why one is null."""
        ways = [self._way(place) for place in range(len(self._entries.ways))]
        payable = [way for way in ways if way["cash"] is not None]
        if self._entries.left_out:
            reasons["ways_in"] = f"not gone through: {', '.join(self._entries.left_out)}"
        return {
            "runner_up": self._runner_up(reasons),
            "make_or_buy": [self._choice(place) for place in range(len(self._entries.choices))],
            "ways_in": ways,
            "cheapest_way_in": min(payable, key=lambda way: float(way["cash"]["amount"]))["buy"] if payable else None,
            "ways_in_trials": self._entries.trials,
        }

    def _runner_up(self, reasons: dict[str, str]) -> dict[str, Any] | None:
        """The best order that does without one of the offers of the best, and what it costs more."""
        shopping, inputs = self._whole.shopping, self._inputs
        found = runner_up(shopping.purchase, shopping.wanted_g, inputs.offers, inputs.terms)
        if found is None:
            nothing = "nothing is to be bought" if not shopping.purchase.packs else "each offer of it is the only one"
            reasons["runner_up"] = f"there is no other order: {nothing}"
            return None
        purchase, layout = found.purchase, self._layout
        return {
            "without": found.without,
            "packs": [
                {
                    "offer": code,
                    "material": layout.offers[code].material,
                    "supplier": layout.offers[code].supplier,
                    "count": count,
                    "cash": layout.money(layout.exchange.of(layout.offers[code].price) * count),
                }
                for code, count in purchase.packs.items()
            ],
            "cash": layout.money(from_micro(purchase.cash_micro)),
            "shipping": layout.money(from_micro(sum(purchase.shipping_micro.values()))),
            "costs_more": layout.money(from_micro(found.more_micro)),
        }

    def _choice(self, place: int) -> dict[str, Any]:
        choice, step = self._entries.choices[place], self._inputs.steps[place]
        flips_at, reasons = self._yield_that_turns(choice, place)
        if choice.buy_per_g is None:
            reasons["buy_per_g"] = f"no offer for {step.product}"
        if choice.make_per_g is None:
            reasons["make_per_g"] = "a price or a yield behind it is not known"
        with_it = [way.cash_micro for way in self._entries.ways if choice.code in way.buy]
        without = [way.cash_micro for way in self._entries.ways if choice.code in way.made]
        return {
            "step": choice.code,
            "material": step.product,
            "decision": choice.decision,
            "make_per_g": choice.make_per_g,
            "buy_per_g": choice.buy_per_g,
            "flips_at_price_per_g": choice.flips_at_price_per_g,
            "flips_at_yield": flips_at,
            "cash_if_made": self._least(without),
            "cash_if_bought": self._least(with_it),
            "currency": self._inputs.currency,
            "reasons": reasons,
        }

    def _yield_that_turns(self, choice: Choice, place: int) -> tuple[float | None, dict[str, str]]:
        """The yield from which making is the cheaper; None where buying is cheaper even at a yield of 1, or unknown."""
        if choice.flips_at_ratio is None:
            return None, {"flips_at_yield": "making and buying it are not both known"}
        step = self._inputs.steps[place]
        found = choice.flips_at_ratio / step.plan.factor_g_per_g
        if found > 1.0 and step.plan.forecast.scale == "logit":
            return None, {"flips_at_yield": "not even a yield of 1 makes it as cheap as buying it"}
        return found, {}

    def _least(self, found: list[int | None]) -> dict[str, str] | None:
        known = [cash for cash in found if cash is not None]
        return self._layout.money(from_micro(min(known))) if known else None

    def _way(self, place: int) -> dict[str, Any]:
        way = self._entries.ways[place]
        return {
            "buy": list(way.buy),
            "cash": None if way.cash_micro is None else self._layout.money(from_micro(way.cash_micro)),
            "consumed_estimate": way.consumed,
            "p_reach": way.p_reach,
            "currency": self._inputs.currency,
        }
