"""A workshop drawn at random with what accountants dislike, and its money by another road: fractions and unit costs.

Nothing here knows the order of the ledger, whole millionths or the last take of a lot: a unit of a lot costs what all
of it cost over how much there was, and everything else is a sum of that.
"""

from __future__ import annotations

import datetime as dt
import random
from collections import defaultdict
from collections.abc import Iterator
from fractions import Fraction
from functools import cache
from typing import Any

Body = dict[str, Any]
FIRST = dt.date(2025, 1, 6)
RATES = ((dt.date(2024, 1, 1), Fraction("0.91")), (FIRST + dt.timedelta(40), Fraction("0.80")))
"""Euros for a dollar, from a day on."""
WASTE = ((dt.date(2024, 1, 1), None, Fraction("0.5")), (FIRST + dt.timedelta(30), "heavy", Fraction(2)))
"""Euros a kg of waste, from a day on, of a class."""
SPIRIT = Fraction("0.8")
"""g/mL."""
OFFERS = {"soda": Fraction("0.004"), "spirit": Fraction("0.0125")}
"""Euros a gram by the shop's offers."""


def on(day: int) -> str:
    return (FIRST + dt.timedelta(day)).isoformat()


def money(amount: str, currency: str = "EUR") -> Body:
    return {"amount": amount, "currency": currency}


def grams(text: str) -> Fraction:
    """Of what is written in g or mL of spirit."""
    number, unit = text.split()
    return Fraction(number) * (SPIRIT if unit == "mL" else 1)


