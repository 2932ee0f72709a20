"""Many groups at once: what one group alone says, whatever stands beside it, and what a reference library says."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.analytics.statistics.describe import FIGURES, describe, describe_groups
from service.analytics.statistics.ratio import ratio_of_totals, ratios_of_totals

YIELDS = st.lists(st.floats(0.001, 1.2), max_size=12)


def _bounds(groups: list[list[float]]) -> np.ndarray:
    return np.concatenate([[0], np.cumsum([len(group) for group in groups], dtype=np.int64)]).astype(np.int64)


@given(st.lists(YIELDS, max_size=6))
def test_a_group_says_what_it_says_alone(groups: list[list[float]]) -> None:
    together = describe_groups([each for group in groups for each in group], _bounds(groups))
    for place, group in enumerate(groups):
        assert together.of(place) == describe(group)


@given(st.lists(YIELDS, max_size=6), st.integers(0, 2**32 - 1))
def test_a_ratio_of_a_group_is_what_it_is_alone(groups: list[list[float]], seed: int) -> None:
    bottoms = np.random.default_rng(seed).choice([0.0, 1.0, 2.5, 7.0], size=sum(map(len, groups)))
    bounds = _bounds(groups)
    together = ratios_of_totals([each for group in groups for each in group], bottoms, bounds)
    for place, group in enumerate(groups):
        alone = ratio_of_totals(group, bottoms[bounds[place] : bounds[place + 1]])
        found = together.of(place)
        assert found.reasons == alone.reasons
        for name in ("ratio", "se", "low", "high"):
            ours, theirs = getattr(found, name), getattr(alone, name)
            assert (ours is None) == (theirs is None)
            # What a sum leaves of d depends on the order of summing: where all runs agree it is rounding alone.
            assert ours is None or ours == pytest.approx(theirs, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("groups", [3, 400])
def test_pandas_says_the_same(groups: int) -> None:
    """pandas takes n - 1 and type 7 by default; few large and many small groups go two ways inside."""
    made = np.random.default_rng(7)
    of = np.sort(made.integers(0, groups, 2000))
    values = made.beta(8, 3, 2000)
    found = describe_groups(values, np.searchsorted(of, np.arange(groups + 1)))
    by = pd.Series(values).groupby(of)
    expected = {
        "mean": by.mean(), "sd": by.std(), "median": by.median(), "q1": by.quantile(0.25), "q3": by.quantile(0.75),
        "minimum": by.min(), "maximum": by.max(),
    }  # fmt: skip
    assert set(expected) == set(FIGURES)
    for name, series in expected.items():
        ours = getattr(found, name)
        assert ours[series.index] == pytest.approx(series.to_numpy(), rel=1e-12, nan_ok=True)
    assert math.isnan(found.sd[found.counted == 1].sum()) or not (found.counted == 1).any()
