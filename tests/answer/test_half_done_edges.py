"""Edges of the questions about plans: a day on which today cannot be planned, and the product itself in hand."""

from __future__ import annotations

import pytest

from tests.answer.desk import Desk
from tests.answer.small import five_runs
from tests.answer.test_plan import ONLY_SQLITE, limited

pytestmark = ONLY_SQLITE


@pytest.fixture
def bench(desk: Desk) -> Desk:
    """Five runs of either step, and a shop."""
    return five_runs(desk)


def test_today_cannot_be_planned_and_a_scenario_can(bench: Desk) -> None:
    bench.put("routes", "oxide", limited(largest="0.1 g"))
    larger = {"changes": [{"kind": "limits", "step": "carbonate", "largest": "50 g"}]}
    found = bench.what_if("oxide", larger, target="5 g", stock="none")
    assert found["today"]["p_reach"] is None
    assert "200 batches" in found["today"]["reasons"]["plan"]
    (scenario,) = found["scenarios"]
    assert scenario["p_reach"] >= 0.9
    assert scenario["difference"] is None
    assert "no plan of today" in scenario["reasons"]["difference"]


def test_the_product_itself_in_hand_counts(bench: Desk) -> None:
    asked = {"target": "5 g", "stock": "none"}
    some = bench.carry_on("oxide", {"step": "roast", "amount": "2 g"}, **asked)
    assert some["p_reach"] == 0.0
    assert some["expected_product_g"] == pytest.approx(2.0)
    bare = bench.plan("oxide", 5.0, stock="none", trials=4096)["starting_materials"][0]["amount_g"]
    start = some["plan"]["starting_materials"][0]["amount_g"]
    assert start < bare
    # One line and no limits: what is begun follows from what is still wanted.
    alone = bench.plan("oxide", 3.0, stock="none", trials=4096)["starting_materials"][0]["amount_g"]
    assert start == pytest.approx(alone, rel=1e-6)
    full = bench.carry_on("oxide", {"step": "roast", "amount": "5 g"}, **asked)
    assert (full["p_reach"], full["enough"]) == (1.0, True)
    assert full["one_more_batch"] == [] or all(not each["pays"] for each in full["one_more_batch"])


def test_another_currency_without_a_rate(bench: Desk) -> None:
    """Of one scenario: it has nulls with the reason."""
    price = {"amount": "3", "currency": "CHF"}
    dear = {"changes": [{"kind": "price", "offer": "ash-1kg", "price": price}]}
    far = {"changes": [{"kind": "target", "target": "6 g"}]}
    found = bench.what_if("oxide", dear, far, target="5 g", stock="none")
    assert "exchange rate" in found["scenarios"][0]["reasons"]["plan"]
    assert found["scenarios"][1]["p_reach"] >= 0.9
