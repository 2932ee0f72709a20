"""The routes of a generated book: their true steps, and the records that say what a workshop would write of them."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from typing import Any

from tests.world.chemistry import (
    FAMILIES,
    INVENTED_START,
    REAGENTS,
    SUBSTANCES,
    Turn,
    invented_turn,
    molar_mass,
)
from tests.world.truth import TrueStep

Line = dict[str, Any]
WATER_EUR_PER_L = 0.0045
RISES = (("2024-10-01", "2025-05-31", 0.8), ("2025-06-01", "2026-02-28", 0.9), ("2026-03-01", None, 1.0))
"""Each offer of a material: first day, last day, share of the newest price."""


@dataclass
class Feed:
    """A material that a workshop buys to begin with: how it is packed, its newest price, its nominal strength."""

    code: str
    pack_g: int
    price: float
    strength: float
    analyte: str | None = None


@dataclass
class Design:
    """One route: its true steps in order, what it buys, and the lines of its materials, offers and of itself."""

    code: str
    steps: list[TrueStep] = field(default_factory=list)
    feeds: list[Feed] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)


def eur(amount: float) -> dict[str, str]:
    """Money as it is written, to a hundredth of a cent."""
    return {"amount": f"{amount:.4f}", "currency": "EUR"}


def offers(material: str, supplier: str, pack: str, price: float, **strength: str) -> list[Line]:
    """Three offers of one pack whose price rises."""
    lines = []
    for number, (start, end, share) in enumerate(RISES, start=1):
        record = {"material": material, "supplier": supplier, "pack": pack, "price": eur(price * share), **strength}
        record |= {"valid_from": start} | ({"valid_to": end} if end else {})
        lines.append({"kind": "offer", "code": f"{material}-offer-{number}", "record": record})
    return lines


def shared_lines(suppliers: int) -> list[Line]:
    """What all routes share: the workshop, suppliers, reagents and what reactions give besides the product."""
    lines: list[Line] = [
        {"kind": "workshop", "code": "workshop", "record": {"title": "a generated book", "currency": "EUR"}},
        *({"kind": "project", "code": f"project-{n}", "record": {"name": f"project {n}"}} for n in range(3)),
        *({"kind": "supplier", "code": f"supplier-{n}", "record": {"name": f"supplier {n}"}} for n in range(suppliers)),
    ]
    for code in ("water", "carbon-dioxide", "sodium-sulfate", "salt"):
        record: dict[str, Any] = {"name": code.replace("-", " "), "formula": SUBSTANCES[code][0]}
        if code == "water":
            record |= {"phase": "liquid", "density": "0.998 g/mL", "solvent": True}
        lines.append({"kind": "material", "code": code, "record": record})
    price = {"material": "water", "supplier": "supplier-0", "pack": "1 L", "price": eur(WATER_EUR_PER_L)}
    lines.append({"kind": "offer", "code": "water-offer", "record": price})
    for reagent in REAGENTS.values():
        record = {"name": reagent.code.replace("-", " ")}
        if reagent.code in SUBSTANCES:
            record["formula"] = SUBSTANCES[reagent.code][0]
        else:
            record["molar_mass"] = f"{reagent.molar:g} g/mol"
        lines.append({"kind": "material", "code": reagent.code, "record": record})
        strength = {"assay": f"{reagent.strength:g}"} if reagent.form in ("mass", "volume") else {}
        strength |= {"density": f"{reagent.density:g} g/mL"} if reagent.form == "volume" else {}
        lines.extend(offers(reagent.code, "supplier-0", f"{reagent.pack} {reagent.unit}", reagent.price, **strength))
    return lines


class Designer:
    """One route being designed. ``kind`` cycles through a plain chain, a content, a branch and an invented chain."""

    def __init__(self, code: str, number: int, steps: int, source: random.Random, extra_sigma: float) -> None:
        self.design = Design(code)
        self.source = source
        self.extra_sigma = extra_sigma
        self.wanted = steps
        self.kind = number % 4
        self.family = FAMILIES[number % len(FAMILIES)]

    def designed(self) -> Design:
        """Design the route and write its record."""
        steps = self.wanted
        if self.kind == 1 and steps > 1:
            last = self._chain(steps - 1, content_first=True)
        elif self.kind == 2 and steps > 2:
            last = self._join(self._chain(steps - 2), self._chain(1, name="side"))
        elif self.kind == 3 and steps > 1:
            last = self._join(self._invented(steps - 1), None)
        else:
            last = self._chain(steps)
        self.design.lines.append(
            {
                "kind": "route",
                "code": self.design.code,
                "record": {
                    "name": f"route {self.design.code}",
                    "product": last,
                    "steps": [self._record(step) for step in self.design.steps],
                },
            }
        )
        return self.design

    # ---- materials

    def _material(self, code: str, **record: Any) -> str:
        if all(line["code"] != code for line in self.design.lines):
            self.design.lines.append(
                {"kind": "material", "code": code, "record": {"name": code.replace("-", " "), **record}}
            )
        return code

    def _substance(self, name: str, stage: int, line: str) -> str:
        return self._material(f"{self.design.code}-{line}-{stage}-{name}", formula=SUBSTANCES[name][0], phase="solid")

    def _buy(self, code: str, strength: float, price: float, analyte: str | None = None) -> None:
        feed = Feed(code, 500, price, strength, analyte)
        self.design.feeds.append(feed)
        stated = {} if analyte else {"assay": f"{strength:g}"}
        self.design.lines.extend(offers(code, "supplier-0", f"{feed.pack_g} g", price, **stated))

    # ---- steps

    def _add(self, basis: str, key: str, product: str, **more: Any) -> TrueStep:
        source = self.source
        if basis == "mass-ratio":
            mu, sigma = math.log(source.uniform(0.8, 2.5)), source.uniform(0.05, 0.2)
        else:
            mean = source.uniform(0.55, 0.9)
            mu, sigma = math.log(mean / (1 - mean)), source.uniform(0.15, 0.5)
        step = TrueStep(
            route=self.design.code,
            code=f"step-{len(self.design.steps) + 1}",
            basis=basis,
            key=key,
            product=product,
            mu=mu,
            sigma=sigma,
            failing=source.choice([0.0, 0.02, 0.05, 0.12]),
            digits=1 if len(self.design.steps) % 2 == 0 else 2,
            extra_sigma=self.extra_sigma,
            **more,
        )
        self.design.steps.append(step)
        return step

    def _batch(self, key: str) -> float:
        """Typical g of key input: most of what one run of the step before gives, else 80 g."""
        before = next((step for step in self.design.steps if step.product == key), None)
        return 80.0 if before is None else max(3.0, 0.85 * before.batch_g * before.ratio)

    def _strength_of(self, key: str) -> float:
        before = next((step for step in self.design.steps if step.product == key), None)
        if before is not None:
            return before.product_strength
        return next(feed.strength for feed in self.design.feeds if feed.code == key)

    def _reacts(self, turn: Turn, key: str, product: str, key_molar: float, product_molar: float) -> TrueStep:
        strength = self._strength_of(key)
        per_g = strength / key_molar / turn.key_n * turn.product_n * product_molar
        return self._add(
            "stoichiometric",
            key,
            product,
            key_strength=strength,
            product_strength=0.96,
            theoretical_per_g=per_g,
            batch_g=self._batch(key),
            turn=turn,
            key_molar=key_molar,
            product_molar=product_molar,
            equivalents={code: count / turn.key_n * 1.15 for code, count in turn.reagents.items()},
            water_ml_per_g=5.0 if turn.reagents and "water" not in turn.unbilled else 0.0,
        )

    def _chain(self, steps: int, *, name: str = "line", content_first: bool = False) -> str:
        """Steps of one family one after another; from the third on, every third purifies what the one before made."""
        stage, turns = 0, self.family
        key = self._substance(turns[0].key, 0, name)
        if content_first:
            ore = self._material(f"{self.design.code}-ore", phase="solid")
            self._buy(ore, 0.30, 6.00, analyte=key)
            rich = self._material(
                f"{self.design.code}-concentrate", formula=SUBSTANCES[turns[0].key][0], analyte=key, phase="solid"
            )
            self._add(
                "content",
                ore,
                rich,
                analyte=key,
                key_strength=0.30,
                product_strength=0.7,
                theoretical_per_g=0.30,
                batch_g=200.0,
            )
            key = rich
        else:
            self._buy(key, 0.97, 12.00)
        molar, substance = molar_mass(turns[0].key), turns[0].key
        for number in range(steps):
            if number % 3 == 2:
                pure = self._material(
                    f"{key}-pure", formula=SUBSTANCES[substance][0], analyte=self._analyte_of(key), phase="solid"
                )
                strength = self._strength_of(key)
                self._add(
                    "recovery",
                    key,
                    pure,
                    key_strength=strength,
                    product_strength=0.99,
                    theoretical_per_g=strength,
                    batch_g=self._batch(key),
                )
                key = pure
                continue
            turn = turns[stage % len(turns)]
            stage += 1
            product = self._substance(turn.product, stage, name)
            self._reacts(turn, key, product, molar, molar_mass(turn.product))
            key, molar, substance = product, molar_mass(turn.product), turn.product
        return key

    def _analyte_of(self, code: str) -> str:
        record = next(line["record"] for line in self.design.lines if line["code"] == code)
        return str(record.get("analyte", code))

    def _invented(self, steps: int) -> str:
        """Steps between materials that have a molar mass and no formula."""
        mass = INVENTED_START
        key = self._material(f"{self.design.code}-invented-0", molar_mass=f"{mass:g} g/mol", phase="solid")
        self._buy(key, 0.97, 15.00)
        for stage in range(steps):
            turn, heavier = invented_turn(stage, mass)
            product = self._material(
                f"{self.design.code}-invented-{stage + 1}", molar_mass=f"{heavier:g} g/mol", phase="solid"
            )
            self._reacts(turn, key, product, mass, heavier)
            key, mass = product, heavier
        return key

    def _join(self, key: str, side: str | None) -> str:
        """A last step that counts a ratio of masses; ``side`` is the material of a branch that meets the line there."""
        product = self._material(f"{self.design.code}-blend", phase="solid")
        batch = self._batch(key)
        branch = None if side is None else (side, round(0.8 * self._batch(side) / batch, 2))
        self._add(
            "mass-ratio",
            key,
            product,
            key_strength=1.0,
            product_strength=1.0,
            theoretical_per_g=1.0,
            batch_g=batch,
            branch=branch,
        )
        return product

    # ---- the record

    def _record(self, step: TrueStep) -> dict[str, Any]:
        record: dict[str, Any] = {
            "code": step.code,
            "basis": step.basis,
            "key_input": step.key,
            "product": step.product,
        }
        bill: list[dict[str, str]] = []
        if step.analyte is not None:
            record["analyte"] = step.analyte
        if (turn := step.turn) is not None:
            record["reaction"] = {
                "reactants": {step.key: turn.key_n, **turn.reagents, **turn.unbilled},
                "products": {step.product: turn.product_n, **turn.besides},
            }
            bill += [{"material": code, "equivalents": f"{count:g}"} for code, count in step.equivalents.items()]
            if step.water_ml_per_g:
                bill.append({"material": "water", "per_key_input": f"{step.water_ml_per_g:g} mL/g"})
        if step.branch is not None:
            bill.append({"material": step.branch[0], "per_key_input": f"{step.branch[1]:g} g/g"})
        if bill:
            record["bill"] = bill
        return record


def design_route(code: str, number: int, steps: int, source: random.Random, extra_sigma: float) -> Design:
    """Design route ``number`` of a book with so many steps."""
    return Designer(code, number, steps, source, extra_sigma).designed()
