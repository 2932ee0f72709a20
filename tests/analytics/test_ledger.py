"""Traced cost and the identity: a worked ledger to its digits, a large one against floats, and what is refused."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from service.analytics.money import traced as tracing
from service.analytics.money.identity import Balance, balance, breaches, stock_on
from service.analytics.money.ledger import Event, Kind, Ledger, Make, Take, ledger_from, ledger_of
from service.analytics.money.loaded import loaded_cost
from service.analytics.money.traced import Traced, lot_values, traced_cost, unpriced_behind
from service.errors import Conflict, NotComputable
from tests.analytics.ledgers import EURO, G, bought, number, on, takes, worked_events, worked_ledger
from tests.benchmarks.ledger import drawn_columns, ledger_from_drawn, rows


def per_g(ledger: Ledger, traced: Traced, lot: str) -> float:
    at = number(ledger, lot)
    return float(traced.lot_micro[at] / EURO / (ledger.quantity[at] / G))


def value_of(ledger: Ledger, lot: str) -> int:
    return int(traced_cost(ledger).lot_micro[number(ledger, lot)])


def balanced(ledger: Ledger, day: int | None = None) -> Balance:
    """The balance of a day, which has no difference and no breach."""
    traced = traced_cost(ledger)
    as_of = () if day is None else (on(day).toordinal(),)
    found = balance(ledger, traced, *as_of)
    assert found.difference == 0
    assert breaches(ledger, traced, *as_of) == []
    return found


def in_euro(amounts: dict[str, int]) -> dict[str, float]:
    return {name: micro / EURO for name, micro in amounts.items() if micro}


# The worked ledger (invented, worked by hand to the digits that are asked).


@pytest.mark.parametrize(
    ("lot", "cost_per_g"),
    [("acid-1", 0.0262667), ("acid-2", 0.0328333), ("pool", 0.0288933), ("ester", 0.0610720), ("recovered", 0.0030357)],
)
def test_a_gram_of_every_lot_of_the_worked_ledger(lot: str, cost_per_g: float) -> None:
    ledger = worked_ledger()
    assert per_g(ledger, traced_cost(ledger), lot) == pytest.approx(cost_per_g, abs=0.5e-7 * (1 + 1e-6))


def test_both_sides_of_the_worked_ledger() -> None:
    found = balanced(worked_ledger())
    assert found.sources == {"opening": 150_000, "purchases": 26 * EURO, "direct": 5 * EURO}
    assert in_euro(dict(found.uses)) == pytest.approx(
        {"delivered": 10.3822, "failures": 3.94, "stock": 16.8278}, abs=5e-5
    )
    assert sum(found.uses.values()) == 31_150_000


def test_the_worked_ledger_day_by_day() -> None:
    ledger = worked_ledger()
    assert in_euro(dict(balanced(ledger, 1).uses)) == {"stock": 26.15}
    assert in_euro(dict(balanced(ledger, 3).uses)) == {"failures": 3.94, "stock": 25.21}
    begun = balanced(ledger, 4)  # the esterification has begun and ends on the 6th
    assert begun.uses["work_in_progress"] / EURO == pytest.approx(10.928667, abs=2e-6)
    assert balanced(ledger, 6).uses["work_in_progress"] == 0
    assert balanced(ledger, 6).uses["delivered"] == 0
    assert sum(balanced(replace_status(Kind.OPEN)).uses.values()) == 31_150_000


def replace_status(kind: Kind) -> Ledger:
    """The worked ledger with another ending of the esterification, of which nothing has come out."""
    events = [
        replace(event, kind=kind, makes=(), ended=None) if event.code == "esterify-1" else event
        for event in worked_events()
        if event.code != "handed-over"
    ]
    return ledger_of(events)


@pytest.mark.parametrize(
    ("kind", "line"), [(Kind.OPEN, "work_in_progress"), (Kind.FAILED, "failures"), (Kind.ABANDONED, "abandoned")]
)
def test_a_run_that_made_nothing_has_a_line_of_its_own(kind: Kind, line: str) -> None:
    uses = balanced(replace_status(kind)).uses
    assert uses[line] / EURO == pytest.approx(10.928667 + 3.94 * (kind == Kind.FAILED), abs=2e-6)


# Rounding.


def test_small_charges_lose_nothing_to_rounding() -> None:
    # 40 charges of 1.5 g at 2.40 a kilogram are 0.144 together, not 40 times the nearest cent of 0.0036.
    charges = [Event(f"try-{run:02}", Kind.SAMPLE, on(2), takes=takes(soda=3 * G // 2)) for run in range(40)]
    ledger = ledger_of([bought("soda", 1000 * G, 2_400_000), *charges])
    assert balanced(ledger).uses["samples"] == 144_000


def test_the_last_take_takes_what_is_left() -> None:
    thirds = [Event(f"third-{part}", Kind.SAMPLE, on(2 + part), takes=takes(soda=1)) for part in range(3)]
    ledger = ledger_of([bought("soda", 3, 100), *thirds])
    traced = traced_cost(ledger)
    assert traced.take_micro.tolist() == [33, 34, 33]
    assert stock_on(ledger, traced).micro.tolist() == [0]


def test_shares_of_a_run_sum_to_its_cost() -> None:
    makes = tuple(Make(f"part-{part}", G, weight=1) for part in range(3))
    ledger = ledger_of([Event("split", Kind.FINISHED, on(1), cost_micro=100, makes=makes)])
    assert sorted(traced_cost(ledger).lot_micro.tolist()) == [33, 33, 34]


def test_an_overdrawn_lot_goes_on_at_its_unit_value() -> None:
    ledger = ledger_of([bought("soda", 10 * G, EURO), Event("use", Kind.SAMPLE, on(2), takes=takes(soda=15 * G))])
    stock = stock_on(ledger, traced_cost(ledger))
    assert stock.quantity.tolist() == [-5 * G]
    assert stock.micro.tolist() == [-EURO // 2]
    assert balanced(ledger).uses["samples"] == EURO * 3 // 2


def test_a_recount_goes_both_ways_at_the_unit_value() -> None:
    more = Event("more", Kind.RECOUNT, on(2), takes=takes(soda=-2 * G))
    less = Event("less", Kind.RECOUNT, on(3), takes=takes(soda=5 * G))
    ledger = ledger_of([bought("soda", 10 * G, EURO), more, less])
    assert balanced(ledger, 2).uses["adjustments"] == -EURO // 5
    assert balanced(ledger).uses["adjustments"] == EURO * 3 // 10
    assert balanced(ledger).uses["stock"] == EURO * 7 // 10


def test_entries_that_take_stock_away_have_lines_of_their_own() -> None:
    kinds = {Kind.WRITE_OFF: "write_offs", Kind.DISPOSAL: "disposals", Kind.SAMPLE: "samples"}
    gone = [Event(line, kind, on(2), takes=takes(soda=G)) for kind, line in kinds.items()]
    uses = balanced(ledger_of([bought("soda", 10 * G, EURO), *gone])).uses
    assert {line: uses[line] for line in kinds.values()} == dict.fromkeys(kinds.values(), EURO // 10)


def test_a_fee_goes_where_its_event_goes() -> None:
    tip = Event("tip", Kind.DISPOSAL, on(2), cost_micro=7, takes=takes(soda=G))
    assert balanced(ledger_of([bought("soda", 10 * G, EURO), tip])).uses["disposals"] == EURO // 10 + 7


# Shares, credits, recovered material.


def test_a_credit_is_carried_first_and_at_most_the_cost() -> None:
    for cost, expected in ((1000, [970, 30]), (20, [0, 20])):
        makes = (Make("main", G, weight=1), Make("side", G, weight=0, credit_micro=30))
        ledger = ledger_of([Event("run", Kind.FINISHED, on(1), cost_micro=cost, makes=makes)])
        assert traced_cost(ledger).lot_micro.tolist() == expected
        balanced(ledger)


def test_a_failure_costs_less_by_what_was_recovered() -> None:
    recovered = (Make("solvent", G, weight=3),)
    ledger = ledger_of([Event("run", Kind.FAILED, on(1), cost_micro=1000, makes=recovered, whole=10)])
    assert balanced(ledger).uses["failures"] == 700
    assert value_of(ledger, "solvent") == 300


# Unknown is not nothing.


def test_what_has_no_price_is_unknown_downstream_and_a_price_of_0_is_known() -> None:
    gift = bought("gift", 10 * G, 0)
    lost = replace(bought("receipt-lost", 10 * G, 0), unpriced=("receipt-lost",))
    one = Event("one", Kind.FINISHED, on(2), cost_micro=5, takes=takes(gift=G), makes=(Make("a", G),))
    two = Event("two", Kind.FINISHED, on(2), takes=takes(receipt_lost=G, a=G), makes=(Make("b", G), Make("c", G, 0)))
    ledger = ledger_of([gift, lost, one, two])
    traced = traced_cost(ledger)
    unknown = {ledger.lots[lot] for lot in np.flatnonzero(traced.unknown_lots)}
    assert unknown == {"receipt-lost", "b"}  # "c" carries nothing of it
    assert unpriced_behind(ledger, number(ledger, "b")) == ("receipt-lost",)
    assert unpriced_behind(ledger, number(ledger, "a")) == ()
    assert value_of(ledger, "b") == 5  # at least
    assert balanced(ledger).unpriced == ("receipt-lost",)
    assert traced.unknown_events[list(ledger.events).index("two")]


def test_an_amount_that_is_not_known_has_no_known_cost() -> None:
    vague = Event("run", Kind.FINISHED, on(2), takes=(Take("soda", None),), makes=(Make("a", None),))
    later = Event("use", Kind.FINISHED, on(3), takes=takes(a=G), makes=(Make("b", G),))
    ledger = ledger_of([bought("soda", 10 * G, EURO), vague, later])
    traced = traced_cost(ledger)
    assert traced.unknown_lots[[number(ledger, "a"), number(ledger, "b")]].all()
    assert unpriced_behind(ledger, number(ledger, "b")) == ("a", "soda")
    balanced(ledger)


def test_a_lot_of_nothing_keeps_its_value() -> None:
    ledger = ledger_of([bought("soda", 0, EURO), Event("use", Kind.SAMPLE, on(2), takes=takes(soda=G))])
    found = balanced(ledger)
    assert (found.uses["samples"], found.uses["stock"]) == (0, EURO)
    assert traced_cost(ledger).unknown_events[list(ledger.events).index("use")]


# Order.


def refusal(events: list[Event]) -> Conflict:
    with pytest.raises(Conflict) as caught:
        ledger_of(events)
    return caught.value


def test_within_a_day_who_feeds_whom_decides() -> None:
    chain = [
        Event(code, Kind.FINISHED, on(1), takes=takes(**{before: G}), makes=(Make(made, G),))
        for code, before, made in (("a", "two", "three"), ("b", "one", "two"), ("c", "soda", "one"))
    ]
    ledger = ledger_of([*chain, bought("soda", G, 90)])
    assert value_of(ledger, "three") == 90
    assert dict(zip(ledger.events, ledger.order.level.tolist(), strict=True)) == {"a": 3, "b": 2, "c": 1, "soda": 0}


def test_a_lot_is_not_its_own_ancestor() -> None:
    a = Event("a", Kind.FINISHED, on(2), takes=takes(two=G, soda=G), makes=(Make("one", G),))
    b = Event("b", Kind.POOL, on(2), takes=takes(one=G), makes=(Make("two", G),))
    after = Event("c", Kind.FINISHED, on(2), takes=takes(one=G), makes=(Make("three", G),))
    found = refusal([bought("soda", G, 1), after, a, b])
    assert found.code == "own-ancestor"
    assert set(found.extra["events"]) == {"a", "b"}
    assert found.extra["lot"] in {"one", "two"}
    alone = Event("a", Kind.FINISHED, on(2), takes=takes(one=G), makes=(Make("one", G),))
    assert refusal([alone]).extra == {"lot": "one", "events": ["a"]}


def test_a_lot_is_not_used_before_it_existed() -> None:
    early = Event("early", Kind.SAMPLE, on(1), takes=takes(soda=G))
    found = refusal([early, bought("soda", G, 1, day=2)])
    assert (found.code, found.extra) == ("before-it-existed", {"lot": "soda", "events": ["soda", "early"]})
    unfinished = Event("unfinished", Kind.OPEN, on(1), makes=(Make("paste", G),))
    assert refusal([unfinished, Event("use", Kind.SAMPLE, on(9), takes=takes(paste=G))]).code == "before-it-existed"


def test_lots_are_made_once_and_known() -> None:
    assert refusal([bought("soda", G, 1), replace(bought("soda", G, 1), code="again")]).code == "made-twice"
    assert refusal([Event("use", Kind.SAMPLE, on(1), takes=takes(soda=G))]).code == "no-such-lot"


@pytest.mark.parametrize(
    ("event", "why"),
    [
        (Event("run", Kind.FINISHED, on(1), makes=(Make("a", G, 1),), whole=2), "do not sum to 1"),
        (Event("run", Kind.FAILED, on(1), makes=(Make("a", G, 3),), whole=2), "more than 1"),
        (Event("run", Kind.FINISHED, on(2), on(1)), "ends before"),
        (Event("run", Kind.POOL, on(2)), "makes no lot"),
        (Event("run", Kind.FAILED, on(2), makes=(Make("a", -1),)), "at least 0"),
    ],
)
def test_columns_that_contradict_themselves_are_refused(event: Event, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        ledger_of([event])


def test_takes_come_sorted_and_numbers_within_64_bits() -> None:
    columns = drawn_columns(50)
    with pytest.raises(ValueError, match="sorted"):
        ledger_from_drawn(columns | {"take_event": columns["take_event"][::-1]})
    with pytest.raises(NotComputable):
        ledger_of([bought("soda", 10**19, 1)])


# A large ledger.


@pytest.fixture(scope="module")
def large() -> Ledger:
    return ledger_from_drawn(drawn_columns(10_000))


def test_ten_thousand_lots_cost_what_floats_say(large: Ledger) -> None:
    """k = A·k + c by adding A·k until nothing more comes: as often as the graph is deep."""
    part = large.take_quantity / large.quantity[large.take_lot]
    share = large.weight / large.whole[large.made_by]
    own = share * large.cost[large.made_by]
    value, load, rounds = own.copy(), own, 0
    while load.any():
        into = np.bincount(large.take_event, weights=part * load[large.take_lot], minlength=len(large.events))
        load = share * into[large.made_by]
        value += load
        rounds += 1
    assert 1 < rounds <= large.order.level.max() + 1
    assert np.abs(traced_cost(large).lot_micro - value).max() < 10.0  # 10⁻⁵ of the currency


def test_all_roads_give_the_same_millionths(large: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tracing, "_WIDE", 0)
    by_levels = traced_cost(large)
    monkeypatch.setattr(tracing, "_by_levels", lambda ledger: None)
    one_by_one = traced_cost(large)
    for name in ("lot_micro", "take_micro", "total_micro", "rest_micro"):
        assert getattr(by_levels, name).dtype == np.int64
        assert np.array_equal(getattr(by_levels, name), getattr(one_by_one, name))
    some = list(range(0, len(large.lots), 997))
    found = lot_values(large, some)
    assert {lot: found[lot] for lot in some} == {lot: int(by_levels.lot_micro[lot]) for lot in some}


def test_the_identity_of_a_large_ledger_holds_on_any_day(large: Ledger) -> None:
    traced = traced_cost(large)
    for day in np.linspace(large.begun.min() - 1, large.begun.max() + 1, 7).astype(int).tolist():
        found = balance(large, traced, day)
        assert found.difference == 0
        assert breaches(large, traced, day) == []
    assert found.uses["failures"] > 0


@pytest.mark.parametrize(("quantity", "cost"), [(9 * 10**18, 9 * 10**18), (3, 9 * 10**18), (9 * 10**18, 7)])
def test_numbers_near_64_bits_are_counted_exactly(quantity: int, cost: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tracing, "_WIDE", 0)
    events = [bought(f"lot-{lot}", quantity, cost) for lot in range(3)]
    uses = [
        Event(f"use-{use}", Kind.FINISHED, on(2), cost_micro=cost, makes=(Make(f"made-{use}", quantity),),
              takes=tuple(Take(f"lot-{lot}", quantity - use) for lot in range(3)))
        for use in range(3)
    ]  # fmt: skip
    assert sum(balanced(ledger_of([*events, *uses])).sources.values()) == 6 * cost


# A breach is found where it is.


@pytest.mark.parametrize(("column", "of"), [("take_micro", "lot"), ("lot_micro", "event"), ("rest_micro", "event")])
def test_a_breach_is_located(column: str, of: str) -> None:
    ledger = worked_ledger()
    traced = traced_cost(ledger)
    changed = getattr(traced, column)
    if column == "take_micro":
        at = [int(lot) for lot in ledger.take_lot].index(number(ledger, "pool"))
    elif column == "lot_micro":
        at = number(ledger, "pool")
    else:
        at = list(ledger.events).index("acidify-3")
    changed[at] += 1
    named = {"take_micro": "pool", "lot_micro": "pooling", "rest_micro": "acidify-3"}[column]
    assert (of, named) in {(breach.of, breach.code) for breach in breaches(ledger, traced)}


def test_a_changed_quantity_shows_in_the_balance() -> None:
    ledger = worked_ledger()
    traced = traced_cost(ledger)
    ledger.take_quantity[0] += G
    assert balance(ledger, traced).difference != 0
    assert [breach.code for breach in breaches(ledger, traced)] == [ledger.lots[int(ledger.take_lot[0])]]


# Loaded with failures.


def test_good_product_carries_its_steps_failures() -> None:
    ledger = worked_ledger()
    traced = traced_cost(ledger)
    loaded = loaded_cost(ledger, traced)
    acids = [loaded.lot_micro[number(ledger, lot)] / EURO for lot in ("acid-1", "acid-2")]
    assert acids == pytest.approx([3.94 + 3.94 * 150 / 270, 3.94 + 3.94 * 120 / 270])
    # What was delivered and is on the shelf carries all that went in, and no line is left for failures.
    ester = loaded.lot_micro[number(ledger, "ester")]
    stock = stock_on(ledger, replace(traced, lot_micro=np.rint(loaded.lot_micro).astype(np.int64))).micro.sum()
    assert ester + stock == pytest.approx(31.15 * EURO, abs=5)
    assert loaded.unspread == {}


def test_failures_before_the_day_count_and_a_step_without_product_keeps_its_own() -> None:
    fails = [Event(f"fail-{day}", Kind.FAILED, on(day), cost_micro=100, step="boil") for day in (2, 5)]
    good = Event("good", Kind.FINISHED, on(3), cost_micro=10, makes=(Make("salt", G, product=1),), step="boil")
    lone = Event("lone", Kind.FAILED, on(2), cost_micro=7, step="roast")
    ledger = ledger_of([*fails, good, lone])
    traced = traced_cost(ledger)
    assert loaded_cost(ledger, traced, on(4).toordinal()).lot_micro.tolist() == [110.0]
    assert loaded_cost(ledger, traced).lot_micro.tolist() == [210.0]
    assert loaded_cost(ledger, traced).unspread == {list(ledger.steps).index("roast"): 7.0}


def test_a_credit_is_a_sum_that_no_failure_before_it_moves() -> None:
    fail = Event("fail", Kind.FAILED, on(1), cost_micro=300, step="boil")
    first = Event("first", Kind.FINISHED, on(1), cost_micro=600, makes=(Make("salt", G, product=1),), step="boil")
    makes = (Make("crystals", G, weight=1, product=1), Make("alcohol", G, weight=0, credit_micro=100))
    then = Event("then", Kind.FINISHED, on(2), cost_micro=50, takes=takes(salt=G), makes=makes, step="grow")
    ledger = ledger_of([fail, first, then])
    loaded = loaded_cost(ledger, traced_cost(ledger))
    found = {lot: loaded.lot_micro[number(ledger, lot)] for lot in ("salt", "crystals", "alcohol")}
    assert found == pytest.approx({"salt": 900, "crystals": 850, "alcohol": 100})


def test_a_product_that_comes_back_into_its_own_failures_carries_them_all() -> None:
    first = Event("first", Kind.FINISHED, on(1), cost_micro=1000, makes=(Make("salt", 100, product=100),), step="boil")
    fail = Event("fail", Kind.FAILED, on(2), cost_micro=50, takes=takes(salt=40), step="boil")
    ledger = ledger_of([first, fail])
    # The load x on the salt is what the failure cost, its own part of the load included: x = 450 + 0.4·x.
    assert loaded_cost(ledger, traced_cost(ledger)).lot_micro.tolist() == pytest.approx([1000 + 450 / 0.6])
    everything = replace(fail, takes=takes(salt=100))
    ledger = ledger_of([first, everything])
    with pytest.raises(NotComputable):
        loaded_cost(ledger, traced_cost(ledger))


def test_a_ledger_without_failures_or_steps_has_no_load() -> None:
    ledger = ledger_of([bought("soda", G, 5)])
    assert loaded_cost(ledger, traced_cost(ledger)).lot_micro.tolist() == [5.0]
    empty = ledger_from(
        {name: [] for name in ("kind", "begun", "ended", "cost", "take_event", "take_lot", "take_quantity", "made_by",
                               "quantity")}, events=(), lots=())  # fmt: skip
    assert sum(balanced(empty).uses.values()) == 0


def test_the_benchmark_prints_its_rows() -> None:
    found = rows(lots=500, calls=1)
    assert len(found) == 5
    assert all(math.isfinite(row.ratio) for row in found)