def drawn(seed: int, runs: int = 14) -> list[tuple[str, str, Body]]:
    """Records of every kind, as kind, code and body."""
    draw = random.Random(seed)
    book: list[tuple[str, str, Body]] = [
        ("workshop", "workshop", {"title": "audited", "currency": "EUR"}),
        ("supplier", "shop", {"name": "shop"}),
        *(("material", code, {"name": code}) for code in ("ore", "soda", "cake", "sludge")),
        ("material", "spirit", {"name": "spirit", "density": "0.8 g/mL", "solvent": True}),
        ("offer", "soda-1kg", {"material": "soda", "supplier": "shop", "pack": "1 kg", "price": money("4")}),
        ("offer", "spirit-1l", {"material": "spirit", "supplier": "shop", "pack": "1 L", "price": money("10")}),
    ]
    for day, rate in RATES:
        body = {"base": "USD", "quote": "EUR", "rate": str(float(rate)), "valid_from": day.isoformat()}
        book.append(("exchange-rate", f"usd-{day}", body))
    for day, waste_class, per_kg in WASTE:
        body = {"of": "waste", "class": waste_class, "price": money(str(float(per_kg))), "per": "1 kg"}
        book.append(("rate", f"waste-{day}", {**body, "valid_from": day.isoformat()}))
    step = {"code": "wash", "basis": "mass-ratio", "key_input": "ore", "product": "cake"}
    step["consumables"] = money("0.50", "USD")
    book.append(("route", "wash", {"name": "wash", "product": "cake", "steps": [step]}))
    left: dict[str, Fraction] = {}
    ready: dict[str, int] = {}
    for number, (day, currency, share_by) in enumerate([(0, "EUR", "value"), (35, "USD", "mass")]):
        lines = []
        for material, amount in (("ore", "900 g"), ("soda", "400 g"), ("spirit", "1000 mL")):
            price = money(draw.choice(["0", "7.77", "12.34"]) if material != "ore" else "9.99", currency)
            lines.append({"lot": f"{material}-{number}", "material": material, "amount": amount, "price": price})
            left[f"{material}-{number}"] = grams(amount)
        receipt = {"supplier": "shop", "bought_on": on(day), "received_on": on(day + 2), "lines": lines}
        extra = {"shipping": money("4.90", currency), "tax": money("2.07", currency), "share_by": share_by}
        book.append(("purchase", f"receipt-{number}", receipt | extra))
    entries = ["delivery", "sample", "write-off", "disposal", "recount", "reversed"]
    for number in range(runs):
        day, code = 3 + 5 * number, f"R-{number}"
        lots = [f"{material}-{int(day >= 40)}" for material in ("ore", "soda", "spirit")]
        amounts = [f"{draw.randint(200, 900) / 10} g", f"{draw.randint(50, 150) / 10} g", f"{draw.randint(10, 40)} mL"]
        charges: list[Body] = [{"lot": lot, "amount": each} for lot, each in zip(lots, amounts, strict=True)]
        if draw.random() < 0.4:
            charges[1] = {"material": "soda", "amount": amounts[1]}
            if draw.random() < 0.6:
                charges[1]["price"] = {**money("3", "USD"), "per": "1 kg"}
        back = [lot for lot in left if lot.startswith("back") and left[lot] > 5 and ready[lot] <= day]
        if back and draw.random() < 0.7:
            charges.append({"lot": back[0], "amount": "5.5 mL" if draw.random() < 0.5 else "4.4 g"})
        status = draw.choices(["finished", "failed", "abandoned", "open"], [12, 2, 1, 1])[0]
        body: Body = {"route": "wash", "step": "wash", "status": status, "started_on": on(day), "charges": charges}
        ended = day + draw.randint(0, 9)
        if status != "open":
            body["finished_on"] = on(ended)
            body["outturns"] = list(_outturns(draw, code, status))
        book.append(("run", code, body))
        made = {row["lot"]: grams(row["net"]) for row in body.get("outturns", ()) if "lot" in row}
        left |= made
        ready |= dict.fromkeys(made, ended)
        for charge in charges:
            if "lot" in charge:
                left[charge["lot"]] -= grams(charge["amount"])
        cakes = [lot for lot in left if lot.startswith("cake") and left[lot] > 4]
        if len(cakes) > 1 and draw.random() < 0.4:
            parts = [{"lot": lot, "amount": "1.5 g"} for lot in cakes[:2]]
            book.append(("pool", f"pool-{number}", {"made_on": on(day + 9), "from": parts, "lot": f"cake-p{number}"}))
            left |= {lot: left[lot] - Fraction("1.5") for lot in cakes[:2]} | {f"cake-p{number}": Fraction(3)}
        elif cakes and entries:
            kind = entries.pop()
            entry = {"lot": cakes[0], "kind": kind.replace("reversed", "sample"), "on": on(day + 9), "amount": "2.25 g"}
            book.append(("stock-entry", f"entry-{number}", entry))
            if kind == "reversed":
                undone = {"reverses": f"entry-{number}", "on": on(day + 11), "reason": "the other jar"}
                book.append(("stock-entry", f"back-{number}", undone))
            left[cakes[0]] = Fraction("2.25") if kind == "recount" else left[cakes[0]] - Fraction("2.25")
    return book


def _outturns(draw: random.Random, code: str, status: str) -> Iterator[Body]:
    """Crops with and without a lot, spirit that came back by every way to share, and waste in g and mL."""
    how = draw.choice(["", "", "credit", "cost_share", "realisable_value"])
    stated: dict[str, Body] = {
        "credit": {"credit": money("0.05", "USD")},
        "cost_share": {"cost_share": "0.1"},
        "realisable_value": {"realisable_value": money("0.30", "USD")},
    }
    crops = draw.choice([1, 2]) if status == "finished" else 0
    for crop in range(crops):
        row: Body = {"material": "cake", "net": f"{draw.randint(80, 300) / 10} g"}
        row |= draw.choice([{}, {"assay": "0.8"}, {"assay": "0.9", "loss_on_drying": "0.1"}])
        if draw.random() < 0.8:
            row["lot"] = f"cake-{code}{crop}"
        if how == "realisable_value":
            row[how] = money("1.20")
        yield row
    if draw.random() < 0.7:
        row = {"material": "spirit", "role": "recovered", "lot": f"back-{code}", "net": f"{draw.randint(8, 20)} mL"}
        yield row | stated.get(how if status == "finished" or how != "realisable_value" else "", {})
    yield {"material": "sludge", "role": "waste", "net": "150 g", "waste_class": draw.choice([None, "heavy"])}
    yield {"material": "spirit", "role": "waste", "net": "10 mL"}


