"""Losses by step, and two periods whose parts sum to the change."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.analytics.money.log_mean import log_mean, log_mean_split
from service.analytics.money.losses import StepTotals, step_losses
from service.analytics.money.periods import compare_periods
from service.analytics.money.standard_cost import CostLine, StepCost, standard_cost
from service.errors import NotComputable

COSTS, RATIOS = (0.02, 0.05, 0.01, 0.40), (0.7, 0.3, 0.8, 0.5)


def chain(costs: tuple[float | None, ...] = COSTS, ratios: tuple[float, ...] = RATIOS) -> list[StepCost]:
    """Four steps in a line; the costs are per gram of key input."""
    return [
        StepCost(
            f"s{place}", ratio, (CostLine("input", cost),), upstream=((place - 1, 1.0),) if place else (),
            ratio_limit=1.0, ratio_best=min(1.0, ratio + 0.1),
        )
        for place, (cost, ratio) in enumerate(zip(costs, ratios, strict=True))
    ]  # fmt: skip


def totals(*, theoretical_g: float | None = 200.0, best: float | None = 0.9) -> list[StepTotals]:
    return [StepTotals(f"s{place}", theoretical_g, 140.0, best, 100.0 if place else None) for place in range(4)]


def test_the_leak_of_the_standard_cost_stands_beside_grams_and_moles() -> None:
    # The costs, ratios and ledger of the example that the standard cost is checked by: 0.071, 0.458, 0.136, 0.740.
    found = step_losses(totals(), standard_cost(chain()))
    money = [loss.against_limit.cost_per_g for loss in found]
    assert money == pytest.approx([0.071, 0.458, 0.136, 0.740], abs=0.0005)
    assert [loss.against_limit.lost_g for loss in found] == [60.0] * 4
    assert [loss.against_limit.lost_mol for loss in found] == [None, 0.6, 0.6, 0.6]
    assert found[0].reasons == {"lost_mol": "the product has no molar mass"}
    assert found[1].against_best.lost_g == pytest.approx(40.0)
    assert [loss.against_limit.share for loss in found] == pytest.approx([0.3] * 4)
    assert all((loss.against_best.cost_per_g or 0) < (loss.against_limit.cost_per_g or 0) for loss in found)


def test_what_cannot_be_told_says_why() -> None:
    cost = standard_cost(chain((None, *COSTS[1:])))
    found = step_losses(totals(theoretical_g=None, best=None), cost)[1]
    assert (found.against_limit.lost_g, found.against_limit.cost_per_g, found.against_best.lost_g) == (None, None, None)
    assert found.reasons["against_limit"] == "the theoretical amount is not known"
    assert found.reasons["against_best"] == "no good run"
    assert found.reasons["against_limit_cost_per_g"] == "no price for input"


def test_more_than_the_limit_is_no_loss() -> None:
    found = step_losses(totals(theoretical_g=100.0), standard_cost(chain()))[1]
    assert found.against_limit.lost_g == 0.0
    assert found.reasons["against_limit"] == "more came out than the limit allows"


def test_totals_are_of_the_steps_of_the_cost() -> None:
    with pytest.raises(ValueError, match="same steps"):
        step_losses(totals()[1:], standard_cost(chain()))


# The logarithmic mean.


positive = st.floats(1e-3, 1e3)


@given(positive, positive)
def test_the_log_mean_lies_between_the_geometric_and_the_arithmetic(a: float, b: float) -> None:
    # A known order of means (from memory); the tolerance is that of floats.
    mean = log_mean(a, b)
    assert math.sqrt(a * b) * (1 - 1e-9) <= mean <= (a + b) / 2 * (1 + 1e-9)
    assert mean == pytest.approx(log_mean(b, a), rel=1e-9)


def test_nearly_equal_numbers_keep_their_digits() -> None:
    assert log_mean(1 + 1e-12, 1.0) == pytest.approx(1 + 0.5e-12, rel=1e-15)
    assert log_mean(5.0, 5.0) == 5.0


terms = st.dictionaries(
    st.sampled_from("abcd"),
    st.fixed_dictionaries({"price": st.just(0.0) | st.floats(1e-9, 100), "use": positive, "yield": positive}),
    max_size=4,
)


@given(terms, terms)
def test_the_parts_sum_to_the_change(before: dict[str, dict[str, float]], after: dict[str, dict[str, float]]) -> None:
    split = log_mean_split(before, after)
    scale = sum(math.prod(term.values()) for term in [*before.values(), *after.values()])
    assert math.fsum([*split.by_factor.values(), *split.not_split.values()]) == pytest.approx(
        split.change, abs=1e-9 * scale + 1e-300
    )
    assert split.not_split.keys() == split.reasons.keys()


def test_a_term_that_comes_or_goes_stands_apart() -> None:
    split = log_mean_split({"a": {"x": 2.0}, "b": {"x": 0.0}}, {"a": {"y": 3.0}, "b": {"x": 4.0}, "c": {"x": 0.0}})
    assert split.not_split == {"a": 1.0, "b": 4.0}
    assert split.reasons == {"a": "it is made up of other factors", "b": "nothing before"}
    assert log_mean_split({"a": {"x": 2.0}}, {}).reasons == {"a": "nothing after"}
    with pytest.raises(ValueError, match="at least 0"):
        log_mean_split({"a": {"x": -1.0}}, {})


# Two periods.


def change(before: list[StepCost], after: list[StepCost]) -> float:
    costs = [standard_cost(steps).cost_per_g for steps in (before, after)]
    assert costs[0] is not None
    assert costs[1] is not None
    return costs[1] - costs[0]


def test_a_single_cause_takes_the_whole_change() -> None:
    before, after = chain(), chain(ratios=(0.7, 0.6, 0.8, 0.5))
    split = compare_periods(before, after)
    assert split.change == pytest.approx(change(before, after))
    assert split.by_factor["yield s1"] == pytest.approx(split.change)
    assert all(part == 0 for name, part in split.by_factor.items() if name != "yield s1")


@given(st.lists(st.floats(0.05, 1.0), min_size=8, max_size=8), st.lists(st.floats(0.01, 2.0), min_size=8, max_size=8))
def test_the_parts_of_two_periods_sum_to_the_change(ratios: list[float], costs: list[float]) -> None:
    before, after = chain(tuple(costs[:4]), tuple(ratios[:4])), chain(tuple(costs[4:]), tuple(ratios[4:]))
    split = compare_periods(before, after)
    expected = change(before, after)
    assert not split.not_split
    assert split.change == pytest.approx(expected, rel=1e-9, abs=1e-6)
    assert math.fsum(split.by_factor.values()) == pytest.approx(split.change, rel=1e-9, abs=1e-6)


def test_two_ways_to_the_product_and_costs_a_batch() -> None:
    def month(price: float, batch_g: float) -> list[StepCost]:
        salt = StepCost("salt", 0.5, (CostLine("rock", price), CostLine("rock", 0.1)))
        mix = StepCost("mix", 0.8, (CostLine("gas", 0.0, 3.0),), upstream=((0, 1.0),), batch_g=batch_g)
        join = StepCost("join", 0.9, (CostLine("gas", 0.2),), upstream=((1, 1.0), (0, 0.25)))
        return [salt, mix, join]

    before, after = month(1.0, 10.0), month(1.5, 20.0)
    split = compare_periods(before, after)
    assert split.change == pytest.approx(change(before, after))
    assert {name for name, part in split.by_factor.items() if part} == {"line salt/rock", "line mix/gas"}


def test_periods_that_cannot_be_compared_say_why() -> None:
    with pytest.raises(NotComputable, match="no product recorded in step s1"):
        compare_periods(chain(), chain(ratios=(0.7, 0.0, 0.8, 0.5)))
    with pytest.raises(NotComputable, match="no price for input"):
        compare_periods(chain(), chain((None, 0.1, 0.1, 0.1)))


# What the factors of two periods are.


def test_price_use_strength_and_dryness_stand_apart() -> None:
    def month(price: float, use: float, limit: float, fraction: float) -> list[StepCost]:
        acid = CostLine("acid", price * use, unit_price=price)
        return [StepCost("wash", fraction * limit, (acid,), ratio_limit=limit)]

    split = compare_periods(month(2.0, 3.0, 0.5, 0.8), month(2.5, 2.0, 0.4, 0.9), dry_fractions=(0.95, 0.90))
    old, new = 2.0 * 3.0 / (0.5 * 0.8 * 0.95), 2.5 * 2.0 / (0.4 * 0.9 * 0.90)
    mean = (new - old) / math.log(new / old)
    assert split.by_factor == pytest.approx(
        {
            "price wash/acid": mean * math.log(2.5 / 2.0),
            "use wash/acid": mean * math.log(2.0 / 3.0),
            "limit wash": mean * math.log(0.5 / 0.4),
            "yield wash": mean * math.log(0.8 / 0.9),
            "dry wash": mean * math.log(0.95 / 0.90),
        },
        rel=1e-12,
    )
    assert math.fsum(split.by_factor.values()) == pytest.approx(new - old, rel=1e-12)


@given(st.floats(0.05, 0.95), st.floats(0.05, 0.95), st.floats(0.0, 50.0))
def test_failed_runs_and_low_yields_are_the_whole_loss(ratio: float, best: float, failed_g: float) -> None:
    cost = standard_cost(
        [StepCost("wash", ratio, (CostLine("chalk", 2.0),), ratio_limit=1.0, ratio_best=max(best, ratio))]
    )
    given_g = 100.0
    step = StepTotals("wash", given_g, ratio * given_g, max(best, ratio), failed_theoretical_g=failed_g)
    (loss,) = step_losses([step], cost)
    whole = loss.against_limit
    assert whole.lost_g == pytest.approx(given_g * (1 - ratio))
    assert whole.failed_share == pytest.approx(min(failed_g / (given_g * (1 - ratio)), 1.0))
    # 100 g of feed at 2 cost 200, of which the share that is lost is lost; a final gram stands for 1/ratio of feed.
    assert whole.cost == pytest.approx(200 * (1 - ratio))
    assert whole.cost_per_g == pytest.approx(2 / ratio - 2)
    assert whole.lost_g_per_g == pytest.approx((1 - ratio) / ratio)
    attainable = loss.against_best
    assert attainable.cost_per_g == pytest.approx(2 / ratio - 2 / max(best, ratio), abs=1e-12)
