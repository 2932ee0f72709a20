"""Which groupings cannot be told apart."""

from __future__ import annotations

import numpy as np
import pytest

from service.analytics.statistics.confounding import confounded


def names(groupings: dict[str, list[int]]) -> list[tuple[str, str]]:
    return [(pair.first, pair.second) for pair in confounded({k: np.array(v) for k, v in groupings.items()})]


def test_two_names_of_one_grouping_are_the_closest() -> None:
    one = [0, 1, 2] * 10
    (found,) = confounded({"operator": np.array(one), "month": np.array([5 - each for each in one])})
    assert found.association == pytest.approx(1.0)
    assert found.apart == 0.0
    assert found.runs == 30


def test_groupings_drawn_apart_are_hardly_ever_named() -> None:
    source = np.random.default_rng(1)
    named = sum(
        bool(names({"a": source.integers(0, 4, 40).tolist(), "b": source.integers(0, 12, 40).tolist()}))
        for _ in range(200)
    )
    assert named == 0


def test_a_few_runs_apart_still_leave_them_close_but_not_the_same() -> None:
    operator = np.repeat([0, 1], 20)
    month = operator.copy()
    month[[3, 30]] = 1 - month[[3, 30]]
    (found,) = confounded({"operator": operator, "month": month})
    assert found.association == pytest.approx(0.9, abs=0.02)
    assert found.apart == 1.0


def test_lots_of_one_run_each_are_not_the_months_fault() -> None:
    assert names({"lot": list(range(30)), "month": [run // 5 for run in range(30)]}) == []


def test_runs_without_a_group_are_left_out_of_the_pair() -> None:
    assert names({"operator": [0, 0, 1, 1, -1, -1], "lot": [-1, -1, -1, -1, 0, 1]}) == []
    (found,) = confounded({"a": np.array([0, 0, 0, 1, 1, 1, -1]), "b": np.array([1, 1, 1, 0, 0, 0, 0])})
    assert found.runs == 6


def test_the_rank_of_the_joint_design_is_the_groups_less_the_parts() -> None:
    source = np.random.default_rng(2)
    for _ in range(30):
        a, b = source.integers(0, 5, 14), source.integers(0, 4, 14)
        for pair in confounded({"a": a, "b": b}, least=0.0):
            one, other = np.unique(a), np.unique(b)
            design = np.hstack([a[:, None] == one, b[:, None] == other]).astype(float)
            fewer = min(one.size, other.size)
            parts = one.size + other.size - np.linalg.matrix_rank(design)
            assert pair.apart == pytest.approx((fewer - parts) / (fewer - 1))
