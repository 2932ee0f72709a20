"""What is behind a gram: the worked ledger to its digits, both roads, and the graph up and down."""

from __future__ import annotations

import numpy as np
import pytest

from service.analytics.money.ancestry import behind, lineage
from service.analytics.money.ledger import Event, Kind, Ledger, Make, ledger_of
from service.analytics.money.traced import traced_cost
from service.errors import NotComputable
from tests.analytics.ledgers import EURO, G, bought, number, on, takes, worked_ledger
from tests.benchmarks.ledger import drawn_columns, ledger_from_drawn


def test_behind_a_gram_of_the_worked_ester() -> None:
    ledger = worked_ledger()
    found = behind(ledger, number(ledger, "ester"))
    amounts = {ledger.lots[one.lot]: round(one.amount, 4) for one in found.bought}
    assert amounts == {"benzoate": 1.6392, "acid": 0.7376, "ethanol": 1.6765, "old-ethanol": 0.2794}
    cost_per_g = (found.direct_micro + sum(one.micro for one in found.bought)) * G / EURO
    assert cost_per_g == pytest.approx(0.0610720, abs=0.5e-7)
    assert found.amounts[number(ledger, "pool")] == pytest.approx(200 * 0.95 / 170)


def test_what_events_have_is_behind_a_gram_by_the_same_parts() -> None:
    ledger = worked_ledger()
    found = behind(ledger, number(ledger, "pool"))
    runs = {code: event for event, code in enumerate(ledger.events)}
    waste_g = {runs["acidify-1"]: 300.0, runs["acidify-2"]: 400.0, runs["acidify-3"]: 500.0}
    # All of the first lot and 100 of 120 g of the second went into 250 g.
    expected = (300.0 + 400.0 * 100 / 120) / 250
    assert found.embodied(waste_g) * G == pytest.approx(expected)
    assert found.embodied([waste_g.get(event, 0.0) for event in range(len(ledger.events))]) * G == pytest.approx(
        expected
    )


@pytest.fixture(scope="module")
def drawn() -> Ledger:
    return ledger_from_drawn(drawn_columns(400))


def test_the_forward_and_the_backward_road_agree(drawn: Ledger) -> None:
    """Forwards, (I − A)⁻¹ for all lots at once; backwards, one walk a lot."""
    lots = len(drawn.lots)
    share = drawn.weight / drawn.whole[drawn.made_by] / drawn.quantity
    inner = np.zeros((lots, lots))
    for event, lot, quantity in zip(drawn.take_event, drawn.take_lot, drawn.take_quantity, strict=True):
        made = np.flatnonzero(drawn.made_by == event)
        inner[made, lot] += share[made] * quantity
    every = np.linalg.inv(np.eye(lots) - inner)
    unit_cost = every @ (share * drawn.cost[drawn.made_by])
    traced = traced_cost(drawn)
    for lot in range(0, lots, 23):
        found = behind(drawn, lot)
        amounts = np.zeros(lots)
        amounts[list(found.amounts)] = list(found.amounts.values())
        assert amounts == pytest.approx(every[lot], rel=1e-9, abs=1e-12)
        cost = found.direct_micro + sum(one.micro for one in found.bought)
        assert cost == pytest.approx(unit_cost[lot], rel=1e-9)
        assert cost * drawn.quantity[lot] == pytest.approx(float(traced.lot_micro[lot]), abs=10)


def test_a_lot_touches_its_ancestors_alone(drawn: Ledger) -> None:
    lot = int(np.flatnonzero(drawn.kind[drawn.made_by] == Kind.PURCHASE)[0])
    assert behind(drawn, lot).amounts == {lot: 1.0}
    assert set(behind(drawn, lot).events) == {int(drawn.made_by[lot])}


def test_credits_share_what_is_behind_as_they_share_the_cost() -> None:
    makes = (Make("main", 10 * G), Make("side", 10 * G, weight=0, credit_micro=EURO // 4))
    run = Event("run", Kind.FINISHED, on(2), takes=takes(soda=20 * G), makes=makes)
    ledger = ledger_of([bought("soda", 20 * G, EURO), run])
    amounts = [behind(ledger, number(ledger, lot)).bought[0].amount for lot in ("main", "side")]
    assert amounts == pytest.approx([1.5, 0.5])


def test_of_a_lot_without_an_amount_nothing_is_said() -> None:
    vague = Event("run", Kind.FINISHED, on(2), takes=takes(soda=G), makes=(Make("paste", None),))
    later = Event("use", Kind.FINISHED, on(3), takes=takes(paste=G), makes=(Make("cake", G),))
    ledger = ledger_of([bought("soda", 10 * G, EURO), vague, later])
    with pytest.raises(NotComputable, match="paste"):
        behind(ledger, number(ledger, "paste"))
    assert behind(ledger, number(ledger, "cake")).bought == ()


def test_the_graph_up_and_down() -> None:
    ledger = worked_ledger()
    up = lineage(ledger, number(ledger, "pool"), "up")
    named = [ledger.lots[node.number] if node.kind == "lot" else ledger.events[node.number] for node in up.nodes]
    assert named[:6] == ["pool", "pooling", "acid-1", "acid-2", "acidify-1", "acidify-2"]
    assert sorted(named[6:]) == ["acid", "acid", "benzoate", "benzoate"]  # lots and what they were bought by
    assert len(up.nodes) == 10
    assert len(up.edges) == 1 + 2 + 2 + 4 + 2
    assert up.complete
    down = lineage(ledger, number(ledger, "pool"), "down")
    assert [node.kind for node in down.nodes] == ["lot", "finished", "lot", "lot", "delivery"]
    assert [edge.quantity // G for edge in down.edges] == [200, 170, 180, 170]


def test_the_graph_is_bounded() -> None:
    ledger = worked_ledger()
    found = lineage(ledger, number(ledger, "ester"), "up", most=3)
    assert len(found.nodes) == 3
    assert not found.complete
    assert all(edge.tail in found.nodes and edge.head in found.nodes for edge in found.edges)
