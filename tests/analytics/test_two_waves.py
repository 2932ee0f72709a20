"""Starts in two waves: by brute force on a line and on branches, and by the laws that tie them to the single start."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from service.analytics.forecast.draws import SharedDraws, Trials
from service.analytics.forecast.next_run import StepForecast, forecast_step
from service.analytics.planning.carry_on import Stages
from service.analytics.planning.graph import PlannedFlow, PlanStep, planned_flow
from service.analytics.planning.inputs import PlanQuestion
from service.analytics.planning.plan import draws_of, plan_route
from service.analytics.planning.planned import Plan
from service.analytics.planning.two_waves import Rule, TwoWaves, best_rule
from service.analytics.planning.waves import Look, Waves
from service.analytics.planning.whole import plan_from
from tests.analytics.test_branches import leg, meeting
from tests.analytics.test_carry_on import stages
from tests.analytics.test_scenarios import chain

ERRATIC = forecast_step([0.6, 0.3, 0.75], 0, mass_ratio=False, pi0=0.05)
SURE = StepForecast("ln", "runs", 0.0, 1e-9, 1e-9, 1e9, 1e9, 0.0, 10.0)


def begun_with(found: Stages, grams: float) -> PlannedFlow:
    """The flow of a line, without stock, that begins with so many grams."""
    last = len(found.steps) - 1
    none = [0] * len(found.steps)
    per_gram = planned_flow(found.steps, found.expected, last, 1e-6, none).feed_g[0] * 1e6
    return planned_flow(found.steps, found.expected, last, grams / per_gram, none)


def planned(
    steps: list[PlanStep], confidence: float = 0.85, route: str = "meet", trials: int = 4096
) -> tuple[Stages, Plan]:
    shared = SharedDraws()
    plan = plan_route(steps, 10.0, confidence, seed_words=(route,), trials=trials, shared=shared)
    return Stages(plan.steps, draws_of(plan.steps, (route,), trials, shared)), plan


@pytest.mark.parametrize("steps", [1, 2, 3])
@pytest.mark.parametrize("confidence", [0.8, 0.9])
@pytest.mark.parametrize("largest_g", [None, 40.0])
def test_two_waves_never_use_more_than_one(steps: int, confidence: float, largest_g: float | None) -> None:
    found = stages(steps, forecast=ERRATIC, trials=2048, largest=(largest_g,) * steps)
    single = 1.0
    for _ in range(60):  # the single start by its own search: upwards until it reaches
        waves = TwoWaves(found, begun_with(found, single), 10.0, confidence)
        if waves.carried_out().p_reach >= confidence:
            break
        single *= 1.12
    rule = waves.best()
    assert rule.expected <= 1.0 + 1e-12
    assert rule.p_reach >= confidence
    assert waves.carried_out(*rule.looks) == rule
    # On other draws it holds what it promises: a rule taken as the best of many owes a little to its own draws.
    other = stages(steps, route="q", forecast=ERRATIC, trials=16_384, largest=(largest_g,) * steps)
    promised = TwoWaves(other, begun_with(found, single), 10.0, confidence).carried_out(*rule.looks)
    assert promised.p_reach >= confidence - 4 * rule.monte_carlo_u
    assert promised.expected == pytest.approx(rule.expected, abs=4 * rule.expected_u + 1e-9)


class Imagined:
    """Workshops by draws of their own: level, scatter and chance of failure of a step, and batch after batch of it."""

    def __init__(self, forecast: StepForecast, rng: np.random.Generator, trials: int) -> None:
        self.rng, self.trials = rng, trials
        self.sigma = forecast.spread_low * np.sqrt(forecast.dof / rng.chisquare(forecast.dof, trials))
        self.level = forecast.centre + self.sigma / math.sqrt(forecast.effective_runs) * rng.standard_normal(trials)
        self.chance = rng.beta(forecast.failures_a, forecast.failures_b, trials) if forecast.failures_a else 0.0

    def batch(self) -> Trials:
        usable = self.rng.random(self.trials) >= self.chance
        return usable / (1 + np.exp(-(self.level + self.sigma * self.rng.standard_normal(self.trials))))


def test_two_waves_of_one_step_by_brute_force() -> None:
    """One step in one batch: every first and second wave of a fine grid, each carried out by draws of its own."""
    confidence = 0.8
    found = stages(1, forecast=ERRATIC, trials=16_384)
    single = 10.0 / float(np.quantile(found.ratio(0, 1), 1 - confidence, method="lower"))
    rule = TwoWaves(found, begun_with(found, single), 10.0, confidence).best()
    (look,) = rule.looks
    workshops = Imagined(ERRATIC, np.random.default_rng(11), 100_000)
    one, two = workshops.batch(), workshops.batch()
    best = math.inf
    for first in np.arange(0.2, 1.0, 0.02):
        topped = first * single * one < 10.0
        for then in np.arange(0.1, 3.0, 0.02):
            if float(((first * one + np.where(topped, then * two, 0.0)) * single >= 10.0).mean()) >= confidence:
                best = min(best, float(first + then * topped.mean()))
                break
    assert best < 1.0
    assert rule.expected == pytest.approx(best, abs=0.03)
    told = (look.first * one + np.where(look.first * single * one < look.below_g, look.then * two, 0.0)) * single
    assert float((told >= 10.0).mean()) == pytest.approx(rule.p_reach, abs=5 * rule.monte_carlo_u)


@pytest.mark.parametrize("stock_g", [0.0, 4.0])
@pytest.mark.parametrize("confidence", [0.85, 0.97])
def test_the_single_start_is_that_of_the_plan(stock_g: float, confidence: float) -> None:
    """Two roads to one probability: the plan's own search, spare batches and all, and a rule without a second wave."""
    inputs, shared = chain("r", stock_g=stock_g), SharedDraws()
    whole = plan_from(inputs, PlanQuestion(10.0, confidence, 4096), shared)
    plan = whole.plan
    assert any(step.spare_batches for step in plan.campaign.steps) is (confidence > 0.9)
    found = Stages(plan.steps, draws_of(plan.steps, ("r",), 4096, shared))
    waves = TwoWaves(found, plan.flow, 10.0, confidence)
    assert waves.carried_out().p_reach == plan.campaign.p_reach
    assert waves.best().p_reach >= confidence


