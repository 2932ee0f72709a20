"""Laws of a whole book: somebody buys, runs, pools, takes and corrects; the answers agree with a small model.

The model is a list of what was done and fractions that round nothing; it knows no tables, columns or entries. After
every step the books balance to the last millionth, every lot holds what the model says, and those below zero are the
ones that findings name; at the end every lot costs what the model says, the audit finds nothing, a rebuild changes no
row, and what was answered half-way is answered again by its state.
"""

from __future__ import annotations

import datetime as dt
import secrets
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from service.answer import findings, ledger_balance, lot_cost
from service.answer.book import Book as Answers
from service.answer.ledger_audit import audit_of, run_balances
from service.answer.snapshot import Memory
from service.record.past import Past
from service.record.rebuild import rebuild
from service.store.balances import balances
from service.store.session import Database, Reading
from tests.store.book import Book

FIRST = dt.date(2026, 1, 1)
LAST = dt.date(2027, 1, 1)
MICRO = Fraction(1, 10**6)
NG = 10**9
OTHER = {"salt": "acid", "acid": "salt"}
TAKEN = {"delivery": "delivered", "sample": "samples", "write-off": "write_offs", "disposal": "disposals"}

grams = st.integers(1, 500)
cents = st.integers(0, 5000)


@dataclass
class Model:
    """What every lot cost and holds, and where the money came from and went to.

    ``slack`` is by how much rounding can put a lot off, in 10⁻⁶: one a take and one a lot, and what was off before.
    """

    cost: dict[str, Fraction] = field(default_factory=dict)
    made: dict[str, int] = field(default_factory=dict)
    left: dict[str, int] = field(default_factory=dict)
    slack: dict[str, Fraction] = field(default_factory=dict)
    loose: Fraction = Fraction(0)
    all_loose: Fraction = Fraction(0)
    sides: defaultdict[str, Fraction] = field(default_factory=lambda: defaultdict(Fraction))

    def put(self, lot: str, amount: int, cost: Fraction) -> None:
        self.cost[lot], self.made[lot], self.left[lot] = cost, amount, amount
        self.slack[lot] = self.loose + 1

    def take(self, lot: str, amount: int) -> Fraction:
        self.left[lot] -= amount
        off = self.slack[lot] * amount / self.made[lot] + 1
        self.loose, self.all_loose = self.loose + off, self.all_loose + off
        return self.cost[lot] * amount / self.made[lot]

    @property
    def stock(self) -> Fraction:
        return sum((self.cost[lot] * left / self.made[lot] for lot, left in self.left.items()), Fraction(0))


def eur(amount: int) -> dict[str, str]:
    return {"amount": f"{amount / 100:.2f}", "currency": "EUR"}


def weighed(parts: list[dict[str, str]], key: str) -> int:
    return sum(int(part[key].removesuffix(" g")) for part in parts)


