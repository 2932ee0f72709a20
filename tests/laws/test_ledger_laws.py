"""What every ledger obeys: nothing is lost or made, and neither scale nor splitting nor the order of entry matters.

A small model in fractions, which rounds nothing and knows neither columns nor levels, is asked the same questions.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from service.analytics.money import traced as tracing
from service.analytics.money.ancestry import behind
from service.analytics.money.identity import balance, breaches, stock_on
from service.analytics.money.ledger import Event, Kind, Ledger, Make, Take, ledger_of
from service.analytics.money.traced import lot_values, traced_cost
from service.errors import Conflict

CENT = 10_000
CLOSE = 10
"""10⁻⁵ of the currency."""
FIRST = dt.date(2026, 3, 1)
ENTRIES = (Kind.DELIVERY, Kind.SAMPLE, Kind.WRITE_OFF, Kind.DISPOSAL)
RUNS = (Kind.FINISHED, Kind.FINISHED, Kind.FINISHED, Kind.FAILED, Kind.ABANDONED)

costs = st.integers(0, 5000).map(lambda cents: cents * CENT)
quantities = st.integers(1, 10**12)
parts = st.integers(1, 6)


@dataclass
class Model:
    """What each lot is worth, in fractions, and where everything went."""

    unit: dict[str, Fraction] = field(default_factory=dict)
    left: dict[str, int] = field(default_factory=dict)
    uses: dict[Kind, Fraction] = field(default_factory=dict)
    made: dict[str, int] = field(default_factory=dict)
    slack: dict[str, Fraction] = field(default_factory=dict)
    """By how much rounding can put a lot's value off: one a take and one a lot, and what was off before."""
    slack_of_uses: Fraction = Fraction(0)

    def slack_of(self, lot: str, quantity: int) -> Fraction:
        return self.slack[lot] * abs(Fraction(quantity, self.made[lot])) + 1

    def add(self, event: Event) -> None:
        total, slack = Fraction(event.cost_micro), Fraction(1)
        for take in event.takes:
            assert take.quantity is not None
            total += take.quantity * self.unit[take.lot]
            slack += self.slack_of(take.lot, take.quantity)
            self.left[take.lot] -= take.quantity
        whole = event.whole or sum(make.weight for make in event.makes)
        carried = Fraction(0)
        for make in event.makes:
            assert make.quantity is not None
            carried += total * make.weight / whole
            self.unit[make.lot] = total * make.weight / whole / make.quantity
            self.left[make.lot] = self.made[make.lot] = make.quantity
            self.slack[make.lot] = slack
        self.slack_of_uses += slack
        self.uses[event.kind] = self.uses.get(event.kind, Fraction(0)) + total - carried