MEETINGS = [
    meeting(),
    [
        leg("a", [0.62, 0.3, 0.7], 8.0),
        leg("b", [0.62, 0.5, 0.7], 1.0, ((0, 1.0),)),
        leg("c", [0.3, 0.45, 0.25, 0.4], 0.2),
        leg("d", [0.8, 0.85, 0.82], 0.5, ((1, 1.0), (2, 0.5))),
        leg("e", [0.8, 0.7], 0.5, ((3, 1.0),)),
    ],
    [  # one intermediate is shared by two branches
        leg("a", [0.62, 0.3, 0.7], 8.0),
        leg("b", [0.62, 0.5, 0.7], 1.0, ((0, 1.0),)),
        leg("c", [0.8, 0.5, 0.6], 1.0, ((0, 0.4),)),
        leg("d", [0.8, 0.85, 0.82], 0.5, ((1, 1.0), (2, 0.5))),
    ],
]


def alike(one: Rule, other: Rule) -> None:
    assert one.p_reach == other.p_reach
    assert one.expected == pytest.approx(other.expected, abs=1e-12)
    assert one.fed == pytest.approx(other.fed, rel=1e-9)
    assert one.cost == pytest.approx(other.cost, rel=1e-9)


@pytest.mark.parametrize("steps", MEETINGS)
def test_a_full_wave_is_the_single_start_wherever_it_is_looked_at(steps: list[PlanStep]) -> None:
    """All begun at first and nothing then, or nothing then as nothing is ever too little, is the plan."""
    found, plan = planned(steps)
    waves = TwoWaves(found, plan.flow, 10.0, 0.85)
    single = waves.carried_out()
    assert single.p_reach == plan.campaign.p_reach
    assert single.expected == 1.0
    expected = {place: step.expected_key_input_g for place, step in enumerate(plan.campaign.steps)}
    assert single.fed == pytest.approx(expected, rel=1e-9)
    for place in Waves(found, plan.flow, (0,) * len(steps)).places_to_look():
        alike(waves.carried_out(Look(place, 1.0, 0.0, 0.7)), single)
        alike(waves.carried_out(Look(place, 1.0, 1e9, 0.0)), single)