class Bookkeeping(RuleBasedStateMachine):
    """One workshop; every step is of a day of its own, but for corrections, which have none."""

    database: Database

    def __init__(self) -> None:
        super().__init__()
        self.book = Book(self.database, f"law-{secrets.token_hex(8)}")
        self.done: dict[str, tuple[str, dict[str, Any]]] = {}
        self.of: dict[str, str] = {}
        self.remembered: tuple[int, Any] | None = None
        for code in OTHER:
            self.book.put("materials", code, {"name": code})
        self.book.put("suppliers", "shop", {"name": "shop"})
        for code, product in OTHER.items():
            step = {"code": "turn", "name": "turn", "basis": "mass-ratio", "key_input": code, "product": product}
            route = {"name": code, "product": product, "steps": [{**step, "consumables": eur(100)}]}
            self.book.put("routes", code, route)

    # ---- what is done

    @property
    def day(self) -> str:
        return (FIRST + dt.timedelta(days=len(self.done))).isoformat()

    def enter(self, kind: str, code: str, body: dict[str, Any]) -> None:
        self.book.put(kind, code, body)
        self.done[code] = kind, body

    def code(self, word: str) -> str:
        return f"{word}-{len(self.done)}"

    @initialize(amount=grams, price=cents)
    def open_the_books(self, amount: int, price: int) -> None:
        lot = {"material": "salt", "amount": f"{amount} g", "received_on": self.day, "origin": "opening"}
        self.of["lot-0"] = "salt"
        self.enter("lots", "lot-0", {**lot, "value": eur(price)})

    @rule(material=st.sampled_from(sorted(OTHER)), amount=grams, price=cents, shipping=cents)
    def buy(self, material: str, amount: int, price: int, shipping: int) -> None:
        lot, code = self.code("lot"), self.code("order")
        line = {"lot": lot, "material": material, "amount": f"{amount} g", "price": eur(price + 1)}
        self.of[lot] = material
        self.enter(
            "purchases", code, {"supplier": "shop", "bought_on": self.day, "shipping": eur(shipping), "lines": [line]}
        )

    def taken(self, data: st.DataObject, material: str | None = None) -> list[dict[str, str]]:
        lots = sorted(lot for lot, of in self.of.items() if material in (None, of))
        some = data.draw(
            st.lists(st.sampled_from(lots), min_size=1, max_size=1 if material is None else 3, unique=True)
        )
        return [{"lot": lot, "amount": f"{data.draw(st.integers(1, 60))} g"} for lot in some]  # overdrawn at times

    @rule(
        data=st.data(), net=grams, status=st.sampled_from(["finished", "finished", "failed"]), recovered=st.booleans()
    )
    def run(self, data: st.DataObject, net: int, status: str, recovered: bool) -> None:
        material = self.of[data.draw(st.sampled_from(sorted(self.of)))]
        code, lot = self.code("run"), self.code("lot")
        body = {"route": material, "step": "turn", "status": status, "started_on": self.day, "finished_on": self.day}
        outturns: list[dict[str, str]] = []
        charges = self.taken(data, material)
        if status == "finished":
            outturns.append({"material": OTHER[material], "lot": lot, "net": f"{net} g"})
            self.of[lot] = OTHER[material]
            if recovered:
                outturns[0]["cost_share"] = "0.9"
                back = {"material": material, "lot": f"{lot}-back", "role": "recovered", "net": f"{net} g"}
                outturns.append({**back, "cost_share": "0.1"})
                self.of[f"{lot}-back"] = material
        self.enter("runs", code, {**body, "charges": charges, "outturns": outturns})

    @rule(data=st.data())
    def pool(self, data: st.DataObject) -> None:
        material = self.of[data.draw(st.sampled_from(sorted(self.of)))]
        code, lot = self.code("pool"), self.code("lot")
        parts = self.taken(data, material)
        self.of[lot] = material
        self.enter("pools", code, {"made_on": self.day, "from": parts, "lot": lot})

    @rule(data=st.data(), kind=st.sampled_from(sorted(TAKEN)))
    def note(self, data: st.DataObject, kind: str) -> None:
        (one,) = self.taken(data)
        self.enter("stock-entries", self.code("note"), {**one, "kind": kind, "on": self.day})

    @rule(data=st.data(), price=cents, net=grams)
    def correct(self, data: st.DataObject, price: int, net: int) -> None:
        """A price, a value, or a weighing of the product."""
        good = [
            code for code, (kind, body) in self.done.items() if kind in ("lots", "purchases") or body.get("outturns")
        ]
        code = data.draw(st.sampled_from(good))
        kind, body = self.done[code]
        if kind == "runs":
            first, *rest = body["outturns"]
            body = {**body, "outturns": [{**first, "net": f"{net} g"}, *rest]}
        elif kind == "purchases":
            body = {**body, "lines": [{**body["lines"][0], "price": eur(price + 1)}]}
        else:
            body = {**body, "value": eur(price)}
        self.book.put(kind, code, body)
        self.done[code] = kind, body

    @precondition(lambda self: self.remembered is None and len(self.done) > 2)
    @rule()
    def remember(self) -> None:
        self.remembered = self.asked(lambda reading: (reading.state, self.balance(reading)))

    # ---- what is asked

    def asked(self, question: Callable[[Reading], Any]) -> Any:
        with self.book.reading() as reading:
            return question(reading)

    def balance(self, reading: Reading) -> dict[str, Any]:
        return ledger_balance.balance_of(Answers(reading, Memory()), as_of=LAST)

    def model(self) -> Model:
        """Everything that was done, once more."""
        model = Model()

        def number(amount: str) -> int:
            return int(amount.removesuffix(" g"))

        def sum_of(money: dict[str, str]) -> Fraction:
            return Fraction(Decimal(money["amount"]))

        for kind, body in self.done.values():
            model.loose = Fraction(1)
            if kind == "lots":
                model.put("lot-0", number(body["amount"]), sum_of(body["value"]))
                model.sides["opening"] += sum_of(body["value"])
            elif kind == "purchases":
                (line,) = body["lines"]
                cost = sum_of(line["price"]) + sum_of(body["shipping"])
                model.put(line["lot"], number(line["amount"]), cost)
                model.sides["purchases"] += cost
            elif kind == "pools":
                parts = [(part["lot"], number(part["amount"])) for part in body["from"]]
                cost = sum((model.take(*part) for part in parts), Fraction(0))
                model.put(body["lot"], sum(amount for _, amount in parts), cost)
            elif kind == "runs":
                cost = 1 + sum(model.take(each["lot"], number(each["amount"])) for each in body["charges"])
                model.sides["direct"] += 1
                model.sides["failures"] += cost if body["status"] == "failed" else 0
                for out in body["outturns"]:
                    model.put(out["lot"], number(out["net"]), cost * Fraction(out.get("cost_share", "1")))
            else:
                model.sides[TAKEN[body["kind"]]] += model.take(body["lot"], number(body["amount"]))
        return model

    @invariant()
    def the_books_balance(self) -> None:
        if not self.done:
            return
        found, model = self.asked(self.balance), self.model()
        assert Decimal(found["difference"]["amount"]) == 0
        assert found["breaches"] == []
        told = {
            name: Fraction(Decimal(money["amount"]))
            for side in ("sources", "uses")
            for name, money in found[side].items()
        }
        assert sum(told[name] for name in found["sources"]) == sum(told[name] for name in found["uses"])
        expected = {**dict.fromkeys(told, Fraction(0)), **model.sides, "stock": model.stock}
        for name, amount in told.items():
            assert abs(amount - expected[name]) <= (model.all_loose + len(self.done)) * MICRO, name

    @invariant()
    def every_lot_holds_what_was_not_taken(self) -> None:
        held = self.asked(balances)
        assert {lot: balance.quantity for lot, balance in held.items()} == {
            lot: left * NG for lot, left in self.model().left.items()
        }

    @invariant()
    def the_lots_below_zero_are_those_that_findings_name(self) -> None:
        asked = findings.FindingFilter(codes=("overdrawn",), reply="all")
        found = self.asked(lambda reading: findings.findings_of(Answers(reading, Memory()), asked=asked, as_of=LAST))
        below = {lot for lot, left in self.model().left.items() if left < 0}
        assert sorted(each["record"] for each in found["findings"]) == sorted(below)

    def teardown(self) -> None:
        if not self.done:
            return
        model = self.model()
        with self.book.reading() as reading:
            answers = Answers(reading, Memory())
            assert audit_of(answers) == []
            balanced = run_balances(answers)
            for code, (kind, body) in self.done.items():
                if kind == "runs":
                    rest = weighed(body["charges"], "amount") - weighed(body["outturns"], "net")
                    assert balanced[code].unaccounted_ng == rest * NG
            for lot, cost in model.cost.items():
                found = lot_cost.lot_cost_of(answers, lot, as_of=LAST)
                assert abs(Fraction(Decimal(found["total"]["amount"])) - cost) <= model.slack[lot] * MICRO, lot
            if self.remembered is not None:
                state, told = self.remembered
                past = Past(Memory)
                with past.reading(reading, state) as (earlier, _):
                    assert self.balance(earlier) == told
                past.close()
        before = self.book.rows()
        rebuild(self.book.database, self.book.workshop_id)
        assert self.book.rows() == before


@pytest.mark.usefixtures("workshop")
def test_a_book_agrees_with_its_model(database: Database) -> None:
    machine = type("OneBook", (Bookkeeping,), {"database": database})
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=6, stateful_step_count=10, deadline=None, suppress_health_check=list(HealthCheck)
        ),
    )
