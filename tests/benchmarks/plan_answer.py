"""A plan of 4,096 trials over eight steps, beside its bare draws: normals, chi-square and uniform by numpy."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from numpy.random import SFC64, Generator

from service.analytics.forecast.draws import WHAT_IF_TRIALS, seed_for, step_draws
from service.analytics.forecast.next_run import StepForecast, forecast_step
from service.analytics.money.packs import OrderTerms, PackOffer
from service.analytics.money.standard_cost import CostLine, StepCost
from service.analytics.planning.chain import product_per_gram
from service.analytics.planning.graph import BoughtInput, PlanStep
from service.analytics.planning.inputs import PlanInputs, PlanQuestion, StepInputs
from service.analytics.planning.plan import plan_route
from service.analytics.planning.whole import plan_from
from service.answer.book import Book
from service.answer.plan import plan_of
from service.answer.snapshot import Memory
from service.store.session import Database, open_database
from tests.benchmarks.books import AT, ROUTE, Workshop, filled, rewritten
from tests.benchmarks.databases import kind_of
from tests.benchmarks.measure import Row, in_turn

AT_MOST = 2.0
WHOLE_AT_MOST = 3.0
STEPS = 8
TARGET_G = 25.0
RUNS = 12


def route(*, largest_g: float | None = None) -> list[PlanStep]:
    """A chain of steps of twelve runs each, a failure in every other."""
    source = np.random.default_rng(8)
    steps = []
    for place in range(STEPS):
        yields = 1 / (1 + np.exp(-source.normal(0.8, 0.4, RUNS)))
        forecast = forecast_step(yields, place % 2, mass_ratio=False, other_runs=7 * RUNS, other_failures=3)
        bought = (BoughtInput("ore", 1.0, key=True),) if place == 0 else ()
        upstream = ((place - 1, 1.0),) if place else ()
        steps.append(PlanStep(f"step-{place}", forecast, 1.0, upstream, bought, largest_g=largest_g))
    return steps


FED_BY: tuple[dict[int, float], ...] = ({}, {0: 1.0}, {1: 1.0}, {}, {3: 1.0}, {4: 1.0}, {2: 1.0, 5: 0.5}, {6: 1.0})
"""Of the branched route: two branches of three steps meet in the seventh."""
COSTS = (5.0, 0.1, 0.1, 0.2, 0.1, 0.1, 0.3, 0.2)


def branched() -> PlanInputs:
    """Two branches that meet, batches of 100 g at most, a bought input of every step in two packs of two suppliers."""
    steps, offers, prices = [], [], {}
    for place, step in enumerate(route(largest_g=100.0)):
        name, upstream = f"input-{place}", tuple(FED_BY[place].items())
        bought = BoughtInput(name, 0.3 if upstream else 1.0, key=not upstream)
        plan = replace(step, upstream=upstream, bought=(bought,), seed_words=(ROUTE, step.code))
        prices[name] = COSTS[place] / bought.g_per_g
        cost = StepCost(step.code, 0.6, (CostLine(name, COSTS[place]),), upstream, 50.0)
        steps.append(
            StepInputs(plan, cost, ROUTE, step.code, name if bought.key else f"made-{place}", f"made-{place + 1}")
        )
        for supplier, pack_g in (("corner", 50.0), ("post", 200.0)):
            micro = round(prices[name] * pack_g * (1e6 if supplier == "corner" else 0.9e6))
            offers.append(PackOffer(f"{name}-{supplier}", name, supplier, pack_g, micro))
    terms = {"post": OrderTerms(4_000_000, 50_000_000), "corner": OrderTerms(2_000_000)}
    return PlanInputs(
        ROUTE, "made-8", AT.date(), "EUR", tuple(steps), price_per_g=prices, offers=tuple(offers), terms=terms
    )


def whole(inputs: PlanInputs, trials: int) -> Callable[[int], None]:
    """The whole pure plan: draws, search, the ratio of the branches, packs."""

    def plan(_: int) -> None:
        plan_from(inputs, PlanQuestion(TARGET_G, 0.6, trials))

    return plan


def bare_draws(forecasts: list[StepForecast], trials: int, batches: Sequence[int] = ()) -> Callable[[int], None]:
    """The draws that these steps take for one batch of each, or so many, and nothing done with them."""
    seeds = [seed_for(ROUTE, f"step-{place}") for place in range(len(forecasts))]
    counts = batches or (1,) * len(forecasts)

    def draw(_: int) -> None:
        for seed, forecast, count in zip(seeds, forecasts, counts, strict=True):
            source = Generator(SFC64(seed))
            source.standard_normal((1 + count, trials))
            source.chisquare(forecast.dof, trials)
            source.random(trials)

    return draw


def carried_out(steps: list[PlanStep], trials: int) -> Callable[[int], None]:
    """The Monte Carlo alone: what each trial gives a gram begun with."""

    def carry_out(_: int) -> None:
        draws = [step_draws(step.forecast, seed_for(ROUTE, step.code, "yield"), trials) for step in steps]
        product_per_gram(draws, [1] * STEPS, [step.factor_g_per_g for step in steps])

    return carry_out


def planned(steps: list[PlanStep], trials: int) -> Callable[[int], None]:
    """The Monte Carlo and its search."""

    def plan(_: int) -> None:
        plan_route(steps, TARGET_G, 0.6, seed_words=(ROUTE,), trials=trials)

    return plan


def answer(database: Database, workshop: Workshop, memory: Memory, trials: int) -> dict[str, Any]:
    """The whole answer: records, forecasts, stock, plan, packs, cautions."""
    with database.reading(workshop.id) as reading:
        return plan_of(Book(reading, memory), ROUTE, target_g=TARGET_G, confidence=0.6, as_of=AT.date(), trials=trials)


def rows(url: str, *, calls: int = 50, trials: int = WHAT_IF_TRIALS, larger: int = 1000) -> list[Row]:
    """Measure the plan alone, and the whole answer, warm and after a write, on a modest book and on a larger one."""
    steps, limited = route(), route(largest_g=100.0)
    draws = bare_draws([step.forecast for step in steps], trials)
    found = []
    if kind_of(url) == "SQLite":  # the plan alone asks no database
        bare, alone, plan, in_batches = in_turn(
            calls, [draws, carried_out(steps, trials), planned(steps, trials), planned(limited, trials)]
        )
        found = [
            Row(f"Monte Carlo of {trials:,} trials, {STEPS} steps", alone, bare, AT_MOST),
            Row("the plan searched for on it", plan, bare),
            Row("the same where batches have a largest size (30 batches, 8 in the floor)", in_batches, bare),
        ]
        inputs = branched()
        planned_batches = [
            step.batches for step in plan_from(inputs, PlanQuestion(TARGET_G, 0.6, trials)).plan.campaign.steps
        ]
        same_shape = bare_draws([step.plan.forecast for step in inputs.steps], trials, planned_batches)
        both = in_turn(calls, [whole(inputs, trials), same_shape])
        said = f"the whole pure plan: {STEPS} steps, 2 branches, {sum(planned_batches)} batches, packs"
        found.append(Row(said, *both, WHOLE_AT_MOST))
    with closing(open_database(url)) as database:
        for runs_per_step in (RUNS, larger):
            workshop = filled(database, steps=STEPS, runs_per_step=runs_per_step)
            memory = Memory()
            actions = [lambda _, own=workshop, held=memory: answer(database, own, held, trials), draws]
            rounds = max(1, calls // (1 if runs_per_step == RUNS else 10))
            size = f"whole plan answer, {STEPS} × {runs_per_step:,} runs, {kind_of(url)}"
            found.append(Row(f"{size}: warm", *in_turn(rounds, actions)))
            write = partial(rewritten, database, workshop)
            found.append(Row(f"{size}: after a write", *in_turn(rounds, actions, before=write)))
    return found