@pytest.mark.parametrize("steps", MEETINGS)
def test_nothing_at_first_and_all_of_it_then_is_the_single_start_too(steps: list[PlanStep]) -> None:
    """A first wave of a millionth, which is too little in every trial: what is begun then are further batches of the
    same workshops, and over many of them the same."""
    found, plan = planned(steps, trials=16_384)
    waves = TwoWaves(found, plan.flow, 10.0, 0.85)
    single = waves.carried_out()
    late = waves.carried_out(Look(len(steps) - 1, 1e-6, 1e9, 1.0 - 1e-6))
    assert late.p_topped_up == 1.0
    assert late.expected == pytest.approx(1.0)
    assert late.p_reach == pytest.approx(single.p_reach, abs=6 * single.monte_carlo_u)
    assert late.fed == pytest.approx(single.fed, rel=0.02)


@pytest.mark.parametrize("over", [False, True])
def test_a_line_with_a_branch_that_never_decides_is_the_line(over: bool) -> None:
    """A reagent that is wholly in stock, or that is sure and free and brought in plenty."""
    line = [leg("a", [0.6, 0.3, 0.75], 1.0), leg("b", [0.6, 0.5, 0.75], 0.5, ((0, 1.0),))]
    found, plan = planned(line)
    rule, single = best_rule(found, plan.flow, 10.0, 0.85)
    reagent = PlanStep("c", SURE, 1.0, cost_per_g=0.0, product_cost_per_g=0.0, stock_g=0.0 if over else 1e6)
    branched = [line[0], reagent, leg("b", [0.6, 0.5, 0.75], 0.5, ((0, 1.0), (1, 1.0)))]
    shared = SharedDraws()
    stages_of = Stages(branched, draws_of(branched, ("meet",), 4096, shared))
    flow = planned_flow(branched, stages_of.expected, 2, plan.flow.output_g, [0] * 3, {(2, 1): 20.0} if over else {})
    other, its_single = best_rule(stages_of, flow, 10.0, 0.85)
    (look,), (its_look,) = rule.looks, other.looks
    assert its_look.after == look.after + (look.after == 1)
    assert (its_look.first, its_look.below_g) == (look.first, pytest.approx(look.below_g, rel=1e-9))
    assert its_look.then == pytest.approx(look.then, rel=1e-9)
    assert (other.p_reach, other.topped_up) == (rule.p_reach, rule.topped_up)
    assert other.expected == pytest.approx(rule.expected, rel=1e-9)
    assert other.saves == pytest.approx(rule.saves, rel=1e-9)
    assert its_single.cost == pytest.approx(single.cost, rel=1e-9)