class Books(RuleBasedStateMachine):
    """Somebody buys, runs, pools and takes, day after day; the ledger and the model must agree on all of it."""

    def __init__(self) -> None:
        super().__init__()
        self.events: list[Event] = []
        self.lots: list[str] = []
        self.model = Model()
        self.day = FIRST

    def enter(self, event: Event) -> None:
        self.model.add(event)
        self.events.append(event)
        self.lots += [make.lot for make in event.makes]

    def code(self, word: str) -> str:
        return f"{word}-{len(self.events)}"

    def taken(self, data: st.DataObject, most: int = 3) -> tuple[Take, ...]:
        lots = data.draw(st.lists(st.sampled_from(self.lots), min_size=1, max_size=most, unique=True))
        return tuple(Take(lot, max(1, self.model.left[lot] * data.draw(parts) // 5)) for lot in lots)  # 6/5: overdrawn

    @initialize(quantity=quantities, cost=costs)
    def open_the_books(self, quantity: int, cost: int) -> None:
        self.buy_one(quantity, cost)

    @rule(quantity=quantities, cost=costs)
    def buy(self, quantity: int, cost: int) -> None:
        self.buy_one(quantity, cost)

    def buy_one(self, quantity: int, cost: int) -> None:
        kind = Kind.OPENING if len(self.events) % 2 else Kind.PURCHASE
        make = Make(self.code("lot"), quantity)
        self.enter(Event(self.code("buy"), kind, self.day, cost_micro=cost, makes=(make,)))

    @rule(days=st.integers(1, 2))
    def wait(self, days: int) -> None:
        self.day += dt.timedelta(days=days)

    @rule(
        data=st.data(), kind=st.sampled_from(RUNS), cost=costs, quantities=st.lists(quantities, min_size=1, max_size=3)
    )
    def run(self, data: st.DataObject, kind: Kind, cost: int, quantities: list[int]) -> None:
        makes = tuple(
            Make(self.code(f"out{place}"), quantity, weight=data.draw(parts))
            for place, quantity in enumerate(quantities)
        )
        whole = sum(make.weight for make in makes) + (0 if kind == Kind.FINISHED else data.draw(parts))
        ended = self.day + dt.timedelta(days=data.draw(st.integers(0, 1)))
        takes = self.taken(data)
        self.enter(
            Event(self.code("run"), kind, self.day, ended, cost, takes=takes, makes=makes, whole=whole, step="s")
        )
        self.day = ended

    @precondition(lambda self: len(self.lots) > 1)
    @rule(data=st.data())
    def pool(self, data: st.DataObject) -> None:
        takes = self.taken(data)
        make = Make(self.code("pool"), sum(take.quantity or 0 for take in takes))
        self.enter(Event(self.code("pool"), Kind.POOL, self.day, takes=takes, makes=(make,)))

    @rule(data=st.data(), kind=st.sampled_from(ENTRIES))
    def take_away(self, data: st.DataObject, kind: Kind) -> None:
        self.enter(Event(self.code("entry"), kind, self.day, takes=self.taken(data, most=1)))

    @rule(data=st.data(), change=st.integers(-(10**6), 10**6))
    def recount(self, data: st.DataObject, change: int) -> None:
        lot = data.draw(st.sampled_from(self.lots))
        self.enter(Event(self.code("count"), Kind.RECOUNT, self.day, takes=(Take(lot, change),)))

    @rule(data=st.data())
    def use_for_itself(self, data: st.DataObject) -> None:
        """An event of an earlier day, or one within its own making, cannot take what was made of it."""
        made = [event for event in self.events if event.takes and event.makes]
        if made:
            event = data.draw(st.sampled_from(made))
            lot = event.makes[0].lot
            wrong = replace(event, takes=(*event.takes, Take(lot, 1)))
            with pytest.raises(Conflict) as caught:
                ledger_of([wrong if other is event else other for other in self.events])
            assert caught.value.code == ("own-ancestor" if event.begun == event.ended or event.ended is None else
                                         "before-it-existed")  # fmt: skip

    @invariant()
    def agrees_with_the_model(self) -> None:
        ledger = ledger_of(self.events)
        traced = traced_cost(ledger)
        found = balance(ledger, traced)
        assert found.difference == 0
        assert breaches(ledger, traced) == []
        stock = stock_on(ledger, traced)
        for place, lot in enumerate(ledger.lots):
            assert stock.quantity[place] == self.model.left[lot]
            assert abs(stock.micro[place] - self.model.left[lot] * self.model.unit[lot]) <= self.model.slack_of(
                lot, self.model.left[lot]
            )
        lines = {Kind.DELIVERY: "delivered", Kind.SAMPLE: "samples", Kind.WRITE_OFF: "write_offs",
                 Kind.DISPOSAL: "disposals", Kind.FAILED: "failures", Kind.ABANDONED: "abandoned",
                 Kind.RECOUNT: "adjustments"}  # fmt: skip
        for kind, line in lines.items():
            assert abs(found.uses[line] - self.model.uses.get(kind, 0)) <= self.model.slack_of_uses

    def teardown(self) -> None:
        ledger = ledger_of(self.events)
        traced = traced_cost(ledger)
        for number in range((self.day - FIRST).days + 2):
            day = FIRST.toordinal() + number
            assert balance(ledger, traced, day).difference == 0
            assert breaches(ledger, traced, day) == []
        assert list(lot_values(ledger, range(len(ledger.lots))).items()) == sorted_like(
            ledger, traced.lot_micro.tolist()
        )


def sorted_like(ledger: Ledger, values: Sequence[int]) -> list[tuple[int, int]]:
    """Lots and values in the ledger's order, which is the one they are worked out in."""
    return [(lot, values[lot]) for lot in ledger.order.lots.tolist()]


Books.TestCase.settings = settings(max_examples=100, stateful_step_count=30, deadline=None)
TestBooks = Books.TestCase


# Drawn whole, for laws that compare two ledgers.


@st.composite
def ledgers(draw: st.DrawFn) -> list[Event]:
    """Up to a dozen events over a few days after two purchases, nothing overdrawn."""
    events = [
        Event(f"buy-{lot}", Kind.PURCHASE, FIRST, cost_micro=draw(costs), makes=(Make(f"lot-{lot}", draw(quantities)),))
        for lot in range(2)
    ]
    left = {make.lot: make.quantity or 0 for event in events for make in event.makes}
    day = FIRST
    for number in range(draw(st.integers(1, 10))):
        day += dt.timedelta(days=draw(st.integers(0, 1)))
        lots = draw(st.lists(st.sampled_from(sorted(left)), min_size=1, max_size=3, unique=True))
        takes = tuple(Take(lot, left[lot] * draw(parts) // 6) for lot in lots)
        for take in takes:
            left[take.lot] -= take.quantity or 0
        kind = draw(st.sampled_from((*RUNS, Kind.POOL, Kind.SAMPLE)))
        makes: tuple[Make, ...] = ()
        if kind in (Kind.FINISHED, Kind.POOL):
            count = draw(st.integers(1, 2)) if kind == Kind.FINISHED else 1
            makes = tuple(Make(f"made-{number}-{out}", draw(quantities), draw(parts)) for out in range(count))
            left |= {make.lot: make.quantity or 0 for make in makes}
        cost = draw(costs) if kind in RUNS else 0
        events.append(Event(f"event-{number:02}", kind, day, cost_micro=cost, takes=takes, makes=makes, step="s"))
    return events


def values(events: Sequence[Event]) -> dict[str, int]:
    ledger = ledger_of(events)
    return dict(zip(ledger.lots, traced_cost(ledger).lot_micro.tolist(), strict=True))


def scaled(events: Sequence[Event], mass: int, money: int) -> list[Event]:
    def times(quantity: int | None) -> int:
        return (quantity or 0) * mass

    return [
        replace(
            event,
            cost_micro=event.cost_micro * money,
            takes=tuple(Take(take.lot, times(take.quantity)) for take in event.takes),
            makes=tuple(replace(make, quantity=times(make.quantity)) for make in event.makes),
        )
        for event in events
    ]


LAWS = settings(max_examples=80, deadline=None)


@LAWS
@given(ledgers(), st.integers(2, 1000), st.integers(2, 1000))
def test_scaling_all_masses_and_all_money_changes_no_unit_cost(events: list[Event], mass: int, money: int) -> None:
    before, after = values(events), values(scaled(events, mass, money))
    for lot, value in before.items():
        assert abs(after[lot] / money - value) <= CLOSE
    assert values(scaled(events, mass, 1)) == before


@LAWS
@given(ledgers(), st.data())
def test_splitting_a_lot_and_pooling_it_again_changes_no_cost(events: list[Event], data: st.DataObject) -> None:
    made = {make.lot: (event, make) for event in events for make in event.makes}
    lot = data.draw(st.sampled_from(sorted(made)))
    maker, make = made[lot]
    quantity = make.quantity or 0
    cut = data.draw(st.integers(0, quantity))
    halves = [
        Event(f"half-{side}", Kind.POOL, maker.begun, takes=(Take(lot, part),), makes=(Make(f"half-{side}", part),))
        for side, part in enumerate((cut, quantity - cut))
        if part
    ]
    whole = Event("whole", Kind.POOL, maker.begun, makes=(Make("whole", quantity),),
                  takes=tuple(Take(half.code, half.makes[0].quantity) for half in halves))  # fmt: skip
    others = [
        replace(event, takes=tuple(replace(take, lot="whole") if take.lot == lot else take for take in event.takes))
        for event in events
    ]
    before, after = values(events), values([*others, *halves, whole])
    assert all(abs(after[one] - value) <= CLOSE for one, value in before.items())


@LAWS
@given(ledgers(), st.randoms(use_true_random=False))
def test_the_order_of_entry_within_a_day_changes_no_cost(events: list[Event], random: Random) -> None:
    shuffled = list(events)
    random.shuffle(shuffled)
    assert values(shuffled) == values(events)
    numbered = [replace(event, code=f"{place:03}") for place, event in enumerate(shuffled)]
    before, after = values(events), values(numbered)
    assert all(abs(after[lot] - value) <= CLOSE for lot, value in before.items())


@LAWS
@given(ledgers())
def test_every_road_gives_the_same_millionths(events: list[Event]) -> None:
    ledger = ledger_of(events)
    found = []
    for wide in (0, 10**9):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(tracing, "_WIDE", wide)
            found.append(traced_cost(ledger))
    assert found[0].lot_micro.tolist() == found[1].lot_micro.tolist()
    assert found[0].take_micro.tolist() == found[1].take_micro.tolist()
    one_by_one = lot_values(ledger, range(len(ledger.lots)))
    assert [one_by_one[lot] for lot in range(len(ledger.lots))] == found[0].lot_micro.tolist()


@LAWS
@given(ledgers())
def test_what_is_behind_a_unit_costs_what_the_unit_costs(events: list[Event]) -> None:
    ledger = ledger_of(events)
    traced = traced_cost(ledger)
    for lot in range(len(ledger.lots)):
        found = behind(ledger, lot)
        cost = (found.direct_micro + sum(one.micro for one in found.bought)) * int(ledger.quantity[lot])
        assert cost == pytest.approx(float(traced.lot_micro[lot]), rel=1e-9, abs=CLOSE)
