"""The rules behind findings: laws before examples, and a second road where there is one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.analytics.money.price_jumps import price_jumps
from service.analytics.statistics.repeats import repeats_of
from service.analytics.statistics.slips import ANY_RUN, TARE_FACTORS, may_ask, slips_of
from service.analytics.statistics.water import kept_below, with_water_unsaid

PRICES = st.lists(st.floats(0.01, 100.0), min_size=1, max_size=12)


@given(seed=st.integers(0, 10**6), spread=st.sampled_from((0.1, 0.4, 1.0)), runs=st.integers(1, 120))
def test_no_slip_is_passed_over(seed: int, spread: float, runs: int) -> None:
    """Two roads: whatever has odds to ask for, with any kinds of slip, is among those that may ask."""
    source = np.random.default_rng(seed)
    yields = np.exp(source.normal(-0.5, spread, runs))
    slipped = source.random(runs) < 0.1
    yields[slipped] *= source.choice([1000.0, 0.1, 10.0, 1 / 28.35, 3.0], slipped.sum())
    may = may_ask(yields)
    for kinds in (ANY_RUN, {**ANY_RUN, "tare-left-in": TARE_FACTORS, "hydrate": (1.56,)}, {"tare-left-in": (3.0,)}):
        assert not (slips_of(yields, kinds).asks() & ~may).any()


def test_few_ordinary_runs_are_looked_at_one_by_one() -> None:
    yields = np.exp(np.random.default_rng(5).normal(-0.5, 0.3, 20_000))
    assert may_ask(yields).mean() < 0.005


@given(prices=PRICES, factor=st.floats(0.01, 100.0))
def test_the_currency_changes_no_jump(prices: list[float], factor: float) -> None:
    alone = [None] * len(prices)
    told = [jump.place for jump in price_jumps(prices, alone)]
    scaled = [jump.place for jump in price_jumps([price * factor for price in prices], alone)]
    near = any(
        abs(jump.times - bound) < 1e-9 for jump in price_jumps(prices, alone) for bound in (0.5, 1.5)
    )  # a price at the very bound may fall on either side
    assert near or told == scaled


@given(price=st.floats(0.01, 100.0), times=st.floats(0.51, 1.49), several=st.integers(1, 9))
def test_a_price_that_moves_little_is_left_in_peace(price: float, times: float, several: int) -> None:
    assert not price_jumps([price] * several + [price * times], [1.0] * (several + 1))


@pytest.mark.parametrize(("times", "found"), [(1.6, True), (1.5, False), (0.5, False), (0.45, True), (0.0, False)])
def test_up_by_half_and_down_to_half(times: float, found: bool) -> None:
    (*_, last) = prices = [4.0, 4.0, 4.0, 4.0 * times]
    assert [jump.place for jump in price_jumps(prices, [None] * 4)] == ([3] if found else [])
    assert last == 4.0 * times


def test_a_lasting_change_is_told_of_once_and_small_packs_are_dear() -> None:
    assert [jump.place for jump in price_jumps([1.0, 1.0, 1.0, 2.0, 2.0, 2.1], [1.0] * 6)] == [3]
    assert not price_jumps([1.0, 5.0], [1000.0, 100.0])
    assert price_jumps([1.0, 5.0], [1000.0, 250.0])


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), max_size=20))
def test_repeats_are_the_lines_that_stood_before(lines: list[tuple[int, int]]) -> None:
    found = repeats_of([np.array([line[i] for line in lines], dtype=np.float64) for i in (0, 1)])
    slow = [(place, lines.index(line)) for place, line in enumerate(lines) if line in lines[:place]]
    assert found == slow


def test_nothing_equals_what_is_not_known() -> None:
    assert repeats_of([np.array([np.nan, np.nan])]) == []


def test_water_is_seen_by_the_mass_ratio() -> None:
    """CuSO4·5H2O weighs 249.68 / 159.60 = 1.5644 of CuSO4 (molar masses as printed, OpenStax Chemistry 2e)."""
    ratio = 249.68 / 159.60
    assert with_water_unsaid([0.93 * ratio, 0.5 * ratio, 1.10, 1.06 * ratio], ratio) == 1
    near = np.array([0.99, 0.97, 0.98, 0.95, 1.0]) / ratio
    assert kept_below(near, ratio)
    assert not kept_below(near[:4], ratio)
    assert not kept_below([*near, 0.9], ratio)
