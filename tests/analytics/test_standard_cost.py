"""Standard cost: an example worked on paper, the sums that must close, and money counted forward against backward."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import stdtrit

from service.analytics.money.standard_cost import CostLine, StandardCost, StepCost, standard_cost

COSTS = (0.02, 0.05, 0.01, 0.40)
RATIOS = (0.7, 0.3, 0.8, 0.5)


def line(ratios: tuple[float, ...] = RATIOS) -> list[StepCost]:
    return [
        StepCost(f"s{at}", ratio, (CostLine(f"m{at}", cost),), ((at - 1, 1.0),) if at else (), ratio_limit=1.0,
                 ratio_good=ratio, ratio_se=0.1 * ratio, runs=5)
        for at, (cost, ratio) in enumerate(zip(COSTS, ratios, strict=True))
    ]  # fmt: skip


def branched() -> list[StepCost]:
    """Two branches that share a base and meet, with costs a batch and direct costs."""
    return [
        StepCost("base", 0.8, (CostLine("ore", 0.10), CostLine("energy", 0.02, 1.5, "direct")), batch_g=50.0),
        StepCost("left", 0.5, (CostLine("acid", 0.30),), ((0, 1.0),)),
        StepCost("right", 1.4, (CostLine("acid", 0.05), CostLine("catalyst", 0.0, 2.0)), ((0, 0.6),), batch_g=20.0),
        StepCost("join", 0.9, (CostLine("water", 0.01),), ((1, 1.0), (2, 0.25))),
    ]


def forward(steps: list[StepCost]) -> list[float]:
    """Buy for one gram of each product in turn, without shares."""
    costs: list[float] = []
    for step in steps:
        own = sum((x.per_g or 0) + (x.per_batch or 0) / (step.batch_g or 1) for x in step.lines)
        assert step.ratio_per_g
        costs.append((sum(grams * costs[at] for at, grams in step.upstream) + own) / step.ratio_per_g)
    return costs


def each(found: StandardCost, name: str) -> list[float]:
    return [getattr(step, name) for step in found.by_step]


def test_four_steps_worked_on_paper() -> None:
    # c = 0.02, 0.05, 0.01, 0.40 and R = 0.7, 0.3, 0.8, 0.5, to the digits printed.
    found = standard_cost(line())
    assert [round(cost, 4) for cost in each(found, "product_cost_per_g")] == [0.0286, 0.2619, 0.3399, 1.4798]
    assert [round(share, 3) for share in each(found, "share")] == [0.161, 0.442, 0.459, 1.0]
    assert [round(leak, 3) for leak in each(found, "leak_per_g")] == [0.071, 0.458, 0.136, 0.740]


@pytest.mark.parametrize("steps", [line(), branched()], ids=["line", "branches"])
def test_the_splits_close(steps: list[StepCost]) -> None:
    found = standard_cost(steps)
    assert found.cost_per_g == pytest.approx(forward(steps)[-1], rel=1e-12)
    assert sum(each(found, "added_per_g")) == pytest.approx(found.cost_per_g, rel=1e-12)
    assert sum(found.by_material.values()) + sum(found.direct.values()) == pytest.approx(found.cost_per_g, rel=1e-12)


@pytest.mark.parametrize("steps", [line(), branched()], ids=["line", "branches"])
def test_a_share_is_the_slope_of_the_logarithm(steps: list[StepCost]) -> None:
    found = standard_cost(steps)
    for at, step in enumerate(steps):
        assert step.ratio_per_g
        better = [*steps[:at], replace(step, ratio_per_g=step.ratio_per_g * 1.0001), *steps[at + 1 :]]
        slope = (math.log(standard_cost(better).cost_per_g or 0) - math.log(found.cost_per_g or 0)) / math.log(1.0001)
        assert -slope == pytest.approx(found.by_step[at].share, rel=1e-3)


def test_a_leak_is_what_the_better_ratio_would_save() -> None:
    steps = line()
    found = standard_cost(steps)
    for at, step in enumerate(steps):
        best = standard_cost([*steps[:at], replace(step, ratio_per_g=1.0), *steps[at + 1 :]])
        assert found.by_step[at].leak_per_g == pytest.approx((found.cost_per_g or 0) - (best.cost_per_g or 0), rel=1e-9)
    nearer = standard_cost([replace(step, ratio_best=0.9) for step in steps]).by_step
    assert all(0 < (step.attainable_per_g or 0) < (step.leak_per_g or 0) for step in nearer)
    assert standard_cost([replace(steps[0], ratio_limit=0.5)]).by_step[0].leak_per_g is None


def test_failures_load_the_cost_and_good_runs_stand_beside() -> None:
    found = standard_cost([replace(step, ratio_good=1.25 * (step.ratio_per_g or 0)) for step in line()])
    assert found.cost_per_g_good_runs == pytest.approx(forward(line(tuple(1.25 * r for r in RATIOS)))[-1])
    assert standard_cost([replace(step, ratio_good=None) for step in line()]).reasons["cost_per_g_good_runs"]


def test_the_interval_of_one_step_is_students() -> None:
    # One step: se(ln K) = 0.1, 4 degrees, two-sided 90 %.
    found = standard_cost(line()[:1])
    reach = math.exp(float(stdtrit(4, 0.95)) * 0.1)
    assert (found.low, found.high) == (pytest.approx(0.02 / 0.7 / reach), pytest.approx(0.02 / 0.7 * reach))


def test_the_interval_follows_welch_and_satterthwaite() -> None:
    # JCGM 100:2008, G.4.1: the degrees of a sum of variances.
    found = standard_cost(line(), confidence=0.95)
    parts = [(0.1 * (step.share or 0)) ** 2 for step in found.by_step]
    degrees = sum(parts) ** 2 / sum(part**2 / 4 for part in parts)
    reach = math.exp(float(stdtrit(degrees, 0.975)) * math.sqrt(sum(parts)))
    assert found.high == pytest.approx((found.cost_per_g or 0) * reach)
    assert (found.low or 0) * (found.high or 0) == pytest.approx((found.cost_per_g or 0) ** 2)


def test_the_interval_agrees_with_draws_of_the_ratios() -> None:
    steps = [replace(step, runs=10**6) for step in line()]
    rng = np.random.default_rng(7)
    drawn = np.array(RATIOS) * np.exp(0.1 * rng.standard_normal((20_000, 4)))
    cost = np.zeros(20_000)
    for at, own in enumerate(COSTS):
        cost = (cost + own) / drawn[:, at]
    found = standard_cost(steps)
    assert np.quantile(cost, [0.05, 0.95]) == pytest.approx([found.low, found.high], rel=0.015)


def test_two_runs_carry_no_interval() -> None:
    steps = line()
    found = standard_cost([*steps[:2], replace(steps[2], runs=2), steps[3]])
    assert (found.low, found.high) == (None, None)
    assert found.reasons["low"] == "fewer than 3 runs of step s2"
    assert found.cost_per_g == pytest.approx(1.4798, abs=5e-5)


def test_a_material_without_a_price_leaves_the_known_part() -> None:
    steps = branched()
    steps[1] = replace(steps[1], lines=(CostLine("acid", None), CostLine("waste", 0.02, kind="direct")))
    found = standard_cost(steps)
    known = standard_cost([steps[0], replace(steps[1], lines=steps[1].lines[1:]), *steps[2:]])
    assert found.cost_per_g is None
    assert found.unpriced == ("acid",)
    assert "acid" in found.reasons["cost_per_g"]
    assert found.cost_per_g_at_least == pytest.approx(known.cost_per_g)
    assert sum(each(found, "added_per_g")) == pytest.approx(found.cost_per_g_at_least)
    assert [step.product_cost_per_g is None for step in found.by_step] == [False, True, False, True]


def test_a_price_of_zero_is_a_price() -> None:
    found = standard_cost([StepCost("s", 0.5, (CostLine("rain", 0.0),), ratio_se=0.1, runs=4)])
    assert (found.cost_per_g, found.low, found.high, found.unpriced) == (0.0, 0.0, 0.0, ())


@pytest.mark.parametrize("ratio", [None, 0.0])
def test_a_step_that_never_gave_anything_has_no_cost(ratio: float | None) -> None:
    steps = line()
    found = standard_cost([steps[0], replace(steps[1], ratio_per_g=ratio), *steps[2:]])
    assert (found.cost_per_g, found.cost_per_g_at_least) == (None, None)
    assert found.reasons["cost_per_g"] == "no product recorded in step s1"


def test_a_step_that_feeds_nothing_costs_nothing() -> None:
    found = standard_cost([*line()[:2], StepCost("aside", None, (CostLine("gold", None),))], final=1)
    assert found.cost_per_g == pytest.approx(0.2619, abs=5e-5)
    assert found.unpriced == ()
    assert found.by_step[2].added_per_g == 0.0


def test_faulty_steps_are_refused() -> None:
    with pytest.raises(ValueError, match="earlier"):
        standard_cost([StepCost("s", 0.5, upstream=((0, 1.0),))])
    with pytest.raises(ValueError, match="batch"):
        standard_cost([StepCost("s", 0.5, (CostLine("catalyst", 0.0, 1.0),))])
    with pytest.raises(ValueError, match="ratio"):
        standard_cost([StepCost("s", -0.5)])
    with pytest.raises(ValueError, match="confidence"):
        standard_cost(line(), confidence=1.0)
