"""Run after run at a generated bench.

What is written is rounded as a balance shows it, and the truth of what was written is worked out from that text.
"""

from __future__ import annotations

import datetime as dt
import math
import random
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from tests.world.chemistry import REAGENTS
from tests.world.options import Options
from tests.world.routes import RISES, Design, Line, design_route, eur, shared_lines
from tests.world.scale import slipped, weigh
from tests.world.stock import OnShelf, Stock, Taken
from tests.world.truth import LotTruth, RunTruth, TrueStep, Truth

FIRST_DAY = dt.date(2024, 11, 4)
DAYS = 700
DRY_LOSS = 0.01
WATER_PRICE = {"amount": "4.50", "currency": "EUR", "per": "1 m3"}


class Bench:
    """The whole workshop; each route has its own stream of chance, so that more routes change none of the others."""

    def __init__(self, seed: int, options: Options, *, keep: bool = True) -> None:
        self.seed, self.options, self.keep = seed, options, keep
        self.truth = Truth()
        source = random.Random(f"{seed}/people")
        for n in range(options.operators):
            self.truth.operators[f"m{n + 1}"] = source.gauss(0.0, options.operator_effect)
        for n in range(options.suppliers):
            self.truth.suppliers[f"supplier-{n}"] = source.gauss(0.0, options.supplier_effect)
        self.truth.prices["water"] = 0.0045 / 1000.0
        for reagent in REAGENTS.values():
            self.truth.prices[reagent.code] = reagent.price / reagent.pack

    def lines(self) -> Iterator[Line]:
        """Every line of the book, each after what it names."""
        yield from shared_lines(self.options.suppliers)
        for number in range(self.options.routes):
            yield from RouteBench(self, number).lines()


