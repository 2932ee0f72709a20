"""Plans asked for backwards: the most product that a budget, or the shelf alone, reaches with a stated confidence."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from service.analytics.forecast.draws import SharedDraws
from service.analytics.money.packs import Purchase
from service.analytics.planning.inputs import PlanInputs, PlanQuestion
from service.analytics.planning.whole import WholePlan, plan_from, shopping_for
from service.errors import NotComputable

CLOSE = 1e-5
"""How near to the most that can be had the answer lies, as a fraction of it."""

_WIDEN = 8.0
_MOST_WIDENINGS = 10
_MOST_NARROWINGS = 6
_MOST_IDLE = 1
"""So many guesses in a row may leave more than half of the interval before one is halved."""
_FIRST_GUESSES = 2
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Reached:
    """The plan of the largest target that can be had, and the material that a larger one would want more of."""

    whole: WholePlan
    runs_out_first: str


def most_from(inputs: PlanInputs, question: PlanQuestion, budget_micro: int | None) -> Reached:
    """Return the plan of the largest target whose needs a budget covers, or the shelf alone where it is None.

    ``question``: with any target; confidence, trials, spares and bounds are its own. ``budget_micro``: cash for whole
    packs and shipping, in millionths of the currency; what is on the shelf is used first. Labour and energy are not
    paid out of it. What costs nothing never runs out, and of what is at hand, such as water from the
    tap, the shelf does not. The plan is the one that its target
    would be given if asked for forwards, to 1 part in 10⁵ below the most that can be had.

    Raises ``NotComputable`` with ``runs_out_first`` where nothing can be had at all, where a need cannot be told in
    grams, and where nothing runs out; and as ``plan_route`` does.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.money.standard_cost import CostLine, StepCost
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> from service.analytics.planning.inputs import StepInputs
    >>> step = PlanStep("roast", forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, pi0=0.0), 0.5,
    ...                 bought=(BoughtInput("ore", 1.0, key=True),))
    >>> roast = StepInputs(step, StepCost("roast", 0.31, (CostLine("ore", 0.02),)), "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (roast,), price_per_g={"ore": 0.02},
    ...                     on_hand_g={"ore": 100.0}, on_hand_counts_as_g={"ore": 100.0})
    >>> found = most_from(inputs, PlanQuestion(1.0, 0.9), None)
    >>> found.runs_out_first, round(found.whole.question.target_g), round(100 * 0.5 * 0.4126)
    ('ore', 21, 21)
    """
    return _Backwards(inputs, question, budget_micro).most()


class _Backwards:
    """One question, asked of one target after another."""

    def __init__(self, inputs: PlanInputs, question: PlanQuestion, budget_micro: int | None) -> None:
        self._inputs, self._question, self._budget_micro = inputs, question, budget_micro
        self._shared = SharedDraws()
        self._refused: NotComputable | None = None

    def most(self) -> Reached:
        """The plan of the largest target that is enough, between one that is and one that is not."""
        low, high, beyond = self._bracket()
        over_shot, idle, width = True, 0, math.inf
        while high > low.question.target_g * (1 + CLOSE):
            at = low.question.target_g
            idle = 0 if high / at - 1 <= 0.5 * width else idle + 1
            width = high / at - 1
            middle = self._guess(low, high, beyond, over_shot) if idle <= _MOST_IDLE else None
            if middle is None:
                middle = math.sqrt(at * high)
            tried = self._plan(middle)
            over_shot = tried is None or not self._enough(tried)
            if tried is None or over_shot:
                high, beyond = middle, tried
            else:
                low = tried
        if beyond is None:
            assert self._refused is not None
            raise self._refused
        return Reached(low, self._short_of(beyond, low))

    def _guess(self, low: WholePlan, high: float, beyond: WholePlan | None, over_shot: bool) -> float | None:
        """Where the most may lie, reckoned from one of the two plans about it; None where neither leads in between.

        What is held and what the cash buys last in proportion, as long as no batch is added: so far, or a hair beyond
        it. The plan that was tried last comes first.
        """
        at = low.question.target_g
        for from_low in (False, True) if over_shot else (True, False):
            guess = 0.0
            if from_low:
                guess = max(at * self._lasts(low), at * (1 + 0.9 * CLOSE))
            elif beyond is not None:
                guess = high * self._lasts(beyond)
            if at < guess < high:
                return guess
        return None

    def _bracket(self) -> tuple[WholePlan, float, WholePlan | None]:
        """A plan that is enough, a target too large, and its plan."""
        last = self._inputs.steps[-1]
        target_g = 0.5 * last.plan.factor_g_per_g * (last.cost.batch_g or 1.0)
        found = self._plan(target_g)
        if found is not None and self._enough(found):
            for step in range(_MOST_WIDENINGS):
                lasts = self._lasts(found) * (1 + 0.5 * CLOSE)
                target_g *= lasts if step < _FIRST_GUESSES and lasts < math.inf else _WIDEN
                wider = self._plan(target_g)
                if wider is None or not self._enough(wider):
                    return found, target_g, wider
                found = wider
            raise NotComputable(
                "nothing that the route takes runs out: every bought material costs nothing or is there in plenty",
                code="nothing-runs-out",
            )
        for step in range(_FIRST_GUESSES + _MOST_NARROWINGS):
            lasts = self._lasts(found) if step < _FIRST_GUESSES and found is not None else 0.0
            narrower_g = target_g * (lasts or 1 / _WIDEN)
            narrower = self._plan(narrower_g)
            if narrower is not None and self._enough(narrower):
                return narrower, target_g, found
            target_g, found = narrower_g, narrower
        if found is None:
            assert self._refused is not None
            raise self._refused
        short = self._short_of(found, None)
        raise NotComputable(
            self._why_nothing(found, short),
            code="nothing-reachable",
            extra={"runs_out_first": short},
        )

    def _why_nothing(self, least: WholePlan, short: str) -> str:
        purchase = least.shopping.purchase
        if self._budget_micro is None:
            return f"nothing can be made of what there is: {short} runs out first"
        if purchase.not_offered:
            return f"nothing can be made of what there is: {', '.join(purchase.not_offered)} is needed, and not offered"
        paid, there = (f"{micro / 1e6:.2f}" for micro in (purchase.cash_micro, self._budget_micro))
        return (
            f"nothing can be made of what there is: the packs and shipping of even the least plan cost {paid} "
            f"{self._inputs.currency}, and {there} are there; {short} runs out first"
        )

    def _plan(self, target_g: float) -> WholePlan | None:
        """The plan of a target; None where its batches are more than can be planned."""
        try:
            found = plan_from(self._inputs, replace(self._question, target_g=target_g), self._shared)
        except NotComputable as refused:
            if refused.code != "too-many-batches":
                raise
            self._refused = refused
            return None
        if found.unknown_needs:
            material, reason = next(iter(found.unknown_needs.items()))
            raise NotComputable(
                f"how much {material} there must be cannot be told in grams: {reason}", code="need-not-known"
            )
        return found

    def _enough(self, whole: WholePlan) -> bool:
        """Whether the shelf holds all that a plan needs, or the budget pays for what it does not hold."""
        if self._budget_micro is None:
            return self._shortest(whole, {})[0] >= 1.0
        return self._pays(whole.shopping.purchase)

    def _pays(self, purchase: Purchase) -> bool:
        return not purchase.not_offered and purchase.cash_micro <= (self._budget_micro or 0)

    def _lasts(self, whole: WholePlan) -> float:
        """How many times the needs of a plan there is enough for, all in proportion; 0 where for no part of them."""
        if self._budget_micro is None:
            return self._shortest(whole, {})[0]
        needs = {material: need.need_g for material, need in whole.plan.campaign.materials.items()}

        def enough(times: float) -> bool:
            return self._pays(shopping_for(self._inputs, {m: times * grams for m, grams in needs.items()}).purchase)

        low = high = 1.0
        if enough(1.0):
            while enough(high):
                low, high = high, high * _WIDEN
                if high > _WIDEN**_MOST_WIDENINGS:
                    return math.inf
        else:
            while not enough(low):
                low, high = low / _WIDEN, low
                if low < _WIDEN**-_MOST_NARROWINGS:
                    return 0.0
        while high > low * (1 + 0.2 * CLOSE):
            middle = math.sqrt(low * high)
            low, high = (middle, high) if enough(middle) else (low, middle)
        return low

    def _shortest(self, whole: WholePlan, bought_g: Mapping[str, float]) -> tuple[float, str]:
        """The least of what is held over what is needed, of all that can run out, and the material."""
        held, prices = self._inputs.on_hand_counts_as_g, self._inputs.price_per_g
        plenty = {material for material in prices if prices[material] == 0.0}
        if self._budget_micro is None:
            plenty |= self._inputs.at_hand
        found = (math.inf, "")
        for material, need in sorted(whole.plan.campaign.materials.items()):
            if need.need_g > 0.0 and material not in plenty:
                there = max(0.0, held.get(material, 0.0)) + bought_g.get(material, 0.0)
                found = min(found, (there * (1 + _ROUNDING) / need.need_g, material))
        return found

    def _short_of(self, beyond: WholePlan, low: WholePlan | None) -> str:
        """What a plan beyond the most wants more of than is held, the packs of the plan at the most among it."""
        packs = {offer.code: offer for offer in self._inputs.offers}
        bought: dict[str, float] = {}
        if low is not None and self._budget_micro is not None:
            for code, count in low.shopping.purchase.packs.items():
                material = packs[code].material
                bought[material] = bought.get(material, 0.0) + count * packs[code].pack_g
        return self._shortest(beyond, bought)[1]
