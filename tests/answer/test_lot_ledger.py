"""What is read for one lot or run alone says the same as the whole ledger, and no more of a graph than was asked."""

from __future__ import annotations

import random
from typing import Any

import pytest

from service.analytics.money.ancestry import lineage
from service.answer.ledger import traced_ledger
from service.answer.lot_ancestry import ancestry_of
from service.answer.lot_cost import lot_cost_of
from service.answer.lot_ledger import lot_ledger
from service.answer.run_cost import run_cost_of
from service.answer.snapshot import Memory
from service.errors import UnknownRecord
from tests.answer.desk import TODAY, Desk
from tests.answer.small import eur, run
from tests.answer.test_ledger import traced
from tests.store.book import VITRIOL_LOT, altered
from tests.world import make_world

ALL = 100_000


def asked(desk: Desk, answer: Any, code: str, *, whole: bool, **more: Any) -> dict[str, Any]:
    """Ask in a process that holds the whole ledger, or in one that holds nothing."""
    desk.memory = Memory()
    with desk.opened() as book:
        if whole:
            traced_ledger(book)
        found: dict[str, Any] = answer(book, code, as_of=TODAY, **more)
    return found


@pytest.fixture
def world(desk: Desk) -> Desk:
    desk.load(make_world(8, routes=2, steps_per_route=3, runs_per_step=6))
    return desk


def test_the_part_says_what_the_whole_says(world: Desk) -> None:
    found = traced(world)
    draw = random.Random(8)
    lots = [lot for lot in found.ledger.lots if "/" not in lot]
    runs = [facts.source_code for facts in found.columns.facts if facts.source_kind == "runs"]
    for answer, codes in ((lot_cost_of, lots), (ancestry_of, lots), (run_cost_of, runs)):
        for code in draw.sample(sorted(set(codes)), 6):
            assert asked(world, answer, code, whole=False) == asked(world, answer, code, whole=True), code


def test_what_has_no_lot_of_its_own_is_none(desk: Desk) -> None:
    """A product that was handed over with its run stands in the ledger under a code that nobody gave."""
    desk.fill()
    run(desk, "r1", shelved=False)
    assert "r1/0" in traced(desk).ledger.lots
    for whole in (True, False):
        for code in ("r1/0", "nothing"):
            with pytest.raises(UnknownRecord, match="no lot"):
                asked(desk, lot_cost_of, code, whole=whole)


@pytest.mark.parametrize("most", [1, 2, 3, 7, 20])
def test_a_graph_is_cut_where_it_was_asked_and_counted_beyond(world: Desk, most: int) -> None:
    found = traced(world)
    level = found.ledger.order.level[found.ledger.made_by]
    above, below = found.ledger.lots[int(level.argmax())], found.ledger.lots[int(level.argmin())]
    for whole in (True, False):
        up = asked(world, ancestry_of, above, whole=whole, most=most)["up"]
        every = asked(world, ancestry_of, above, whole=whole, most=ALL)["up"]
        assert every["more"] == 0
        assert up["nodes"] == every["nodes"][:most]
        assert up["more"] == len(every["nodes"]) - len(up["nodes"])
        shown = {node["id"] for node in up["nodes"]}
        assert up["edges"] == [edge for edge in every["edges"] if {edge["from"], edge["to"]} <= shown]
        down = asked(world, ancestry_of, below, whole=whole, most=most)["down"]
        whole_down = lineage(found.ledger, found.ledger.lots.index(below), "down", ALL)
        lots = {found.ledger.lots[node.number] for node in whole_down.nodes if node.kind == "lot"}
        named = {node["code"] for node in down["nodes"] if node["kind"] == "lot"}
        assert len(down["nodes"]) <= most
        assert named <= lots
        assert down["more"] == len({lot for lot in lots if "/" not in lot} - named)


@pytest.mark.parametrize("first", ["undated", "dated"])
def test_a_run_without_a_day_takes_on_that_of_its_latest_lot(desk: Desk, first: str) -> None:
    """Of 3 g that cost 10 millionths the takes of a gram each are worth 3, 4 and 3, by the order in which they were."""
    desk.fill()
    three = altered(VITRIOL_LOT, amount="3 g", value=eur("0.00001"), received_on="2026-03-01")
    desk.put("lots", "small", three)
    desk.put("lots", "late", altered(VITRIOL_LOT, received_on="2026-05-20" if first == "dated" else "2026-03-02"))
    taking = [{"lot": "small", "amount": "1 g"}]
    run(desk, "dated", charges=taking, started_on="2026-04-10", finished_on="2026-04-12")
    run(desk, "undated", charges=[*taking, {"lot": "late", "amount": "1 g"}], started_on=None, finished_on=None)
    expected = 3 if first == "dated" else 4
    whole = traced(desk)
    assert int(whole.traced.lot_micro[whole.ledger.lots.index("dated-lot")]) == expected
    desk.memory = Memory()
    with desk.opened() as book:
        part = lot_ledger(book, "dated-lot")
    assert int(part.traced.lot_micro[part.number]) == expected


@pytest.mark.parametrize(("amount", "grams"), [("10 g", "1 g"), ("900000 kg", "450000 kg")])
def test_what_others_took_of_other_days_is_one_sum(desk: Desk, amount: str, grams: str) -> None:
    """Also where it is so much that no whole number of 64 bits would hold a day's; each take is worth its own part."""
    desk.fill()
    desk.put("lots", "shared", altered(VITRIOL_LOT, amount=amount, value=eur("0.000013"), received_on="2026-03-01"))
    taking = [{"lot": "shared", "amount": grams}]
    days = ["2026-04-10"] * 3 + ["2026-04-11", "2026-04-12", "2026-04-12", "2026-04-14"]
    for number, day in enumerate(days):
        run(desk, f"r{number}", charges=taking, started_on=day, finished_on=day)
    whole = traced(desk)
    told = set()
    for number in range(len(days)):
        desk.memory = Memory()
        with desk.opened() as book:
            part = lot_ledger(book, f"r{number}-lot")
        own = int(part.traced.lot_micro[part.number])
        assert own == int(whole.traced.lot_micro[whole.ledger.lots.index(f"r{number}-lot")]), number
        told.add(own)
    # Thirteen millionths over ten such takes, or over two: what is overdrawn costs what the rest did.
    assert told == ({1, 2} if grams == "1 g" else {6, 7})
