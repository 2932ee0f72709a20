"""A plan laid out as its answer shows it: steps, starting materials, what to buy in which packs, and what it costs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from service.analytics.planning.chain import shares_by_amount
from service.analytics.planning.inputs import PlanInputs
from service.analytics.planning.masses import plan_masses
from service.analytics.planning.times import StepTimes, plan_times
from service.analytics.planning.whole import WholePlan
from service.answer.by_volume import NO_DENSITY, shown
from service.answer.nulls import why_null
from service.answer.prices import Exchange
from service.domain.money import Money, from_micro
from service.domain.offer import Offer

_MOST_HOURS = 1000 * 365 * 24  # a plan that takes a thousand years has no day on which it is done


class Layout:
    """One plan with the inputs that it is shown with."""

    def __init__(self, inputs: PlanInputs, whole: WholePlan, offers: Sequence[Offer], exchange: Exchange) -> None:
        self.inputs, self.whole, self.exchange = inputs, whole, exchange
        self.plan, self.purchase = whole.plan, whole.shopping.purchase
        self.offers = {offer.code: offer for offer in offers}

    def figures(self) -> dict[str, Any]:
        """Return the keys of the answer by which one plan is put beside another."""
        plan, campaign, inputs = self.plan, self.plan.campaign, self.inputs
        reasons: dict[str, str] = {}
        return {
            "route": inputs.route,
            "product": inputs.product,
            "target_g": plan.target_g * inputs.dry_fraction,
            "confidence": plan.confidence,
            "p_reach": campaign.p_reach,
            "p_max": plan.p_max,
            "monte_carlo_u": campaign.monte_carlo_u,
            "near_edge": self._near_edge(),
            **self._times(reasons),
            "starting_materials": _starting(campaign.starting),
            "steps": [self._step_line(place) for place in range(len(campaign.steps))],
            "cost": self._cost(reasons),
            "reasons": reasons,
        }

    def answer(self) -> dict[str, Any]:
        """Return the keys of the answer that follow from the plan alone."""
        plan, inputs = self.plan, self.inputs
        figures = self.figures()
        reasons = figures.pop("reasons")
        if silent := [code for code in self.purchase.packs if self.offers[code].shelf_life is None]:
            reasons["materials.left_over_expires_on"] = f"no shelf life is stated of {', '.join(silent)}"
        return {
            **figures,
            "as_of": inputs.as_of.isoformat(),
            "p_max_without_spares": plan.p_max_without_spares,
            "distribution": self._distribution(),
            "branches": self._branches(reasons),
            "expected": self._expected(reasons),
            "product_on_hand_g": inputs.on_hand_g.get(inputs.product, 0.0),
            "materials": self._materials(),
            "expiring": self._expiring(),
            "at_the_mean": {
                "starting_materials": _starting(plan.at_the_mean.starting),
                "p_reach": plan.at_the_mean.p_reach,
            },
            "stock_left_out": [dict(left) for left in inputs.stock_left_out],
            "reasons": reasons,
        }

    def _distribution(self) -> dict[str, Any]:
        """How the trials' product is spread, as isolated and dry; the target is an edge."""
        dry = self.inputs.dry_fraction
        edges, shares = shares_by_amount(self.plan.campaign.final_g, self.plan.target_g)
        return {"edges_g": [edge * dry for edge in edges], "probability": shares}

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
        planned, step = self.plan.campaign.steps[place], self.inputs.steps[place]
        return {
            "step": planned.code,
            "route": step.route,
            "key_input": step.key_input,
            "key_input_g": planned.key_input_g,
            "batches": planned.batches,
            "spare_batches": planned.spare_batches,
            "batch_g": planned.key_input_g / planned.batches if planned.batches else None,
            "product": step.product,
            "expected_product_g": planned.expected_product_g,
            "from_stock_g": planned.from_stock_g,
            "expected_key_input_g": planned.expected_key_input_g,
            "left_over_g": planned.expected_left_g,
            "elapsed_h": None if step.elapsed_h is None else step.elapsed_h * planned.batches,
            "labour_h": None if step.labour_h is None else step.labour_h * planned.batches,
        }

    def _times(self, reasons: dict[str, str]) -> dict[str, Any]:
        """Hours of hands and of the clock, and the steps that decide the latter."""
        found = plan_times(
            [
                StepTimes(
                    step.code,
                    planned.batches,
                    step.labour_h,
                    step.elapsed_h,
                    tuple(earlier for earlier, _ in step.plan.upstream),
                )
                for step, planned in zip(self.inputs.steps, self.plan.campaign.steps, strict=True)
            ]
        )
        reasons |= found.reasons
        return {
            "hands_on_h": found.hands_on_h,
            "elapsed_h": found.elapsed_h,
            "longest_path": list(found.longest_path),
        }

    def _branches(self, reasons: dict[str, str]) -> dict[str, Any] | None:
        """How branches that meet are over-provided, and what that saves beside the bill's ratio."""
        found = self.plan.branches
        if found is None:
            return None
        if found.cost is None or found.cost_at_the_bill is None:
            unpriced = ", ".join(self.whole.costs.unpriced) or "a step or a stock of it"
            reasons["branches"] = f"planned at the bill's ratio, as no price is known of {unpriced}"
        saved = None if found.cost is None else (found.cost_at_the_bill or 0.0) - found.cost
        return {
            "over_provided": [{"step": step, "fed_by": fed_by, "over": over} for step, fed_by, over in found.over],
            "cost": found.cost,
            "cost_at_the_bill": found.cost_at_the_bill,
            "saves": saved,
            "currency": self.inputs.currency,
        }

    def _expected(self, reasons: dict[str, str]) -> dict[str, Any]:
        """What the plan gives, leaves over and wastes on the average of its trials."""
        campaign, inputs = self.plan.campaign, self.inputs
        untold = {m: NO_DENSITY for m in campaign.materials if m in inputs.by_volume} | dict(self.whole.unknown_needs)
        found = plan_masses(campaign, untold)
        if found.reason is not None:
            reasons["expected.waste_g"] = found.reason
        worth = {
            s.code: share.product_cost_per_g for s, share in zip(inputs.steps, self.whole.costs.by_step, strict=True)
        }
        products = {step.code: step.product for step in inputs.steps}
        return {
            "product_g": found.product_g * inputs.dry_fraction,
            "into_g": found.into_g,
            "waste_g": found.waste_g,
            "left_over": [
                {
                    "step": code,
                    "material": products[code],
                    "amount_g": grams,
                    "value": None if (per_g := worth[code]) is None else grams * per_g,
                    "currency": inputs.currency,
                }
                for code, grams in found.left_over_g.items()
            ],
        }

    def _materials(self) -> list[dict[str, Any]]:
        inputs, to_buy_g = self.inputs, self.whole.shopping.to_buy_g
        amounts = {
            material: shown(
                inputs.by_volume,
                material,
                need=need.need_g,
                planned=need.planned_g,
                on_hand=inputs.on_hand_g.get(material, 0.0),
                on_hand_counts_as=inputs.on_hand_counts_as_g.get(material, 0.0),
                to_buy=to_buy_g[material],
                left_over=self.purchase.left_over_g.get(material),
            )
            for material, need in sorted(self.plan.campaign.materials.items())
        }
        unknown = {"need_g": None, "to_buy_g": None, "on_hand_g": None}
        return [
            {
                "material": material,
                **found,
                "packs": self._packs(material),
                "on_hand_expires_on": self._expiry(material),
                "left_over_value": self._left_over_value(material),
                "left_over_expires_on": self._pack_expiry(material),
                "reasons": self._reasons(material, found),
            }
            for material, found in amounts.items()
        ] + [
            {"material": material, **unknown, "packs": [], "reasons": why_null(unknown, reason)}
            for material, reason in sorted(self.whole.unknown_needs.items())
        ]

    def _expiry(self, material: str) -> str | None:
        """The day on which the first of the lots that may be taken expires; None where none does."""
        return self.inputs.expires_on.get(material)

    def _pack_expiry(self, material: str) -> str | None:
        """The first day on which a pack expires that is bought today; None where no offer states a shelf life."""
        bought = (self.offers[code] for code in self.purchase.packs)
        days = [
            offer.shelf_life.ends(self.inputs.as_of)
            for offer in bought
            if offer.material == material and offer.shelf_life is not None
        ]
        return min(days).isoformat() if days else None

    def _expiring(self) -> list[dict[str, Any]]:
        """What is left over of packs that expire, the first day first, and what that would waste."""
        found = []
        done = self._done_on()
        for material, left in self.purchase.left_over_g.items():
            day = self._pack_expiry(material)
            if day is None:
                continue
            too_late = done is not None and day < done
            if left <= 0.0 and not too_late:
                continue
            value = self._left_over_value(material)
            unit = "mL" if material in self.inputs.by_volume else "g"
            worth = "" if value is None else f", worth {value:.2f} {self.exchange.currency} today,"
            detail = f"{left:.4g} {unit} of {material} that the packs leave over{worth} will have expired on {day}"
            if too_late:
                detail += f"; and so will what is wanted, if the plan takes until {done} and is begun today"
            found.append(
                {
                    "material": material,
                    **shown(self.inputs.by_volume, material, left_over=left),
                    "value": value,
                    "expires_on": day,
                    "before_the_plan_is_done": None if done is None else too_late,
                    "currency": self.exchange.currency,
                    "detail": detail,
                }
            )
        return sorted(found, key=lambda each: (each["expires_on"], each["material"]))

    def _done_on(self) -> str | None:
        """The day on which the plan is done if it is begun on the day of the answer; None where no time is told."""
        hours = self._times({})["elapsed_h"]
        if hours is None or hours > _MOST_HOURS:
            return None
        return (self.inputs.as_of + dt.timedelta(hours=hours)).isoformat()

    def _left_over_value(self, material: str) -> float | None:
        """What the packs leave over is worth at today's price."""
        left, price = self.purchase.left_over_g.get(material), self.inputs.price_per_g.get(material)
        return None if left is None or price is None else left * price

    def _packs(self, material: str) -> list[dict[str, Any]]:
        bought = [(self.offers[code], count) for code, count in self.purchase.packs.items()]
        return [
            {"offer": offer.code, "count": count, "cash": self.money(self.exchange.of(offer.price) * count)}
            for offer, count in bought
            if offer.material == material
        ]

    def money(self, amount: Decimal) -> dict[str, str]:
        """Return an amount of the answer's currency as it is shown."""
        return Money(amount, self.exchange.currency).trimmed().as_dict()

    def _reasons(self, material: str, amounts: Mapping[str, float | None]) -> dict[str, str]:
        """Why a material has no packs, no grams, or nothing left over."""
        reasons = why_null(amounts, NO_DENSITY if material in self.inputs.by_volume else None)
        if material in self.purchase.not_offered:
            route = self.inputs.made_by.get(material)
            reasons["packs"] = f"made by route {route}" if route is not None else f"no offer for {material}"
            reasons |= why_null({key: amounts.get(key) for key in ("left_over_g",)}, reasons["packs"])
        return reasons

    def _cost(self, reasons: dict[str, str]) -> dict[str, Any]:
        """What the plan uses up at today's prices, and what it takes out of the till, whole packs and shipping."""
        whole, purchase = self.whole, self.purchase
        if whole.unpriced:
            reasons["cost.consumed_estimate"] = f"no cost of {', '.join(whole.unpriced)}"
        if purchase.not_offered:
            reasons["cost.cash"] = f"without {', '.join(purchase.not_offered)}, which no offer covers"
        expected_g = self.plan.campaign.steps[-1].expected_product_g * self.inputs.dry_fraction
        return {
            "consumed_estimate": whole.consumed,
            "consumed_at_least": whole.consumed_at_least,
            "cash": self.money(from_micro(purchase.cash_micro)),
            "shipping": self.money(from_micro(sum(purchase.shipping_micro.values()))),
            "complete": not whole.unpriced and not purchase.not_offered,
            "per_g_expected": whole.consumed / expected_g if whole.consumed is not None and expected_g > 0.0 else None,
            "currency": self.exchange.currency,
        }


def _starting(needs: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [{"material": material, "amount_g": need.planned_g} for material, need in sorted(needs.items())]
