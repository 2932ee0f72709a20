"""The plan: how much of everything, and how many batches, to end with a wanted amount at a stated confidence."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from service.analytics.forecast.draws import WHAT_IF_TRIALS, SharedDraws, StepDraws, seed_for
from service.analytics.planning.branches import cheapest_branches, flow_cost, meetings
from service.analytics.planning.campaign import Campaigns
from service.analytics.planning.graph import PlannedFlow, PlanStep, check_steps
from service.analytics.planning.planned import Branches, Plan
from service.analytics.planning.search import Search
from service.errors import NotComputable

NEAR_EDGE = 0.25
"""A confidence within this part of its own risk of the greatest reach is near the edge (judgement)."""


def plan_route(
    steps: Sequence[PlanStep],
    target_g: float,
    confidence: float,
    *,
    seed_words: tuple[str, ...],
    final: int = -1,
    trials: int = WHAT_IF_TRIALS,
    spares: Mapping[str, int] | None = None,
    shared: SharedDraws | None = None,
) -> Plan:
    """Return the least plan that ends with ``target_g`` or more of the final product with probability ``confidence``.

    ``steps``: in topological order, with no step that does not feed the one at place ``final`` (the last by default).
    ``seed_words``: words that make the seed with each step's code; the route's code, so that a question that changes a
    step leaves the others' draws alone. ``trials``: 4,096 for a what-if, 16,384 for a quoted plan.

    One number is searched for: the output to plan for as if every step gave what is expected of it. All feeds follow
    from it at the bill's fixed ratios, so that branches that meet are over-provided alike; where every cost is known, a
    cheaper ratio of branches is then searched for on the same draws, and taken where the whole costs less. The
    probability is not monotone where a larger feed takes one more batch, so every stretch of constant batch counts is
    searched, upwards, and the first output that reaches is taken. On one line without limits or stock the starting
    amount is target/quantile of the product of the ratios, an order statistic.

    ``spares``: spare batches that are wanted in any case, by step. More are added, one at a time where the gain of the
    logarithm of the greatest reach per cost is largest, in every stretch whose own batches cannot reach the confidence.
    ``shared``: draws that several questions have in common.

    Raises ``NotComputable`` where 200 batches of a step do not reach it or its limits ask for more; ``ValueError`` for
    steps out of order, a target that is not above 0 g or a confidence outside (0, 1).

    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput
    >>> ore = BoughtInput("ore", 1.0, key=True)
    >>> step = PlanStep("roast", forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False, pi0=0.0), 0.5, bought=(ore,))
    >>> plan = plan_route([step], 10.0, 0.90, seed_words=("calx",), trials=16_384)
    >>> round(plan.campaign.starting["ore"].need_g), round(10 / 0.5 / 0.4126)
    (48, 48)
    >>> plan.campaign.p_reach >= 0.90 > plan.at_the_mean.p_reach
    True
    """
    if not 0 < target_g < math.inf or not 0 < confidence < 1:
        raise ValueError(f"a target above 0 g and a confidence between 0 and 1, received {target_g!r}, {confidence!r}")
    check_steps(steps)
    last = range(len(steps))[final]
    shared = SharedDraws() if shared is None else shared
    campaigns = Campaigns(steps, last, draws_of(steps, seed_words, trials, shared))
    for step, ratio in zip(steps, campaigns.expected_ratio, strict=True):
        if ratio == 0:
            raise NotComputable(
                f"step {step.code!r} gives nothing in any of {trials} trials: record a run that succeeds",
                code="confidence-out-of-reach",
            )
    wanted = tuple((spares or {}).get(step.code, 0) for step in steps)
    search = Search(steps, last, campaigns, target_g, confidence, wanted)
    flow = search.least_flow()
    branches = None
    if meetings(steps, flow):
        search, flow, branches = _at_least_cost(search, flow, steps, last, wanted)
    p_max = search.campaigns.greatest_reach(flow, target_g)
    near_edge = any(flow.batches) and p_max - confidence < NEAR_EDGE * (1 - confidence)
    spare = search.best_spare(flow.batches) if near_edge else None
    return Plan(
        target_g=target_g,
        confidence=confidence,
        trials=trials,
        campaign=search.described(flow),
        at_the_mean=search.as_planned(search.flow_at_the_mean()),
        p_max=p_max,
        p_max_without_spares=search.campaigns.greatest_reach(search.flow_without_spares(flow.output_g), target_g),
        near_edge=near_edge,
        offered_spare=None if spare is None else steps[spare].code,
        steps=tuple(steps),
        flow=flow,
        branches=branches,
    )


def draws_of(
    steps: Sequence[PlanStep], seed_words: tuple[str, ...], trials: int, shared: SharedDraws
) -> list[StepDraws]:
    """Return the draws of every step, the same for every question about it.

    >>> from service.analytics.forecast.next_run import forecast_step
    >>> step = PlanStep("roast", forecast_step([0.6], 0, mass_ratio=False), 0.5)
    >>> [draws.trials for draws in draws_of([step], ("calx",), 8, SharedDraws())]
    [8]
    """
    return [
        shared.of(step.forecast, seed_for(*(step.seed_words or (*seed_words, step.code)), "yield"), trials)
        for step in steps
    ]


def _at_least_cost(
    search: Search, flow: PlannedFlow, steps: Sequence[PlanStep], last: int, wanted: tuple[int, ...]
) -> tuple[Search, PlannedFlow, Branches]:
    """The plan at the ratio of branches that costs least, or at the bill's where no other is cheaper."""
    at_the_bill = flow_cost(steps, flow)
    if at_the_bill is None:
        return search, flow, Branches((), None, None)
    over = cheapest_branches(search.campaigns, steps, flow, search.confidence)
    if not over:
        return search, flow, Branches((), at_the_bill, at_the_bill)
    other = Search(steps, last, search.campaigns, search.target_g, search.confidence, wanted, over, search.stretches)
    try:
        found = other.least_flow()
    except NotComputable:  # a branch that brings more may take more batches than there can be
        return search, flow, Branches((), at_the_bill, at_the_bill)
    cost = flow_cost(steps, found)
    if cost is None or cost >= at_the_bill:
        return search, flow, Branches((), at_the_bill, at_the_bill)
    named = tuple((steps[place].code, steps[earlier].code, share) for (place, earlier), share in over.items())
    return other, found, Branches(named, cost, at_the_bill)
