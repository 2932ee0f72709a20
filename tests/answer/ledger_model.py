"""What a generated book's lots cost, in fractions, from the text that was written: no rounding, no columns, no SQL."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from tests.world import World
from tests.world.shelf import amount_of, net_of

ML_PER_M3 = 10**6


@dataclass
class Costs:
    """Euros: of a unit of each lot (g or mL) and of all of it; where the rest went."""

    unit: dict[str, Fraction] = field(default_factory=dict)
    whole: dict[str, Fraction] = field(default_factory=dict)
    left: dict[str, Fraction] = field(default_factory=dict)
    uses: dict[str, Fraction] = field(default_factory=dict)
    paid: Fraction = Fraction(0)
    direct: Fraction = Fraction(0)
    counted_in: dict[str, str] = field(default_factory=dict)
    density: dict[str, Fraction] = field(default_factory=dict)

    def put(self, lot: str, amount: Fraction, cost: Fraction, counted_in: str = "g") -> None:
        self.unit[lot], self.whole[lot], self.left[lot] = cost / amount, cost, amount
        self.counted_in[lot] = counted_in

    def take(self, lot: str, written: str) -> Fraction:
        unit, amount = amount_of(written)
        if (unit, self.counted_in[lot]) == ("g", "mL"):
            amount /= self.density[lot]
        else:
            assert unit == self.counted_in[lot]
        self.left[lot] -= amount
        return amount * self.unit[lot]

    @property
    def stock(self) -> Fraction:
        return sum((left * self.unit[lot] for lot, left in self.left.items()), Fraction(0))


def costs_of(world: World) -> Costs:
    """Work through a book in the order of its days."""
    found = Costs()
    for line in world.lines_of("lot"):
        record = line["record"]
        value = Fraction(record["value"]["amount"])
        found.paid += value
        unit, amount = amount_of(record["amount"])
        found.put(line["code"], amount, value, unit)
        if "density" in record:
            found.density[line["code"]] = Fraction(record["density"].split()[0])
    waiting = [*world.lines_of("pool"), *world.lines_of("run")]
    while waiting:
        ready = [line for line in waiting if _taken(line) <= found.unit.keys()]
        assert ready, "something is made of what nothing makes"
        for line in ready:
            (_pool if line["kind"] == "pool" else _run)(found, line["record"])
            waiting.remove(line)
    return found


def _taken(line: Mapping[str, Any]) -> set[str]:
    parts = line["record"].get("from") or line["record"].get("charges")
    return {part["lot"] for part in parts if "lot" in part}


def _pool(found: Costs, record: Mapping[str, Any]) -> None:
    cost = sum((found.take(part["lot"], part["amount"]) for part in record["from"]), Fraction(0))
    found.put(record["lot"], sum((amount_of(part["amount"])[1] for part in record["from"]), Fraction(0)), cost)


def _run(found: Costs, record: Mapping[str, Any]) -> None:
    cost = Fraction(0)
    for charge in record["charges"]:
        if "lot" in charge:
            cost += found.take(charge["lot"], charge["amount"])
        else:
            price = charge["price"]
            assert price["per"] == "1 m3"
            own = Fraction(price["amount"]) * amount_of(charge["amount"])[1] / ML_PER_M3
            found.direct += own
            cost += own
    if record["status"] != "finished":
        found.uses[record["status"]] = found.uses.get(record["status"], Fraction(0)) + cost
        for outturn in record.get("outturns", ()):  # what comes back of a failure carries nothing unless it says so
            if "lot" in outturn:
                found.put(outturn["lot"], net_of(outturn), Fraction(0))
        return
    shelved = [outturn for outturn in record["outturns"] if "lot" in outturn]
    assert all(outturn["role"] == "waste" for outturn in record["outturns"] if "lot" not in outturn)
    nets = [net_of(outturn) for outturn in shelved]
    held = [net * (1 - _fraction(out, "loss_on_drying", "0")) * _fraction(out, "assay", "1")
            for net, out in zip(nets, shelved, strict=True)]  # fmt: skip
    for outturn, net, contained in zip(shelved, nets, held, strict=True):
        found.put(outturn["lot"], net, cost * contained / sum(held))


def _fraction(outturn: Mapping[str, Any], key: str, otherwise: str) -> Fraction:
    return Fraction(outturn.get(key, otherwise))
