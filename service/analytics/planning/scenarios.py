"""A plan's inputs with something changed: the same frozen data with parts replaced, for plans on the same draws."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from service.analytics.forecast.next_run import StepForecast
from service.analytics.forecast.spread import off_scale
from service.analytics.money.packs import PackOffer
from service.analytics.money.standard_cost import CostLine, StepCost
from service.analytics.planning.inputs import PlanInputs, StepInputs

_POINTS = 512
_CLOSE = 1e-12


def mean_yield(forecast: StepForecast) -> float:
    """Return the mean yield that a next run is expected to give if it gives anything; on the ln scale the median.

    The mean over the middles of 512 equal parts of the distribution that ``StepForecast.at_least`` bounds; a mass
    ratio has no mean, as the tail of a Student t on the logarithm is too heavy.

    >>> from service.analytics.forecast.next_run import forecast_step
    >>> round(mean_yield(forecast_step([0.5, 0.5, 0.5], 0, mass_ratio=False)), 6)
    0.5
    """
    if forecast.scale == "ln":
        return math.exp(forecast.centre)
    return float(off_scale(forecast.centre + _away(forecast), forecast.scale).mean())


def _away(forecast: StepForecast) -> NDArray[np.float64]:
    points = _student(forecast.dof)
    widening = 1.0
    if forecast.kind == "runs":
        spread = forecast.spread_low
        widening = math.sqrt(1 + 1 / forecast.effective_runs + forecast.beyond_variance / (spread * spread))
    return np.where(points < 0, forecast.spread_low, forecast.spread_high) * points * widening


@lru_cache(maxsize=256)
def _student(dof: float) -> NDArray[np.float64]:
    from scipy.special import stdtrit

    points = np.asarray(stdtrit(dof, (np.arange(_POINTS) + 0.5) / _POINTS), dtype=np.float64)
    points.flags.writeable = False
    return points


def forecast_about(forecast: StepForecast, mean: float) -> StepForecast:
    """Return the forecast moved on its scale so that its ``mean_yield`` is ``mean``; spread and failures stay.

    Raises ``ValueError`` for a mean that is not above 0, or not below 1 on the logit scale.

    >>> from service.analytics.forecast.next_run import forecast_step
    >>> moved = forecast_about(forecast_step([0.62, 0.55, 0.70], 0, mass_ratio=False), 0.8)
    >>> round(mean_yield(moved), 9)
    0.8
    """
    if not 0 < mean < (math.inf if forecast.scale == "ln" else 1.0):
        raise ValueError(f"a yield lies above 0, and below 1 unless it is a mass ratio; received {mean!r}")
    if forecast.scale == "ln":
        return replace(forecast, centre=math.log(mean))
    away = _away(forecast)
    low, high = forecast.centre - 1.0, forecast.centre + 1.0

    def found(centre: float) -> float:
        return float(off_scale(centre + away, forecast.scale).mean())

    while found(low) > mean:
        low -= 2 * (high - low)
    while found(high) < mean:
        high += 2 * (high - low)
    centre = forecast.centre
    for _ in range(100):
        middle = (low + high) / 2
        # Newton's step where it stays inside, else the middle: the mean rises with the centre.
        yields = off_scale(centre + away, forecast.scale)
        short = mean - float(yields.mean())
        if abs(short) <= _CLOSE:
            break
        low, high = (centre, high) if short > 0 else (low, centre)
        slope = float((yields * (1 - yields)).mean())
        tried = centre + short / slope if slope > 0 else middle
        centre = tried if low < tried < high else (low + high) / 2
    return replace(forecast, centre=centre)


def with_yield(inputs: PlanInputs, code: str, *, mean: float | None = None, times: float = 1.0) -> PlanInputs:
    """Return the inputs with a step's mean yield, of batches that give something, at ``mean`` or ``times`` what it is.

    The forecast is moved, its spread and its failures stay; the yields that money is reckoned with go the same way.
    Raises ``ValueError`` as :func:`forecast_about`.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> plan = PlanStep("roast", forecast_step([0.6, 0.6], 0, mass_ratio=False), 0.5, (), (BoughtInput("ore", 1.0),))
    >>> cost = StepCost("roast", 0.3, (CostLine("ore", 0.02),), ratio_good=0.3)
    >>> step = StepInputs(plan, cost, "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (step,), price_per_g={"ore": 0.02})
    >>> round(with_yield(inputs, "roast", mean=0.8).steps[0].cost.ratio_per_g, 9)
    0.4
    """

    def changed(step: StepInputs) -> StepInputs:
        forecast, factor, cost = step.plan.forecast, step.plan.factor_g_per_g, step.cost
        wanted = mean_yield(forecast) * times if mean is None else mean
        moved = forecast_about(forecast, wanted)
        if mean is None:
            good, total, by_hand = (_times(x, times) for x in (cost.ratio_good, cost.ratio_per_g, step.plan.mean_ratio))
        else:
            usable = cost.ratio_per_g / cost.ratio_good if cost.ratio_per_g and cost.ratio_good else None
            good = by_hand = mean * factor
            total = good * (1.0 - forecast.mean_failure if usable is None else usable)
        return replace(
            step,
            plan=replace(step.plan, forecast=moved, mean_ratio=by_hand),
            cost=replace(cost, ratio_good=good, ratio_per_g=total),
        )

    return _with_step(inputs, code, changed)


def with_failure_rate(inputs: PlanInputs, code: str, rate: float) -> PlanInputs:
    """Return the inputs with a step's expected chance of failure at ``rate``, 0 to below 1, as well known as it was.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> plan = PlanStep("roast", forecast_step([0.6, 0.6], 0, mass_ratio=False), 0.5, (), (BoughtInput("ore", 1.0),))
    >>> cost = StepCost("roast", 0.3, (CostLine("ore", 0.02),), ratio_good=0.3)
    >>> step = StepInputs(plan, cost, "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (step,), price_per_g={"ore": 0.02})
    >>> changed = with_failure_rate(inputs, "roast", 0.25).steps[0]
    >>> round(changed.plan.forecast.mean_failure, 9), round(changed.cost.ratio_per_g, 9)
    (0.25, 0.225)
    """
    if not 0 <= rate < 1:
        raise ValueError(f"a failure rate is at least 0 and below 1, received {rate!r}")

    def changed(step: StepInputs) -> StepInputs:
        forecast = step.plan.forecast
        known = forecast.failures_a + forecast.failures_b
        good = step.cost.ratio_good or step.cost.ratio_per_g
        return replace(
            step,
            plan=replace(step.plan, forecast=replace(forecast, failures_a=rate * known, failures_b=(1 - rate) * known)),
            cost=replace(step.cost, ratio_per_g=_times(good, 1 - rate)),
        )

    return _with_step(inputs, code, changed)


def with_limits(inputs: PlanInputs, code: str, smallest_g: float | None, largest_g: float | None) -> PlanInputs:
    """Return the inputs with another smallest or largest batch of a step, gross grams of key input; None leaves it.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> plan = PlanStep("roast", forecast_step([0.6, 0.6], 0, mass_ratio=False), 0.5, (), (BoughtInput("ore", 1.0),))
    >>> cost = StepCost("roast", 0.3, (CostLine("ore", 0.02),), ratio_good=0.3)
    >>> step = StepInputs(plan, cost, "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (step,), price_per_g={"ore": 0.02})
    >>> with_limits(inputs, "roast", None, 50.0).steps[0].plan.largest_g
    50.0
    """

    def changed(step: StepInputs) -> StepInputs:
        smallest = step.plan.smallest_g if smallest_g is None else smallest_g
        largest = step.plan.largest_g if largest_g is None else largest_g
        return replace(step, plan=replace(step.plan, smallest_g=smallest, largest_g=largest))

    return _with_step(inputs, code, changed)


def with_needs(
    inputs: PlanInputs, code: str, needs: Mapping[str, float], product_times: float, made: Mapping[str, int]
) -> PlanInputs:
    """Return the inputs with what a step takes, and what it gives at a yield of 1, changed.

    ``needs``: by material, how many times the amount that it takes a gram of key input now; ``product_times``: the same
    of what a gram of key input can give; ``made``: places of the steps that make those of the materials that are made.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> plan = PlanStep("roast", forecast_step([0.6, 0.6], 0, mass_ratio=False), 0.5, (), (BoughtInput("ore", 1.0),))
    >>> cost = StepCost("roast", 0.3, (CostLine("ore", 0.02),), ratio_good=0.3)
    >>> step = StepInputs(plan, cost, "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (step,), price_per_g={"ore": 0.02})
    >>> changed = with_needs(inputs, "roast", {"ore": 2.0}, 1.1, {}).steps[0]
    >>> round(changed.plan.factor_g_per_g, 9), changed.cost.lines[0].per_g, changed.plan.bought[0].g_per_g
    (0.55, 0.04, 2.0)
    """

    def changed(step: StepInputs) -> StepInputs:
        own, cost = step.plan, step.cost
        by_place = {made[name]: times for name, times in needs.items() if name in made}
        return replace(
            step,
            plan=replace(
                own,
                factor_g_per_g=own.factor_g_per_g * product_times,
                mean_ratio=_times(own.mean_ratio, product_times),
                upstream=_scaled(own.upstream, by_place),
                bought=tuple(
                    each
                    if (times := needs.get(each.material, 1.0)) == 1.0 or each.key
                    else replace(each, g_per_g=each.g_per_g * times, g_per_batch=each.g_per_batch * times)
                    for each in own.bought
                ),
            ),
            cost=replace(
                cost,
                lines=tuple(_line(line, needs.get(line.name, 1.0)) for line in cost.lines),
                upstream=_scaled(cost.upstream, by_place),
                ratio_per_g=_times(cost.ratio_per_g, product_times),
                ratio_good=_times(cost.ratio_good, product_times),
                ratio_limit=_times(cost.ratio_limit, product_times),
                ratio_best=_times(cost.ratio_best, product_times),
                ratio_se=_times(cost.ratio_se, product_times),
            ),
        )

    return _with_step(inputs, code, changed)


def with_price(inputs: PlanInputs, material: str, per_g: float | None) -> PlanInputs:
    """Return the inputs with another price of a gram of need of a material, None for none; its packs stay.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> plan = PlanStep("roast", forecast_step([0.6, 0.6], 0, mass_ratio=False), 0.5, (), (BoughtInput("ore", 1.0),))
    >>> cost = StepCost("roast", 0.3, (CostLine("ore", 0.02),), ratio_good=0.3)
    >>> step = StepInputs(plan, cost, "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (step,), price_per_g={"ore": 0.02})
    >>> with_price(inputs, "ore", 0.05).steps[0].cost.lines[0].per_g
    0.05
    """
    prices = {name: price for name, price in inputs.price_per_g.items() if name != material}
    if per_g is not None:
        prices[material] = per_g
    return replace(
        inputs,
        price_per_g=prices,
        steps=tuple(
            replace(step, cost=_repriced(step, material, per_g))
            if any(each.material == material for each in step.plan.bought)
            else step
            for step in inputs.steps
        ),
    )


def with_offers(inputs: PlanInputs, material: str, offers: Sequence[PackOffer]) -> PlanInputs:
    """Return the inputs with other packs of a material; its price stays.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.planning.graph import BoughtInput, PlanStep
    >>> plan = PlanStep("roast", forecast_step([0.6, 0.6], 0, mass_ratio=False), 0.5, (), (BoughtInput("ore", 1.0),))
    >>> cost = StepCost("roast", 0.3, (CostLine("ore", 0.02),), ratio_good=0.3)
    >>> step = StepInputs(plan, cost, "calx", "roast", "ore", "calx")
    >>> inputs = PlanInputs("calx", "calx", dt.date(2026, 1, 1), "EUR", (step,), price_per_g={"ore": 0.02})
    >>> len(with_offers(inputs, "ore", [PackOffer("ore-25g", "ore", "corner", 25.0, 500_000)]).offers)
    1
    """
    return replace(inputs, offers=(*(each for each in inputs.offers if each.material != material), *offers))


def without_stock(inputs: PlanInputs, materials: Collection[str] | None = None) -> PlanInputs:
    """Return the inputs with nothing on the shelf of ``materials``, or of anything where None.

    >>> import datetime as dt
    >>> held = PlanInputs("r", "x", dt.date(2026, 1, 1), "EUR", (), on_hand_g={"ore": 5.0, "coke": 1.0},
    ...                   on_hand_counts_as_g={"ore": 5.0, "coke": 1.0})
    >>> without_stock(held, ["ore"]).on_hand_counts_as_g
    {'coke': 1.0}
    """

    def off(material: str) -> bool:
        return materials is None or material in materials

    return replace(
        inputs,
        on_hand_g={name: grams for name, grams in inputs.on_hand_g.items() if not off(name)},
        on_hand_counts_as_g={name: grams for name, grams in inputs.on_hand_counts_as_g.items() if not off(name)},
        expires_on={name: day for name, day in inputs.expires_on.items() if not off(name)},
        steps=tuple(
            replace(step, plan=replace(step.plan, stock_g=0.0)) if off(step.product) else step for step in inputs.steps
        ),
    )


def _with_step(inputs: PlanInputs, code: str, changed: Callable[[StepInputs], StepInputs]) -> PlanInputs:
    if all(step.code != code for step in inputs.steps):
        raise ValueError(f"the plan has no step {code!r}")
    return replace(inputs, steps=tuple(changed(step) if step.code == code else step for step in inputs.steps))


def _times(value: float | None, times: float) -> float | None:
    return None if value is None else value * times


def _scaled(upstream: Sequence[tuple[int, float]], by_place: Mapping[int, float]) -> tuple[tuple[int, float], ...]:
    return tuple((place, grams * by_place.get(place, 1.0)) for place, grams in upstream)


def _line(line: CostLine, times: float) -> CostLine:
    if line.kind != "material" or times == 1.0:
        return line
    return replace(line, per_g=_times(line.per_g, times), per_batch=_times(line.per_batch, times))


def _repriced(step: StepInputs, material: str, per_g: float | None) -> StepCost:
    needs = [each for each in step.plan.bought if each.material == material]
    line = CostLine(material, None)
    if per_g is not None:
        grams, batch = sum(each.g_per_g for each in needs), sum(each.g_per_batch for each in needs)
        line = CostLine(material, grams * per_g, batch * per_g)
    lines = [each for each in step.cost.lines if each.kind != "material" or each.name != material]
    return replace(step.cost, lines=(*lines, line))
