"""Where to push a small book's plan: against its cost, its plan and its runs."""

from __future__ import annotations

import pytest

from service.schemas.push_answers import PushAnswer
from tests.answer.desk import Desk, named
from tests.answer.small import five_runs


@pytest.fixture
def bench(desk: Desk) -> Desk:
    """Five runs of either step, and a shop."""
    return five_runs(desk)


def test_what_a_step_would_save(bench: Desk) -> None:
    found, cost = bench.push("oxide", 10.0, stock="none"), bench.cost("oxide")
    assert set(found) >= set(PushAnswer().fields)
    assert found["cost_per_g"] == pytest.approx(cost["cost_per_g"])
    assert found["p_reach"] == bench.plan("oxide", 10.0, stock="none")["p_reach"]
    for line in found["steps"]:
        told = named(cost["by_step"], step=line["step"])
        assert line["at_best_run"]["saving_per_g"] == pytest.approx(told["attainable_per_g"])
        assert line["at_limit"]["saving_per_g"] == pytest.approx(told["leak_per_g"])
        assert line["at_limit"]["p_reach_gain"] >= line["at_best_run"]["p_reach_gain"] > 0.0
    assert sum(line["cost_follows"] for line in found["prices"]) == pytest.approx(1.0)
    assert sum(line["share"] for line in found["variance"]) + found["interaction"] == pytest.approx(1.0)
    assert found["measure_next"]["step"] in {"carbonate", "roast"}
    assert "one more run" in found["measure_next"]["detail"]
    assert {line["part"] for line in found["tornado"]} == {"level", "failure", "price"}


def test_without_a_price_the_probabilities_stand(desk: Desk) -> None:
    found = five_runs(desk, "ash-1kg").push("oxide", 10.0, stock="none")
    assert found["cost_per_g"] is None
    assert "soda-ash" in found["reasons"]["cost_per_g"]
    assert found["prices"] == []
    assert all(line["at_limit"]["saving_per_g"] is None for line in found["steps"])
    assert all(line["at_limit"]["p_reach_gain"] > 0.0 for line in found["steps"])
    assert all(line["cost_per_g_at_low"] is None for line in found["tornado"])
