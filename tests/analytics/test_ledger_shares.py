"""Which part of a run's cost each outturn carries, and what parts of whole numbers come to."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.analytics.money.cost_shares import CostShares, Sharing, cost_shares
from service.analytics.money.exact_parts import dealt, dealt_with_credits, fits, part_of, parts_of
from service.errors import InvalidInput


def fractions_of(shares: CostShares) -> list[Fraction]:
    return [Fraction(weight, shares.whole) for weight in shares.weights]


def codes(*outturns: Sharing, **terms: int) -> list[str]:
    with pytest.raises(InvalidInput) as caught:
        cost_shares(outturns, **terms)
    return [fault.code for fault in caught.value.faults]


def stated(share: str, role: str = "product") -> Sharing:
    return Sharing(role, stated=Fraction(share))


def test_as_stated() -> None:
    found = cost_shares([stated("0.95"), stated("0.05", "recovered")])
    assert found == CostShares("stated", (19, 1), 20, (0, 0))


def test_what_is_not_stated_takes_the_rest() -> None:
    found = cost_shares([Sharing(), stated("0.05", "recovered"), Sharing("waste")])
    assert found.rule == "the rest"
    assert fractions_of(found) == [Fraction(95, 100), Fraction(5, 100), 0]


def test_by_net_realisable_value_else_by_contained_mass() -> None:
    both = [Sharing(realisable_micro=30, contained_ng=1), Sharing("co-product", realisable_micro=10, contained_ng=1)]
    assert cost_shares(both).rule == "net realisable value"
    assert fractions_of(cost_shares(both)) == [Fraction(3, 4), Fraction(1, 4)]
    one = [both[0], Sharing("co-product", contained_ng=4)]
    assert cost_shares(one).rule == "contained mass"
    assert fractions_of(cost_shares(one)) == [Fraction(1, 5), Fraction(4, 5)]
    # What costs more to sell than it fetches carries nothing.
    assert fractions_of(cost_shares([both[0], Sharing(realisable_micro=-5)])) == [1, 0]


def test_where_nothing_tells_it_is_said() -> None:
    found = cost_shares([Sharing(), Sharing("co-product")])
    assert found.rule == "unknown"
    assert fractions_of(found) == [1, 0]


def test_a_failed_run_hands_on_what_is_stated_alone() -> None:
    found = cost_shares([stated("0.2", "recovered"), Sharing("recovered")], passes_on=False)
    assert fractions_of(found) == [Fraction(1, 5), 0]


def test_shares_that_are_not_one_are_refused() -> None:
    assert codes(stated("0.5"), stated("0.4")) == ["shares-not-one"]
    assert codes(stated("0.7"), stated("0.4"), Sharing()) == ["shares-not-one"]
    assert codes(Sharing(credit_micro=5)) == ["shares-not-one"]


def test_credits_are_at_most_the_cost() -> None:
    outturns = [Sharing(), Sharing("co-product", credit_micro=30)]
    assert cost_shares(outturns, cost_micro=30) == CostShares("the rest", (1, 0), 1, (0, 30))
    assert codes(*outturns, cost_micro=29) == ["credit-above-cost"]


def test_shares_without_a_small_common_denominator_still_sum_to_the_whole() -> None:
    primes = [10**12 + 39, 10**12 + 61, 10**12 + 63]
    found = cost_shares([*[Sharing(stated=Fraction(1, prime)) for prime in primes], Sharing()])
    assert sum(found.weights) == found.whole < 2**60


whole_numbers = st.integers(0, 2**63 - 1)


@given(st.integers(0, 10**15), st.lists(st.integers(0, 10**18), min_size=1, max_size=6), st.integers(0, 10**18))
def test_dealt_parts_are_within_one_of_exact(total: int, weights: list[int], more: int) -> None:
    whole = sum(weights) + more
    parts = dealt(total, weights, whole)
    assert all(abs(part * whole - total * weight) <= whole for part, weight in zip(parts, weights, strict=True))
    if whole and not more:
        assert sum(parts) == total


@given(st.integers(0, 1000), st.lists(st.tuples(st.integers(0, 9), st.integers(0, 500)), min_size=1, max_size=5))
def test_credits_and_parts_sum_to_the_total(total: int, outturns: list[tuple[int, int]]) -> None:
    weights, credits = [weight for weight, _ in outturns], [credit for _, credit in outturns]
    parts = dealt_with_credits(total, weights, sum(weights), credits)
    if sum(weights) or sum(credits) >= total:
        assert sum(parts) == total
    if sum(credits) <= total:
        assert all(part >= credit for part, credit in zip(parts, credits, strict=True))


@given(st.lists(st.tuples(whole_numbers, st.integers(-(2**62), 2**62), whole_numbers), min_size=1, max_size=8))
def test_arrays_give_the_parts_that_whole_numbers_give(cases: list[tuple[int, int, int]]) -> None:
    value, reach, quantity = (np.array(column, dtype=np.int64) for column in zip(*cases, strict=True))
    assert parts_of(value, reach, quantity).tolist() == [part_of(*case) for case in cases]


@given(
    st.lists(
        st.tuples(st.integers(0, 2**49), st.integers(-(2**59), 2**59), st.integers(2**57, 2**60 - 1)),
        min_size=1,
        max_size=8,
    )
)
def test_products_that_wrap_around_64_bits_are_exact(cases: list[tuple[int, int, int]]) -> None:
    value, reach, quantity = (np.array(column, dtype=np.int64) for column in zip(*cases, strict=True))
    if fits(value, reach, quantity):
        found = parts_of(value, reach, quantity)
        assert found.dtype == np.int64
        assert found.tolist() == [part_of(*case) for case in cases]
