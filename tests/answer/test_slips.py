"""Slips in the record of a run: found when it is read, gone when it is corrected, and never kept."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from service.analytics.statistics.slips import slips_of
from service.answer.slips import SAID, finding_of, slips_in
from service.store.outcomes import stored_outcomes
from service.store.records import many
from tests.answer.desk import Desk
from tests.answer.small import run
from tests.store.book import CARBONATE_RUN, altered
from tests.world import World, make_world

NETS = ("20.41", "18.20", "21.75", "19.00", "20.90")
OUTTURN = {"material": "malachite", "assay": "0.96"}


def weighed(desk: Desk, code: str, net: str, day: int, **changes: Any) -> None:
    outturns = [{**OUTTURN, "net": f"{net} g"}]
    run(desk, code, shelved=False, finished_on=f"2026-05-{day:02d}", outturns=outturns, **changes)


def slip_in(desk: Desk, code: str) -> dict[str, Any] | None:
    found = [finding for finding in desk.view("runs", code)["findings"] if finding["code"] == "slip"]
    assert len(found) <= 1
    return found[0] if found else None


@pytest.fixture
def usual(desk: Desk) -> Desk:
    """Five ordinary runs of a step."""
    desk.fill()
    for day, net in enumerate(NETS, start=1):
        weighed(desk, f"A-{day}", net, day)
    return desk


def test_ordinary_runs_are_left_in_peace(usual: Desk) -> None:
    assert [slip_in(usual, f"A-{day}") for day in range(1, 6)] == [None] * 5


def test_a_thousandfold_is_asked_about_until_it_is_corrected(usual: Desk) -> None:
    weighed(usual, "A-6", "20100", 6)
    found = slip_in(usual, "A-6")
    assert found is not None
    assert found["slip"] == "times-1000"
    assert found["odds"] > 1000
    assert found["compared_runs"] == 5
    written = usual.view("runs", "A-6")["result"]["yield"]
    assert found["typical_yield"] == pytest.approx(written / 1000, rel=0.1)
    assert "1000 times too large" in found["detail"]
    assert "look first at what was weighed out" in found["detail"]
    # Nothing is repaired, nothing is left out: the yield stands as written and counts.
    assert usual.yields("oxide")["steps"][0]["runs"]["counted"] == 6
    # It does not hide behind itself, nor does it make the next run look odd.
    weighed(usual, "A-7", "20100", 7)
    weighed(usual, "A-8", "19.90", 8)
    assert slip_in(usual, "A-7") is not None
    assert slip_in(usual, "A-8") is None
    weighed(usual, "A-6", "20.10", 6)
    assert slip_in(usual, "A-6") is None


def test_a_later_run_does_not_speak_of_an_earlier_one(usual: Desk) -> None:
    weighed(usual, "A-0", "20100", 1)
    assert slip_in(usual, "A-0") is None  # nothing stands before it: neither an earlier day nor an earlier code
    weighed(usual, "A-9", "20100", 4)
    found = slip_in(usual, "A-9")
    assert found is not None
    assert found["compared_runs"] == 4  # the runs up to its own day, without the odd one among them


def test_what_was_charged_is_looked_at_first_where_the_batch_is_odd(usual: Desk) -> None:
    charges = [{"lot": "vitriol-1", "amount": "50 mg"}, {"material": "soda-ash", "amount": "23.5 g"}]
    charges.append({"material": "water", "amount": "400 mL"})
    weighed(usual, "A-6", "20.41", 6, charges=charges)
    found = slip_in(usual, "A-6")
    assert found is not None
    assert found["slip"] == "times-1000"
    assert "look first at what was charged: this batch is 0.05 g, the usual one 50 g" in found["detail"]


@pytest.mark.parametrize(
    "changes",
    [
        {"exclude": {"reason": "the balance was off"}},
        {"status": "failed", "outturns": []},
        {"status": "abandoned", "outturns": []},
    ],
)
def test_a_run_that_counts_nowhere_is_compared_with_nothing(usual: Desk, changes: dict[str, Any]) -> None:
    told = {"finished_on": "2026-05-06", "outturns": [{**OUTTURN, "net": "20100 g"}], **changes}
    body = altered(CARBONATE_RUN, **told)
    usual.put("runs", "A-6", body)
    assert slip_in(usual, "A-6") is None


def test_runs_of_other_steps_and_other_workshops_are_no_measure(usual: Desk) -> None:
    other = Desk(usual.database, "next door")
    other.fill()
    weighed(other, "A-6", "20100", 6)
    assert slip_in(other, "A-6") is None  # nothing of its own before it


def test_runs_without_a_day_are_compared_with_each_other(desk: Desk) -> None:
    desk.fill()
    for number, net in enumerate((*NETS, "20100"), start=1):
        body = altered(CARBONATE_RUN, outturns=[{**OUTTURN, "net": f"{net} g"}])
        desk.put("runs", f"A-{number}", {name: value for name, value in body.items() if name != "finished_on"})
    assert slip_in(desk, "A-5") is None
    assert slip_in(desk, "A-6") is not None


def test_a_tare_left_in_needs_a_lone_net(usual: Desk) -> None:
    for day in range(6, 21):
        weighed(usual, f"B-{day}", NETS[day % 5], day)
    weighed(usual, "A-6", f"{121.90 + 20.0:.2f}", 21)
    found = slip_in(usual, "A-6")
    assert found is not None
    assert found["slip"] == "tare-left-in"
    both = [{**OUTTURN, "gross": "263.80 g", "tare": "121.90 g"}]
    run(usual, "A-6", shelved=False, finished_on="2026-05-21", outturns=both)
    otherwise = slip_in(usual, "A-6")
    assert otherwise is None or otherwise["slip"] != "tare-left-in"


def test_a_hydrate_is_weighed_by_its_water(desk: Desk) -> None:
    from service.domain.formula import parse_formula
    from service.domain.hydrate import with_water

    # 249.68 and 159.60 g/mol are the printed molar masses of the two (OpenStax Chemistry 2e).
    assert with_water(parse_formula("CuSO4.5H2O")) == pytest.approx(249.68 / 159.60, rel=1e-4)
    assert with_water(parse_formula("CaSO4·½H2O")) == pytest.approx(145.15 / 136.14, rel=1e-4)
    assert with_water(parse_formula("CuSO4")) is None
    assert with_water(parse_formula("H2O")) is None


def test_every_kind_has_words() -> None:
    for kind in SAID:
        assert SAID[kind]


@pytest.mark.parametrize("kinds", [("x1000", "/1000"), ("x10", "/10", "ounces"), ("tare left in",)])
def test_planted_slips_are_found_in_a_book_and_no_others(desk: Desk, kinds: tuple[str, ...]) -> None:
    world = make_world(17, routes=1, steps_per_route=3, runs_per_step=40, slips=0.12, slip_kinds=kinds)
    desk.load(world)
    found, looked_at = found_in(desk, world)
    planted = {code: slip for code, slip in world.truth.slips().items() if code in looked_at}
    assert len(planted) >= 6
    caught = planted.keys() & found.keys()
    if kinds == ("x1000", "/1000"):
        assert caught == planted.keys()
        names = {"x1000": "times-1000", "/1000": "over-1000"}
        assert all(found[code]["slip"] == names[planted[code]] for code in caught)
    elif "x10" in kinds:
        assert len(caught) >= 0.7 * len(planted)
    else:
        # A tare is seen where it is much beside the net, and not where it is little.
        runs = {code: world.truth.runs[code] for code in planted}
        times = {code: each.written_yield / each.true_yield for code, each in runs.items()}
        assert caught >= {code for code, factor in times.items() if factor > 8.0}
        assert caught
        assert all(times[code] > 1.5 for code in caught)
    assert not found.keys() - planted.keys()


def found_in(desk: Desk, world: World) -> tuple[dict[str, Any], set[str]]:
    """The slips of a book, and the counted runs with at least five of their step before them."""
    with desk.opened() as book:
        found = slips_in(book, many(book.reading, "runs"), stored_outcomes(book.reading))
    late: set[str] = set()
    for route, step in world.truth.steps:
        runs = [r for r in world.truth.runs.values() if (r.route, r.step) == (route, step) and r.counted]
        runs.sort(key=lambda each: (each.finished_on, each.code))
        late |= {each.code for each in runs[5:]}
    return {code: each for code, each in found.items() if code in late}, late


def test_nothing_is_asked_where_nothing_was_planted(large: Desk, large_world: World) -> None:
    found, late = found_in(large, large_world)
    assert not large_world.truth.slips()
    assert len(late) > 4000
    assert len(found) <= 0.001 * len(late), [each["detail"] for each in found.values()]


def test_one_run_and_all_runs_at_once_say_the_same(usual: Desk) -> None:
    weighed(usual, "A-6", "20100", 6)
    codes = [f"A-{number}" for number in range(1, 7)]
    with usual.opened() as book:
        outcomes = stored_outcomes(book.reading, codes)
        alone = slips_in(book, many(book.reading, "runs", codes), outcomes)
        odds = slips_of([outcomes[code].row["yield_fraction"] for code in codes])
        assert np.flatnonzero(odds.asks()).tolist() == [5]
        together = finding_of(odds, 5, outcomes["A-6"], [outcomes[code].row["batch_g"] for code in codes[:5]])
    assert together["slip"] == alone["A-6"]["slip"]
    assert together["typical_yield"] == pytest.approx(alone["A-6"]["typical_yield"])