class RouteBench:
    """One route over two years."""

    def __init__(self, bench: Bench, number: int) -> None:
        self.options, self.truth, self.keep = bench.options, bench.truth, bench.keep
        self.code = f"r{number}"
        self.source = random.Random(f"{bench.seed}/{self.code}")
        o = self.options
        spread = math.sqrt(o.operator_effect**2 + o.lot_effect**2 + o.supplier_effect**2 + o.season**2 / 2)
        self.design: Design = design_route(self.code, number, o.steps_per_route, self.source, spread)
        if not o.failures:
            self.design.steps = [replace(step, failing=0.0) for step in self.design.steps]
        self.bought = {feed.code for feed in self.design.feeds}
        self.pending: list[Line] = []
        self.stocks: dict[str, Stock] = {}
        self.numbers = {"lot": 0, "pool": 0, "run": 0}
        for step in self.design.steps:
            self.truth.steps[self.code, step.code] = step
        for feed in self.design.feeds:
            self.truth.prices[feed.code] = feed.price / feed.pack_g

    def lines(self) -> Iterator[Line]:
        """Materials, offers and the route, then lots, pools and runs in the order of their days."""
        yield from self.design.lines
        runs, steps = self.options.runs_per_step, len(self.design.steps)
        # Where many runs share a day, each ends on the day it began: what it makes may be used on that day.
        self.crowded = 3 * steps * runs > DAYS
        for turn in range(runs):
            for place, step in enumerate(self.design.steps):
                since = turn * DAYS // max(runs, 1) + 3 * place
                if self.crowded:
                    since = (turn * steps + place) * DAYS // (runs * steps)
                self.today = FIRST_DAY + dt.timedelta(days=since)
                line = self._run(step, last=turn == runs - 1)
                yield from self.pending
                self.pending.clear()
                yield line

    # ---- the shelf

    def _code(self, kind: str) -> str:
        self.numbers[kind] += 1
        return f"{self.code}-{kind}-{self.numbers[kind]:05d}"

    def _stock(self, material: str, unit: str, digits: int) -> Stock:
        found = self.stocks.get(material)
        if found is None:
            found = self.stocks[material] = Stock(unit, digits, lambda wanted: self._open(material, unit, wanted))
        return found

    def _open(self, material: str, unit: str, wanted: float) -> OnShelf:
        """A new lot is opened: bought at the day's price, or of a made material found on the shelf."""
        code = self._code("lot")
        supplier = f"supplier-{self.source.randrange(self.options.suppliers)}"
        record: dict[str, Any] = {"material": material}
        if material in REAGENTS:
            reagent = REAGENTS[material]
            size, price = float(reagent.pack), reagent.price
            strength = reagent.strength * self.source.uniform(0.99, 1.01)
            if reagent.form == "molar":
                strength = round(strength, 3)
                record["concentration"] = f"{strength:.3f} mol/L"
            elif reagent.form != "moles":
                strength = min(1.0, round(strength, 4))
                record["assay"] = f"{strength:.4f}"
            if reagent.form == "volume":
                record["density"] = f"{reagent.density:g} g/mL"
            packs = max(1, math.ceil(wanted / size))
        elif feed := next((feed for feed in self.design.feeds if feed.code == material), None):
            size, price = float(feed.pack_g), feed.price
            strength = min(1.0, round(feed.strength * self.source.uniform(0.98, 1.02), 4))
            if feed.analyte is not None:
                record["contents"] = {feed.analyte: f"{strength:.4f}"}
            else:
                record["assay"] = f"{strength:.4f}"
            packs = max(2, math.ceil(wanted / size))
        else:
            step = next(step for step in self.design.steps if step.product == material)
            size, price, packs = float(max(5, math.ceil(5 * wanted))), 20.0, 1
            strength = 1.0 if step.basis == "mass-ratio" else round(step.product_strength, 4)
            if step.basis != "mass-ratio":
                record["assay"] = f"{strength:.4f}"
        share = next(share for start, _, share in reversed(RISES) if start <= self.today.isoformat())
        value = eur(round(price * share * packs, 4))
        amount = size * packs
        record |= {
            "amount": f"{amount:.0f} {unit}",
            "received_on": (self.today - dt.timedelta(days=1)).isoformat(),
            "origin": "bought",
            "supplier": supplier,
            "value": value,
        }
        self.pending.append({"kind": "lot", "code": code, "record": record})
        cost = float(value["amount"]) / amount
        return OnShelf(code, amount, strength, self._effect(code, material, strength, supplier, cost))

    def _effect(
        self, code: str, material: str, strength: float, supplier: str | None = None, cost: float | None = None
    ) -> float:
        """Draw what a new lot does to the yields of those who use it, and note the truth of the lot."""
        effect = self.source.gauss(0.0, self.options.lot_effect) + self.truth.suppliers.get(supplier or "", 0.0)
        if self.keep:
            self.truth.lots[code] = LotTruth(material, strength, effect, supplier, cost)
        return effect

    def _pool(self, material: str, stock: Stock) -> None:
        """The three oldest lots go into one jar, whose assay is measured."""
        parts, total, held = [], 0.0, 0.0
        for lot in stock.oldest(3):
            amount = math.floor(lot.left * 10**stock.digits + 1e-6) / 10**stock.digits
            parts.append({"lot": lot.code, "amount": f"{amount:.{stock.digits}f} g"})
            total += amount
            held += amount * lot.strength
        if not parts:
            return
        strength = min(1.0, round(held / total, 4))
        code = self._code("pool")
        record = {"made_on": self.today.isoformat(), "from": parts, "lot": f"{code}-lot", "assay": f"{strength:.4f}"}
        record["loss_on_drying"] = "0"
        self.pending.append({"kind": "pool", "code": code, "record": record})
        effect = self._effect(f"{code}-lot", material, strength)
        stock.lots.appendleft(OnShelf(f"{code}-lot", total, strength, effect))

    # ---- one run

    def _run(self, step: TrueStep, *, last: bool) -> Line:
        source, options = self.source, self.options
        stock = self._stock(step.key, "g", step.digits)
        batch = step.batch_g * math.exp(source.gauss(0.0, 0.25))
        if step.key not in self.bought and source.random() < options.pooled:
            self._pool(step.key, stock)
        charged = stock.take(batch)
        batch_g = math.fsum(taken.amount for taken in charged)
        charges = [{"lot": taken.lot.code, "amount": taken.text} for taken in charged]
        theoretical = self._theoretical(step, charged, charges, source.random() < options.short)
        operator = f"m{source.randrange(options.operators) + 1}"
        key_lot = max(charged, key=lambda taken: taken.amount).lot
        status = self._status(step, last)
        record: dict[str, Any] = {
            "route": self.code,
            "step": step.code,
            "project": f"project-{source.randrange(3)}",
            "started_on": self.today.isoformat(),
            "operator": operator,
            "status": status,
            "charges": charges,
        }
        code = self._code("run")
        excluded, slip, true_yield = False, None, None
        net = dry = contained = 0.0
        if status != "open":
            days = source.choice((0, 1, 1, 2))
            record["finished_on"] = (self.today + dt.timedelta(days=0 if self.crowded else days)).isoformat()
        if status == "finished":
            x = step.mu + step.sigma * source.gauss(0.0, 1.0) + self._effects(step, operator, key_lot.effect, batch_g)
            true_yield = math.exp(x) if step.basis == "mass-ratio" else 1.0 / (1.0 + math.exp(-x))
            excluded = source.random() < options.excluded
            if source.random() < options.slips:
                # Where no assay is written, it cannot be taken off twice.
                fitting = [kind for kind in options.slip_kinds if kind != "assay twice" or step.basis != "mass-ratio"]
                slip = source.choice(fitting) if fitting else None
            outturns, net, dry, contained = self._weigh_out(step, code, true_yield * theoretical, slip)
            record["outturns"] = outturns
            if excluded:
                record["exclude"] = {"reason": "another vessel"}
        elif status == "failed":
            record["outturns"] = [{"material": step.key, "role": "waste", "net": f"{0.4 * batch_g:.{step.digits}f} g"}]
        if source.random() < 0.1:
            record["tags"] = [source.choice(("new-vessel", "cold-day", "visitors"))]
        if self.keep:
            self.truth.runs[code] = RunTruth(
                code,
                self.code,
                step.code,
                status,
                excluded,
                record["started_on"],
                record.get("finished_on"),
                operator,
                key_lot.code,
                batch_g,
                theoretical,
                net,
                dry,
                contained,
                true_yield,
                slip,
            )
        return {"kind": "run", "code": code, "record": record}

    def _status(self, step: TrueStep, last: bool) -> str:
        chance = self.source.random()
        if chance < step.failing:
            return "failed"
        if self.source.random() < self.options.abandoned:
            return "abandoned"
        return "open" if last and self.options.open_runs and self.source.random() < 0.3 else "finished"

    def _effects(self, step: TrueStep, operator: str, of_lot: float, batch_g: float) -> float:
        o = self.options
        total = self.truth.operators[operator] + of_lot
        total += o.batch_slope * math.log(batch_g / step.batch_g)
        return total + o.season * math.sin(2.0 * math.pi * self.today.timetuple().tm_yday / 365.25)

    def _theoretical(self, step: TrueStep, key: list[Taken], charges: list[dict[str, Any]], short: bool) -> float:
        """Charge what the bill asks for, and return the theoretical amount that follows from what was written."""
        held = math.fsum(taken.amount * taken.lot.strength for taken in key)
        gross = math.fsum(taken.amount for taken in key)
        if step.branch is not None:
            material, per_g = step.branch
            for taken in self._stock(material, "g", step.digits).take(per_g * gross):
                charges.append({"lot": taken.lot.code, "amount": taken.text})
        if step.basis == "mass-ratio":
            return gross
        if step.turn is None:
            return held
        turn = step.turn
        extents = [held / step.key_molar / turn.key_n]
        for code, equivalents in step.equivalents.items():
            reagent = REAGENTS[code]
            wanted = held / step.key_molar * equivalents * (0.7 if short else self.source.uniform(0.98, 1.05))
            digits = {"g": step.digits, "mL": 0, "mol": 4}[reagent.unit]
            stock = self._stock(code, reagent.unit, digits)
            moles = 0.0
            for taken in stock.take(wanted / reagent.moles_per_unit(reagent.strength)):
                charges.append({"lot": taken.lot.code, "amount": taken.text})
                moles += taken.amount * reagent.moles_per_unit(taken.lot.strength)
            extents.append(moles / turn.reagents[code])
        if step.water_ml_per_g:
            millilitres = max(1, round(step.water_ml_per_g * gross))
            charges.append({"material": "water", "amount": f"{millilitres} mL", "price": WATER_PRICE})
        return min(extents) * turn.product_n * step.product_molar

    def _weigh_out(
        self, step: TrueStep, run: str, contained_g: float, slip: str | None
    ) -> tuple[list[dict[str, Any]], float, float, float]:
        """Weigh the product out in one or two crops; return the outturns with net, dry and contained g as written."""
        crops = 2 if slip is None and step.code == "step-2" and self.source.random() < 0.5 else 1
        outturns: list[dict[str, Any]] = []
        totals = [0.0, 0.0, 0.0]
        for crop, share in enumerate((1.0,) if crops == 1 else (0.8, 0.2)):
            loss = DRY_LOSS if step.basis != "mass-ratio" and self.source.random() < 0.4 else 0.0
            assay = 1.0
            if step.basis != "mass-ratio":
                assay = min(1.0, round(step.product_strength * self.source.uniform(0.99, 1.01) / (1.0 - loss), 4))
            net = max(contained_g * share / assay / (1.0 - loss), 2.0 * 10**-step.digits)
            outturn: dict[str, Any] = {"material": step.product, "lot": f"{run}-{'ab'[crop]}"}
            if slip is None:
                weighed, written = weigh(net, step.digits, self.source)
            else:
                weighed, written = slipped(net, step.digits, assay, slip)
            outturn |= weighed
            if step.basis != "mass-ratio":
                outturn["assay"] = f"{assay:.4f}"
            if loss:
                outturn["loss_on_drying"] = f"{loss:g}"
            outturns.append(outturn)
            dry = written * (1.0 - loss)
            totals = [a + b for a, b in zip(totals, (written, dry, dry * assay), strict=True)]
            strength = (1.0 - loss) * assay
            effect = self._effect(outturn["lot"], step.product, strength)
            # What a slip made of an amount is not on the shelf, so nobody takes it.
            if slip is None:
                digits = self._digits_of(step.product, step.digits)
                self._stock(step.product, "g", digits).put(OnShelf(outturn["lot"], written, strength, effect))
        if self.source.random() < 0.1:
            back = max(0.02 * step.batch_g, 0.1)
            outturns.append({"material": step.key, "role": "recovered", "lot": f"{run}-back", "net": f"{back:.2f} g"})
        net, dry, contained = totals
        return outturns, net, dry, contained

    def _digits_of(self, material: str, digits: int) -> int:
        """The digits of the balance of the step that takes a material, where one does."""
        return next((step.digits for step in self.design.steps if step.key == material), digits)
