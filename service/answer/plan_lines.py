"""A plan laid out as its answer shows it: steps, starting materials, what to buy in which packs, and what it costs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.analytics.money.packs import Purchase, cheapest_packs
from service.analytics.planning.plan import Plan
from service.answer.by_volume import NO_DENSITY, shown
from service.answer.cost import ROUTE, Costing
from service.answer.shelf import Usable
from service.domain.money import Money, from_micro


def laid_out(plan: Plan, costing: Costing, shelf: Usable) -> dict[str, Any]:
    """Return the numbers of a plan as its answer shows them; ``shelf`` is what it may take from."""
    return _Layout(plan, costing, shelf).answer()


@dataclass(slots=True)
class _Shopping:
    """What the shop is asked for: needs beyond the shelf, and the packs that cover them."""

    to_buy_g: Mapping[str, float]
    purchase: Purchase


class _Layout:
    """One plan with the prices and the shelf that it is shown with."""

    def __init__(self, plan: Plan, costing: Costing, shelf: Usable) -> None:
        self.plan, self.costing, self.shelf = plan, costing, shelf
        self.model, self.exchange = costing.model, costing.shop.exchange

    def answer(self) -> dict[str, Any]:
        plan, campaign, route = self.plan, self.plan.campaign, self.model.route
        shopping = self._shopping()
        reasons: dict[str, str] = {}
        return {
            "route": route.code,
            "product": route.product,
            "as_of": self.exchange.as_of.isoformat(),
            "target_g": plan.target_g * self.model.last.runs.dry_fraction,
            "confidence": plan.confidence,
            "p_reach": campaign.p_reach,
            "p_max": plan.p_max,
            "p_max_without_spares": plan.p_max_without_spares,
            "monte_carlo_u": campaign.monte_carlo_u,
            "near_edge": self._near_edge(),
            "product_on_hand_g": self.shelf.grams.get(route.product, 0.0),
            "starting_materials": _starting(campaign.starting),
            "steps": [self._step_line(place) for place in range(len(campaign.steps))],
            "materials": self._materials(shopping),
            "at_the_mean": {
                "starting_materials": _starting(plan.at_the_mean.starting),
                "p_reach": plan.at_the_mean.p_reach,
            },
            "cost": self._cost(shopping, reasons),
            "stock_left_out": [dict(left) for left in self.shelf.left_out],
            "reasons": reasons,
        }

    def _near_edge(self) -> dict[str, Any] | None:
        plan = self.plan
        if not plan.near_edge:
            return None
        offered = plan.offered_spare
        # The spare batches that the plan has already are asked for with the one that is offered.
        spares = [step.code for step in plan.campaign.steps for _ in range(step.spare_batches)]
        asked = "&".join(f"spare={code}" for code in [*spares, offered])
        spare = f"; one more batch of {offered} takes the plan off the edge: {asked}" if offered else ""
        return {
            "spare_batch_of": offered,
            "detail": f"{plan.confidence:g} lies close to the most that these batches can reach, {plan.p_max:.3f}: the "
            f"grams hang on a few trials{spare}",
        }

    def _step_line(self, place: int) -> dict[str, Any]:
        planned, step = self.plan.campaign.steps[place], self.model.steps[place].step
        return {
            "step": planned.code,
            "key_input": step.key_input,
            "key_input_g": planned.key_input_g,
            "batches": planned.batches,
            "spare_batches": planned.spare_batches,
            "batch_g": planned.key_input_g / planned.batches if planned.batches else None,
            "product": step.product,
            "expected_product_g": planned.expected_product_g,
            "from_stock_g": planned.from_stock_g,
            "labour_h": None if step.labour is None else step.labour.base() * planned.batches,
        }

    def _shopping(self) -> _Shopping:
        on_hand = self.shelf.standing_for_g
        to_buy = {
            material: max(0.0, need.need_g - max(0.0, on_hand.get(material, 0.0)))
            for material, need in self.plan.campaign.materials.items()
        }
        shop, prices = self.costing.shop, self.costing.prices
        free = {material for material, price in prices.items() if price.per_g == 0.0}
        needs = {material: grams for material, grams in to_buy.items() if grams > 0.0 and material not in free}
        return _Shopping(to_buy, cheapest_packs(needs, shop.pack_offers(set(needs), self.model.worth), shop.terms()))

    def _materials(self, shopping: _Shopping) -> list[dict[str, Any]]:
        return [
            {
                "material": material,
                **shown(
                    self.model.by_volume,
                    material,
                    need=need.need_g,
                    planned=need.planned_g,
                    on_hand=self.shelf.grams.get(material, 0.0),
                    on_hand_counts_as=self.shelf.standing_for_g.get(material, 0.0),
                    to_buy=shopping.to_buy_g[material],
                    left_over=shopping.purchase.left_over_g.get(material),
                ),
                "packs": self._packs(material, shopping.purchase),
                "reason": self._reason(material, shopping.purchase),
            }
            for material, need in sorted(self.plan.campaign.materials.items())
        ] + [
            {"material": material, "need_g": None, "to_buy_g": None, "on_hand_g": None, "packs": [], "reason": reason}
            for material, reason in sorted(self._unknown_needs().items())
        ]

    def _unknown_needs(self) -> dict[str, str]:
        """The bought materials whose need cannot be told in grams, and why."""
        return {
            each.material: each.need.reason or "its need is not known"
            for step, planned in zip(self.model.steps, self.plan.campaign.steps, strict=True)
            for each in step.inputs
            if planned.batches and each.maker is None and each.need.per_g is None
        }

    def _packs(self, material: str, purchase: Purchase) -> list[dict[str, Any]]:
        offers = {offer.code: offer for offer in self.costing.shop.offers if offer.material == material}
        currency = self.exchange.currency
        return [
            {
                "offer": code,
                "count": count,
                "cash": Money(self.exchange.of(offers[code].price) * count, currency).trimmed().as_dict(),
            }
            for code, count in purchase.packs.items()
            if code in offers
        ]

    def _reason(self, material: str, purchase: Purchase) -> str | None:
        """Why a material has no packs, or no grams."""
        if material in purchase.not_offered:
            price = self.costing.prices.get(material)
            if price is not None and price.source == ROUTE:
                return f"made by route {price.code}"
            return f"no offer for {material}"
        return NO_DENSITY if material in self.model.by_volume else None

    def _cost(self, shopping: _Shopping, reasons: dict[str, str]) -> dict[str, Any]:
        """What the plan uses up at today's prices, and what it takes out of the till, whole packs and shipping."""
        campaign, currency = self.plan.campaign, self.exchange.currency
        consumed: float | None = 0.0
        unpriced = [*self._unknown_needs()]
        for material, need in campaign.materials.items():
            price = self.costing.prices.get(material)
            if price is None:
                unpriced.append(material)
            else:
                consumed = (consumed or 0.0) + need.planned_g * price.per_g / self.model.worth(material, price.strength)
        for place, step in enumerate(campaign.steps):
            made = self.costing.found.by_step[place].product_cost_per_g
            if step.from_stock_g > 0.0 and made is None:
                unpriced.append(self.model.steps[place].step.product)
            else:
                consumed = (consumed or 0.0) + step.from_stock_g * (made or 0.0)
        at_least = consumed
        if unpriced:
            consumed = None
            reasons["cost.consumed_estimate"] = f"no cost of {', '.join(dict.fromkeys(unpriced))}"
        if shopping.purchase.not_offered:
            reasons["cost.cash"] = f"without {', '.join(shopping.purchase.not_offered)}, which no offer covers"
        expected_g = campaign.steps[-1].expected_product_g * self.model.last.runs.dry_fraction
        return {
            "consumed_estimate": consumed,
            "consumed_at_least": at_least,
            "cash": Money(from_micro(shopping.purchase.cash_micro), currency).trimmed().as_dict(),
            "shipping": Money(from_micro(sum(shopping.purchase.shipping_micro.values())), currency).trimmed().as_dict(),
            "complete": not unpriced and not shopping.purchase.not_offered,
            "per_g_expected": consumed / expected_g if consumed is not None and expected_g > 0.0 else None,
            "currency": currency,
        }


def _starting(needs: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [{"material": material, "amount_g": need.planned_g} for material, need in sorted(needs.items())]