@pytest.mark.parametrize("confidence", [0.8, 0.9])
def test_two_branches_by_brute_force(confidence: float) -> None:
    """Draws of their own carry out the rule that was found, and no rule of a grid of them begins less."""
    forecasts = [forecast_step(runs, 0, mass_ratio=False, pi0=0.01) for runs in ([0.62, 0.3, 0.7], [0.3, 0.45, 0.25])]
    steps = [
        PlanStep("dear", forecasts[0], 1.0, cost_per_g=8.0),
        PlanStep("cheap", forecasts[1], 1.0, cost_per_g=2.0),
        PlanStep("join", SURE, 1.0, ((0, 1.0), (1, 0.5)), cost_per_g=0.0),
    ]
    found, plan = planned(steps, confidence, trials=16_384)
    waves = TwoWaves(found, plan.flow, 10.0, confidence)
    rule = waves.best()
    rng, trials = np.random.default_rng(7), 40_000
    workshops = [Imagined(forecast, rng, trials) for forecast in forecasts]
    one, two = ([each.batch() for each in workshops] for _ in range(2))
    feeds, wanted = plan.flow.feed_g[:2], (1.0, 2.0)  # grams of product for a gram that either branch brings
    spent = np.array([feeds[0] * 8.0, feeds[1] * 2.0])
    parts = spent / spent.sum()

    def carried(looks: Sequence[Look]) -> tuple[Trials, float, Trials]:
        """What comes of looks at the ends of the branches: product, what is begun, and the money."""
        brought, used = [], []
        for place in (0, 1):
            look = next((each for each in looks if each.after == place), Look(place, 1.0, 0.0, 0.0))
            first = look.first * feeds[place] * one[place]
            again = first < look.below_g
            brought.append(wanted[place] * (first + again * look.then * feeds[place] * two[place]))
            used.append(look.first + look.then * again)
        used_of = parts[0] * used[0] + parts[1] * used[1]
        money = feeds[0] * 8.0 * used[0] + feeds[1] * 2.0 * used[1]
        return np.minimum(*brought), float(np.mean(used_of)), money

    def after_both(first: float, then: float) -> tuple[Trials, float]:
        """A look at what came of both, what one of them left over used up with the second wave."""
        brought = [wanted[place] * first * feeds[place] * one[place] for place in (0, 1)]
        more = [wanted[place] * then * feeds[place] * two[place] for place in (0, 1)]
        begun = np.minimum(*brought)
        again = begun < 10.0
        left = [each - begun for each in brought]
        product = begun + again * np.minimum(left[0] + more[0], left[1] + more[1])
        return product, float(np.mean(first + then * again))

    # The rules of either kind that were found, on other draws.
    branches: tuple[Look, ...] = ()
    least = 1.0
    for place in (0, 1):
        branches, least = waves._with_look(place, branches, least)
    for looks in (branches, rule.looks):
        told = waves.carried_out(*looks)
        if looks[0].after == 2:
            product, use = after_both(looks[0].first, looks[0].then)
        else:
            product, use, money = carried(looks)
            assert told.cost == pytest.approx(float(money.mean()), rel=0.02)
        assert float((product >= 10.0).mean()) == pytest.approx(told.p_reach, abs=6 * told.monte_carlo_u)
        assert use == pytest.approx(told.expected, abs=8 * told.expected_u)
    # Every rule of a grid, the second wave the least that reaches.
    best = math.inf
    for first in np.arange(0.25, 1.0, 0.05):
        for then in np.arange(0.05, 1.5, 0.025):
            product, use = after_both(first, then)
            if float((product >= 10.0).mean()) >= confidence:
                best = min(best, use)
                break
    assert rule.expected <= best + 0.02
    assert rule.expected <= least + 1e-9 < 1.0


def test_looks_that_share_a_start_are_refused() -> None:
    found, plan = planned(MEETINGS[2])
    waves = TwoWaves(found, plan.flow, 10.0, 0.85)
    for looks in ([Look(1, 0.5, 1.0, 0.5)], [Look(0, 0.5, 1.0, 0.5), Look(3, 0.5, 1.0, 0.5)]):
        with pytest.raises(ValueError, match="branches of their own"):
            waves.carried_out(*looks)


def test_more_batches_may_cost_more_than_a_smaller_start_saves() -> None:
    """A batch that costs more than all that is begun: whoever looks at the money begins once."""
    steps = [PlanStep("a", ERRATIC, 1.0, cost_per_g=0.01, cost_per_batch=50.0)]
    found, plan = planned(steps)
    rule, single = best_rule(found, plan.flow, 10.0, 0.85)
    assert rule == single
    free, same = planned([replace(steps[0], cost_per_batch=0.0)])
    assert same.flow == plan.flow
    cheap, _ = best_rule(free, same.flow, 10.0, 0.85)
    assert cheap.expected < 1.0
    assert cheap.saves is not None
    assert cheap.saves > 4 * (cheap.saves_u or 0.0)


def test_what_is_in_hand_goes_with_the_first_wave() -> None:
    """Some of an intermediate is there: of the branch that makes it less is begun, and the law holds as it does."""
    steps = meeting()
    stocked = [
        steps[0],
        replace(steps[1], stock_g=3.0),
        steps[2],
    ]
    found, plan = planned(stocked)
    assert plan.flow.from_stock_g[1] > 0.0
    waves = TwoWaves(found, plan.flow, 10.0, 0.85)
    assert waves.carried_out().p_reach == plan.campaign.p_reach
    rule = waves.best()
    assert rule.p_reach >= 0.85
    assert rule.expected < 1.0
