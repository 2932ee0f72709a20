"""One-way random effects: another library's fit, planted effects, and what groups cannot carry."""

from __future__ import annotations

import warnings
from itertools import chain
from typing import Any

import numpy as np
import pytest

from service.analytics.statistics.random_effects import random_effects
from tests.published.records import all_records

GASOLINE = next(each for each in all_records("repeated_yields") if each["id"] == "DS-GASOLINE-YIELD")["inputs"]["data"]


def planted(seed: int, sizes: list[int], between: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    source = np.random.default_rng(seed)
    group = np.repeat(np.arange(len(sizes)), sizes)
    effects = source.normal(0.0, between, len(sizes))
    return 2.0 + effects[group] + source.normal(0.0, 0.3, group.size), group, effects


def fit_by_statsmodels(values: np.ndarray, group: np.ndarray) -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from statsmodels.regression.mixed_linear_model import MixedLM

        return MixedLM(values, np.ones((values.size, 1)), group).fit(reml=True, method="bfgs", gtol=1e-10)


@pytest.mark.parametrize("seed", [3, 4])
def test_reml_and_shrinkage_agree_with_statsmodels(seed: int) -> None:
    values, group, _ = planted(seed, [2, 9, 4, 1, 14, 6, 3], 0.4)
    found, other = random_effects(values, group), fit_by_statsmodels(values, group)
    assert found.criterion is not None
    assert found.effects is not None
    assert found.criterion <= -2 * other.llf + 1e-7  # no fit of the other library is likelier
    assert found.criterion == pytest.approx(-2 * other.llf, abs=1e-5)
    assert found.mean == pytest.approx(other.fe_params[0], abs=1e-3)
    assert found.within == pytest.approx(other.scale, rel=2e-3)
    assert found.between == pytest.approx(float(np.asarray(other.cov_re).ravel()[0]), rel=1e-2)
    shrunken = np.array([float(np.asarray(other.random_effects[g]).ravel()[0]) for g in range(found.groups)])
    assert found.effects == pytest.approx(shrunken, abs=2e-3)


def test_at_the_edge_no_other_fit_is_likelier() -> None:
    # Prater's gasoline: batches differ by less than chance, which another optimiser comes near to and never reaches.
    values = np.array(list(chain.from_iterable(GASOLINE.values())))
    group = np.repeat(np.arange(len(GASOLINE)), [len(each) for each in GASOLINE.values()])
    found, other = random_effects(values, group), fit_by_statsmodels(values, group)
    assert found.between == 0.0
    assert found.criterion is not None
    assert -2 * other.llf - 0.01 < found.criterion <= -2 * other.llf


def test_variances_are_those_of_the_analysis_of_variance_where_groups_are_even() -> None:
    values, group, _ = planted(1, [6] * 8, 0.5)
    means = values.reshape(8, 6).mean(axis=1)
    within = values.reshape(8, 6).var(axis=1, ddof=1).mean()
    found = random_effects(values, group)
    assert found.within == pytest.approx(within, rel=1e-9)
    assert found.between == pytest.approx(means.var(ddof=1) - within / 6, rel=1e-7)
    assert found.mean == pytest.approx(values.mean(), rel=1e-12)


def test_p_is_that_of_the_f_test() -> None:
    from scipy.stats import f_oneway

    values, group, _ = planted(8, [2, 9, 4, 5], 0.2)
    assert random_effects(values, group).p == pytest.approx(
        f_oneway(*(values[group == g] for g in range(4))).pvalue, rel=1e-9
    )


@pytest.mark.parametrize("between", [0.0, 0.1, 0.5])
@pytest.mark.parametrize("sizes", [[3, 8, 5], [2, 9, 4, 1, 14, 6, 3, 5]])
def test_intervals_hold_what_was_planted(between: float, sizes: list[int]) -> None:
    held = []
    for seed in range(200):
        values, group, effects = planted(seed, sizes, between)
        found = random_effects(values, group)
        others = (effects.sum() - effects) / (len(sizes) - 1)
        assert found.low is not None
        assert found.high is not None
        held.append((found.low <= effects - others) & (effects - others <= found.high))
    assert np.mean(held) > 0.84  # asked 90 %; over 1,000 books 86 to 93 %


def test_effects_are_drawn_in_more_where_less_is_known() -> None:
    values = np.concatenate([np.full(1, 1.0), np.full(20, 1.0), np.zeros(20)])
    values += 0.1 * np.tile([1.0, -1.0], 21)[: values.size]
    values[0] = 1.0
    found = random_effects(values, np.repeat([0, 1, 2], [1, 20, 20]))
    assert found.effects is not None
    assert found.se is not None
    assert found.effects[0] < found.effects[1]
    assert found.se[0] > found.se[1]


@pytest.mark.parametrize(
    ("values", "group", "reason"),
    [
        ([], [], "no runs"),
        ([0.5, 0.6, 0.7], [0, 0, 0], "one group"),
        ([0.5, 0.6, 0.7], [0, 1, 2], "one run a group"),
        ([0.5, 0.5, 0.7, 0.7], [0, 0, 1, 1], "the runs of a group are all alike"),
    ],
)
def test_what_groups_cannot_carry_is_none_with_a_reason(values: list[float], group: list[int], reason: str) -> None:
    found = random_effects(values, np.array(group, dtype=np.int64))
    assert found.between is found.within is found.effects is found.p is None
    assert set(found.reasons.values()) == {reason}


def test_a_mean_far_from_zero_costs_no_digits() -> None:
    values, group, _ = planted(5, [4, 7, 5, 6], 0.4)
    near, far = random_effects(values, group), random_effects(values + 1e6, group)
    assert far.between == pytest.approx(near.between, rel=1e-6)
    assert far.within == pytest.approx(near.within, rel=1e-7)


def test_wrong_groups_are_refused() -> None:
    with pytest.raises(ValueError, match="every group"):
        random_effects([1.0, 2.0], [0, 2])
    with pytest.raises(ValueError, match="one group a finite value"):
        random_effects([1.0, 2.0], [0])