class Audit:
    """What everything of a drawn book cost, in euros."""

    def __init__(self, book: list[tuple[str, str, Body]]) -> None:
        self.of: dict[str, dict[str, Body]] = defaultdict(dict)
        for kind, code, body in book:
            self.of[kind][code] = body
        self.size: dict[str, Fraction] = {}
        self.source: dict[str, tuple[str, str]] = {}
        for code, body in self.of["purchase"].items():
            self._shelve(("purchase", code), ((line["lot"], grams(line["amount"])) for line in body["lines"]))
        for code, body in self.of["run"].items():
            rows = body.get("outturns", ())
            self._shelve(("run", code), ((row["lot"], grams(row["net"])) for row in rows if "lot" in row))
        for code, body in self.of["pool"].items():
            self._shelve(("pool", code), [(body["lot"], sum(grams(part["amount"]) for part in body["from"]))])
        self.unit, self.run = cache(self._unit), cache(self._run)

    def _shelve(self, source: tuple[str, str], lots: Any) -> None:
        for lot, size in lots:
            self.size[lot], self.source[lot] = size, source

    def value(self, lot: str) -> Fraction:
        """What all of a lot cost."""
        return self.unit(lot) * self.size[lot]

    def _unit(self, lot: str) -> Fraction:
        kind, code = self.source[lot]
        if kind == "purchase":
            return self._landed(code)[lot] / self.size[lot]
        if kind == "pool":
            parts = self.of["pool"][code]["from"]
            return sum(self.unit(part["lot"]) * grams(part["amount"]) for part in parts) / self.size[lot]
        rows = self.of["run"][code]["outturns"]
        place = next(place for place, row in enumerate(rows) if row.get("lot") == lot)
        return self.run(code)["carried"][place] / self.size[lot]

    def _landed(self, code: str) -> dict[str, Fraction]:
        body = self.of["purchase"][code]
        paid = {line["lot"]: euros(line["price"], body["bought_on"]) for line in body["lines"]}
        extra = euros(body["shipping"], body["bought_on"]) + euros(body["tax"], body["bought_on"])
        by = paid if body["share_by"] == "value" else {lot: self.size[lot] for lot in paid}
        return {lot: value + extra * by[lot] / sum(by.values()) for lot, value in paid.items()}

    def _run(self, code: str) -> Body:
        body = self.of["run"][code]
        begun, ended, rows = body["started_on"], body.get("finished_on"), body.get("outturns", [])
        taken, direct = Fraction(0), euros(money("0.50", "USD"), begun)
        for charge in body["charges"]:
            size = grams(charge["amount"])
            if "lot" in charge:
                taken += self.unit(charge["lot"]) * size
            elif "price" in charge:
                direct += euros(charge["price"], begun) * size / 1000
            else:
                direct += OFFERS[charge["material"]] * size
        for row in rows:
            if row.get("role") == "waste":
                direct += waste_rate(row.get("waste_class"), begun) * grams(row["net"]) / 1000
        total = taken + direct
        carried = [Fraction(0)] * len(rows)
        rest, open_rows = total, []
        for place, row in enumerate(rows):
            if "credit" in row:
                carried[place] = euros(row["credit"], ended)
                rest -= carried[place]
        stated = sum(Fraction(row.get("cost_share", 0)) for row in rows)
        for place, row in enumerate(rows):
            if "cost_share" in row:
                carried[place] = rest * Fraction(row["cost_share"])
            elif body["status"] == "finished" and "credit" not in row and row.get("role") != "waste":
                open_rows.append(place)
        weights = [_worth(rows, place, open_rows, ended) for place in open_rows]
        for place, weight in zip(open_rows, weights, strict=True):
            carried[place] = rest * (1 - stated) * weight / sum(weights)
        return {"total": total, "taken": taken, "direct": direct, "carried": carried, "made": sum(carried)}

    def balance(self, day: str) -> dict[str, Fraction]:
        """Every line of both sides at the end of a day."""
        lines: dict[str, Fraction] = defaultdict(Fraction)
        left: dict[str, Fraction] = defaultdict(Fraction)
        for code, body in self.of["purchase"].items():
            if body["received_on"] <= day:
                lines["purchases"] += sum(self._landed(code).values())
                for line in body["lines"]:
                    left[line["lot"]] += self.size[line["lot"]]
        for code, body in self.of["run"].items():
            if body["started_on"] > day:
                continue
            run, done = self.run(code), body["status"] != "open" and body["finished_on"] <= day
            lines["direct"] += run["direct"]
            for charge in body["charges"]:
                if "lot" in charge:
                    left[charge["lot"]] -= grams(charge["amount"])
            if not done:
                lines["work_in_progress"] += run["total"]
                continue
            lines["abandoned" if body["status"] == "abandoned" else "failures"] += run["total"] - run["made"]
            for row, value in zip(body["outturns"], run["carried"], strict=True):
                if "lot" in row:
                    left[row["lot"]] += grams(row["net"])
                else:
                    lines["delivered"] += value
        for body in self.of["pool"].values():
            if body["made_on"] <= day:
                left[body["lot"]] += self.size[body["lot"]]
                for part in body["from"]:
                    left[part["lot"]] -= grams(part["amount"])
        self._entries(day, lines, left)
        lines["stock"] = sum((self.unit(lot) * size for lot, size in left.items()), Fraction(0))
        return lines

    def _entries(self, day: str, lines: dict[str, Fraction], left: dict[str, Fraction]) -> None:
        names = {"delivery": "delivered", "sample": "samples", "write-off": "write_offs", "disposal": "disposals"}
        entries = self.of["stock-entry"]
        undone = {body.get("reverses") for body in entries.values()}
        for code, body in entries.items():
            if "reverses" in body or code in undone or body["on"] > day:
                continue
            lot = body["lot"]
            size = grams(body["amount"])
            if body["kind"] == "recount":
                # Of the end of its day: what left the lot later stands beside it.
                size = self.book_size(lot, body["on"]) - size
            lines[names.get(body["kind"], "adjustments")] += size * self.unit(lot)
            left[lot] -= size

    def book_size(self, lot: str, day: str) -> Fraction:
        """What the lot held by the book at the end of a day, but for entries of the stock."""
        taken = [
            (grams(each["amount"]), body[when])
            for kind, rows, when in (("run", "charges", "started_on"), ("pool", "from", "made_on"))
            for body in self.of[kind].values()
            for each in body[rows]
            if each.get("lot") == lot
        ]
        return self.size[lot] - sum(size for size, when in taken if when <= day)


def euros(sum_of: Body, day: str) -> Fraction:
    """A sum of money at the rate of a day."""
    rate = 1 if sum_of["currency"] == "EUR" else max(each for each in RATES if each[0].isoformat() <= day)[1]
    return Fraction(sum_of["amount"]) * rate


def waste_rate(waste_class: str | None, day: str) -> Fraction:
    """Euros a kg: of the class where it has a rate on the day, else the one for all."""
    found = {each: rate for since, each, rate in WASTE if since.isoformat() <= day}
    return found.get(waste_class, found[None])


def _worth(rows: list[Body], place: int, among: list[int], day: str) -> Fraction:
    """By what an outturn shares: what it would fetch where all that share state it, else what it contains."""
    if all("realisable_value" in rows[each] for each in among):
        return euros(rows[place]["realisable_value"], day)
    row = rows[place]
    return grams(row["net"]) * (1 - Fraction(row.get("loss_on_drying", 0))) * Fraction(row.get("assay", 1))
