"""The two-wave plan as its answer shows it: a smaller start, when to begin again, and what is used on the average."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from service.analytics.planning.carry_on import Stages
from service.analytics.planning.inputs import PlanInputs
from service.analytics.planning.two_waves import Rule, best_rule
from service.analytics.planning.waves import Look, Waves
from service.analytics.planning.whole import WholePlan
from service.errors import NotComputable


def two_waves_of(
    inputs: PlanInputs, stages: Stages, whole: WholePlan, reasons: dict[str, str]
) -> dict[str, Any] | None:
    """Return the rule that begins least on the average beside the plan's single start.

    None, with the reason in ``reasons``, where nothing is begun, or the waves take more batches than there can be.
    """
    flow = whole.plan.flow
    waves = Waves(stages, flow, (0,) * len(flow.batches))
    starting = {
        place: bought.material for place in waves.run for bought in inputs.steps[place].plan.bought if bought.key
    }
    if not starting:
        reasons["two_waves"] = "what is in hand is enough: nothing is begun"
        return None
    try:
        rule, single = best_rule(stages, flow, whole.plan.target_g, whole.plan.confidence)
    except NotComputable as refused:
        reasons["two_waves"] = refused.detail
        return None
    return _Shown(inputs, whole, waves, starting, rule, single).answer()


class _Shown:
    """A rule laid out. ``starting``: the bought key inputs that are begun with, by place of their steps."""

    def __init__(
        self,
        inputs: PlanInputs,
        whole: WholePlan,
        waves: Waves,
        starting: Mapping[int, str],
        rule: Rule,
        single: Rule,
    ) -> None:
        self.inputs, self.whole, self.waves, self.starting = inputs, whole, waves, starting
        self.rule, self.single = rule, single

    def answer(self) -> dict[str, Any]:
        """Return the rule, its looks and what it uses."""
        rule, looks = self.rule, self.rule.looks
        one = looks[0] if len(looks) == 1 else None
        reasons: dict[str, str] = {}
        if len(looks) > 1:
            reasons["after_step"] = "a look is taken on each branch: see looks"
        if not looks:
            reasons["after_step"] = "no smaller start with a top-up was found that uses less"
        if rule.cost is None:
            reasons["cost"] = f"no cost of {', '.join(self.whole.costs.unpriced) or 'a step or a stock of it'}"
        lines = [self._look(place) for place in range(len(looks))]
        return {
            "after_step": None if one is None else lines[0]["after_step"],
            "material": None if one is None else lines[0]["material"],
            "start": self._start(),
            "start_batches": [
                {"step": self.inputs.steps[place].code, "batches": count} for place, count in rule.batches.items()
            ],
            "below_g": None if one is None else one.below_g,
            "start_more": lines[0]["start_more"] if len(looks) == 1 else [],
            "looks": lines,
            "p_topped_up": rule.p_topped_up,
            "p_reach": rule.p_reach,
            "monte_carlo_u": rule.monte_carlo_u,
            "expected_use": self._used(rule),
            "single_start": self._used(self.single),
            "saves": 1.0 - rule.expected,
            "saves_u": rule.expected_u,
            "cost": {
                "expected": rule.cost,
                "single_start": self.single.cost,
                "saves": rule.saves,
                "monte_carlo_u": rule.saves_u,
                "currency": self.inputs.currency,
            },
            "detail": self._said(),
            "reasons": reasons,
        }

    def _look(self, place: int) -> dict[str, Any]:
        look = self.rule.looks[place]
        step = self.inputs.steps[look.after]
        return {
            "after_step": step.code,
            "material": step.product,
            "below_g": look.below_g,
            "start_more": self._amounts(dict.fromkeys(self._up_to(look), look.then)),
            "p_topped_up": self.rule.topped_up[place],
        }

    def _up_to(self, look: Look) -> Collection[int]:
        return self.waves.behind(look.after)

    def _start(self) -> list[dict[str, Any]]:
        """What to begin with: of steps up to a look their part of it, of others that no look comes before all of it."""
        times = dict.fromkeys(self.waves.begun, 1.0)
        for look in self.rule.looks:
            times |= dict.fromkeys(self._up_to(look), look.first)
        return self._amounts(times)

    def _amounts(self, times: Mapping[int, float]) -> list[dict[str, Any]]:
        """Grams of every starting material, so many times what its steps are planned to be fed."""
        feeds = self.whole.plan.flow.feed_g
        return self._listed({place: feeds[place] * many for place, many in times.items() if place in self.starting})

    def _used(self, rule: Rule) -> list[dict[str, Any]]:
        return self._listed({place: rule.fed[place] for place in self.starting})

    def _listed(self, grams: Mapping[int, float]) -> list[dict[str, Any]]:
        found: dict[str, float] = {}
        for place, amount in grams.items():
            found[self.starting[place]] = found.get(self.starting[place], 0.0) + amount
        return [{"material": name, "amount_g": amount} for name, amount in sorted(found.items())]

    def _said(self) -> str:
        looks = [look for look in self.rule.looks if look.then > 0.0]
        if not looks:
            return "no smaller start with a top-up was found that uses less: begin once"
        rules = []
        for look in looks:
            step = self.inputs.steps[look.after]
            more = _and(self._amounts(dict.fromkeys(self._up_to(look), look.then)))
            rules.append(
                f"if less than {look.below_g:.4g} g of {step.product} is there after {step.code}, start {more} more"
            )
        return f"start {_and(self._start())}; {'; '.join(rules)}"


def _and(amounts: list[dict[str, Any]]) -> str:
    return " and ".join(f"{each['amount_g']:.4g} g of {each['material']}" for each in amounts)
