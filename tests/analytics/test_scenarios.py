"""Changed inputs and plans side by side: yields moved as the draws have them, and luck as large as it is said to be."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.analytics.forecast.draws import SharedDraws, seed_for, step_draws
from service.analytics.forecast.next_run import forecast_step
from service.analytics.money.standard_cost import CostLine, StepCost
from service.analytics.planning.graph import BoughtInput, PlanStep
from service.analytics.planning.inputs import PlanInputs, StepInputs
from service.analytics.planning.scenarios import forecast_about, mean_yield

RUNS = ((0.62, 0.55, 0.70, 0.58, 0.66), (0.81, 0.74, 0.79, 0.70, 0.77))


def chain(route: str, *, stock_g: float = 0.0) -> PlanInputs:
    """Two steps of five runs each, half a failure in ten runs, an ore at 0.02 a gram."""
    steps = []
    for place, runs in enumerate(RUNS):
        bought = () if place else (BoughtInput("ore", 1.0, key=True),)
        upstream = ((0, 1.0),) if place else ()
        forecast = forecast_step(runs, 0, mass_ratio=False)
        code = f"step-{place}"
        plan = PlanStep(
            code, forecast, 1.0, upstream, bought, stock_g=0.0 if place else stock_g, seed_words=(route, code)
        )
        lines = () if place else (CostLine("ore", 0.02),)
        cost = StepCost(code, float(np.mean(runs)), lines, upstream, ratio_good=float(np.mean(runs)))
        steps.append(StepInputs(plan, cost, route, code, "calx" if place else "ore", "salt" if place else "calx"))
    return PlanInputs(route, "salt", dt.date(2026, 1, 1), "EUR", tuple(steps), price_per_g={"ore": 0.02})


@settings(deadline=None)  # the first reads in a library
@given(mean=st.floats(0.02, 0.97), runs=st.lists(st.floats(0.05, 0.95), min_size=1, max_size=6))
def test_a_forecast_is_moved_to_its_mean(mean: float, runs: list[float]) -> None:
    forecast = forecast_step(runs, 1, mass_ratio=False)
    moved = forecast_about(forecast, mean)
    assert mean_yield(moved) == pytest.approx(mean, abs=1e-9)
    assert replace(moved, centre=forecast.centre) == forecast


@pytest.mark.parametrize("opinion", [None, (0.3, 0.6, 0.7)])
@pytest.mark.parametrize("runs", [(), (0.6,), (0.62, 0.55, 0.70)])
def test_the_mean_is_that_of_the_draws(runs: tuple[float, ...], opinion: tuple[float, float, float] | None) -> None:
    """Two roads: quantiles of the closed form, and the draws."""
    forecast = forecast_step(runs, 0, mass_ratio=False, pi0=0.0, opinion=opinion)
    drawn = step_draws(forecast, seed_for("r", "s", "yield"), 65_536).success(1)
    error = float(drawn.std()) / math.sqrt(drawn.size)
    # The quantiles of an opinion with two scales are not those of a sum whose sign decides: near, not equal.
    near = 0.02 if opinion is not None and not runs else 5 * error
    assert mean_yield(forecast) == pytest.approx(float(drawn.mean()), abs=near)


def test_a_median_stands_for_a_mass_ratio() -> None:
    forecast = forecast_step([1.5, 1.2], 0, mass_ratio=True)
    assert mean_yield(forecast_about(forecast, 2.5)) == pytest.approx(2.5)


def test_draws_held_by_another_question_stay_as_they_are() -> None:
    forecast = forecast_step([0.6], 0, mass_ratio=False)
    base = SharedDraws()
    held = base.of(forecast, 1, 16)
    own = SharedDraws(base)
    assert own.of(forecast, 1, 16) is held
    other = own.of(replace(forecast, centre=0.0), 1, 16)
    assert other is not held
    assert own.of(replace(forecast, centre=0.0), 1, 16) is other
    assert base.of(forecast, 1, 16) is held
    assert own.of(forecast, 1, 16) is held
