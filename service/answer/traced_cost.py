"""What a gram of a route's product really cost: all that its runs took and paid, traced to the receipts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np

from service.analytics.money.ancestry import Ancestry, behind_several
from service.analytics.money.identity import stock_on
from service.analytics.money.ledger import Kind
from service.analytics.money.loaded import Loaded
from service.analytics.money.traced import events_behind
from service.answer.book import Book
from service.answer.ledger import TracedLedger, traced_ledger
from service.answer.ledger_events import Facts
from service.answer.ledger_words import amount_of, money, unpriced_lines
from service.answer.prices import Exchange, Shop
from service.domain.route import Route
from service.domain.shelf_amount import UNITS_PER_BASE
from service.errors import NotComputable
from service.store.ledger_lines import LotRow

METHOD: Final = "traced-cost/1"
_MICRO: Final = 10**6


def traced_cost_of(
    book: Book, route_code: str, *, as_of: dt.date, currency: str | None = None, labour: bool = False
) -> dict[str, Any]:
    """Return what a gram of the product cost over every run of a route up to a day, per gram as isolated, dry.

    ``cost_per_g`` is loaded with the failures of every step behind it, ``cost_per_g_good_runs`` is without; what was
    abandoned stands on its own line, and what is not finished. ``by_material`` and ``direct`` make up the good runs'
    cost, ``failures_per_g`` is the rest. Cash is what was paid for the whole of every bought lot that is behind it;
    opening stock took none. Runs left out of statistics count here. Raises UnknownRecord for an unknown route.
    """
    return _TracedRoute(book, book.route(route_code), traced_ledger(book, currency, labour=labour), as_of).answer()


@dataclass(frozen=True)
class _TracedRoute:
    book: Book
    route: Route
    found: TracedLedger
    as_of: dt.date

    def answer(self) -> dict[str, Any]:
        """Lay everything out."""
        ledger, traced, shown = self.found.ledger, self.found.traced, self.found.basis.currency
        lots = self.lots_of(self.last_steps)
        dry_g, contained_g = self.masses(self.last_steps)
        unknown = bool(traced.unknown_lots[lots].any())
        good = _sum(traced.lot_micro[lots])
        loaded = self.loaded(lots)
        reasons = self.reasons(dry_g, contained_g, unknown)
        hours = self.behind.embodied(self.per_event("labour", "time")) / UNITS_PER_BASE["time"]
        if not any(each.of == "labour" for facts in self.facts_behind for each in facts.direct):
            reasons["labour_h_per_g"] = "no run states its hours"

        def per_g(micro: float | None, grams: float | None = dry_g) -> float | None:
            return None if micro is None or not grams else micro / _MICRO / grams

        known = None if unknown else loaded
        failures = None if known is None else known - good
        cash = self.cash
        return {
            "route": self.route.code,
            "product": self.route.product,
            "basis": "traced",
            "as_of": self.as_of.isoformat(),
            "currency": shown,
            "product_g": dry_g,
            "cost_per_g": per_g(known),
            "low": None,
            "high": None,
            "cost_per_g_good_runs": per_g(None if unknown else good),
            "failures_per_g": per_g(failures),
            "cost_per_contained_g": per_g(known, contained_g),
            "cash_per_g": per_g(None if unknown else cash),
            "labour_h_per_g": None if "labour_h_per_g" in reasons or not dry_g else hours / dry_g,
            "unpriced": unpriced_lines(self.unpriced(lots), self.found.columns.reasons),
            "cost_per_g_at_least": per_g(loaded),
            "consumed": None if known is None else money(known, shown),
            "cash": money(cash, shown),
            "leftovers": self.leftovers(),
            "failures": money(self.spent(Kind.FAILED), shown),
            "abandoned": money(self.spent(Kind.ABANDONED), shown),
            "work_in_progress": money(self.in_progress(), shown),
            "by_step": [self.step_line(step.code, step.product) for step in self.route.steps],
            "by_material": self.material_lines(per_g),
            "direct": self.direct_lines(per_g),
            "buy_instead": self.buy_instead(),
            "not_counted": sorted({name for facts in self.facts_behind for name in facts.not_counted}),
            "reasons": reasons,
            "rests_on": self.book.rests_on(
                self.as_of,
                METHOD,
                filters={"route": self.route.code, "currency": shown, "labour": self.found.basis.labour},
                runs=len(self.events()),
                left_out=[],
                lots=len(lots),
                events=len(ledger.events),
            ),
        }

    # ---- which runs and lots

    @cached_property
    def last_steps(self) -> frozenset[str]:
        """The steps that give the product."""
        return frozenset(step.code for step in self.route.steps if step.product == self.route.product)

    @cached_property
    def of_route(self) -> list[int]:
        """The numbers of the events that are runs of the route, begun by the day."""
        begun = np.flatnonzero((self.found.ledger.begun <= self.as_of.toordinal()) & (self.found.ledger.step >= 0))
        return [event for event in begun.tolist() if self.facts(event).route == self.route.code]

    def facts(self, event: int) -> Facts:
        """What is said of an event."""
        found: Facts = self.found.columns.facts[event]
        return found

    def events(self, steps: frozenset[str] | None = None, *kinds: Kind) -> list[int]:
        """The runs of the route, of some steps and kinds where these are named; those named by kind have ended."""
        ledger, day = self.found.ledger, self.as_of.toordinal()
        return [
            event
            for event in self.of_route
            if (steps is None or self.facts(event).step in steps)
            and (not kinds or (ledger.kind[event] in kinds and ledger.ended[event] <= day))
        ]

    def lots_of(self, steps: frozenset[str]) -> list[int]:
        """The lots of product that good runs of some steps made."""
        order, product = self.found.ledger.order, self.found.ledger.product
        lots = []
        for event in self.events(steps, Kind.FINISHED):
            made = order.lots[order.first_lot[event] : order.first_lot[event] + order.lot_count[event]]
            lots += made[product[made] > 0].tolist()
        return lots

    def masses(self, steps: frozenset[str]) -> tuple[float | None, float | None]:
        """Dry and contained grams of product of the good runs of some steps; None where one is not known."""
        columns = self.book.columns
        codes = [self.facts(event).source_code for event in self.events(steps, Kind.FINISHED)]
        places = columns.of_runs(codes)
        dry, contained = float(columns.dry_g[places].sum()), float(columns.contained_g[places].sum())
        return dry if np.isfinite(dry) else None, contained if np.isfinite(contained) else None

    # ---- sums

    @cached_property
    def behind(self) -> Ancestry:
        """What is behind all of the product."""
        lots = self.lots_of(self.last_steps)
        return behind_several(self.found.ledger, {lot: float(self.found.ledger.quantity[lot]) for lot in lots})

    @cached_property
    def facts_behind(self) -> list[Facts]:
        """What is said of the events behind the product."""
        return [self.facts(event) for event in self.behind.events]

    @cached_property
    def cash(self) -> float:
        """All that was paid for the bought lots behind the product, and beside lots for the runs behind it."""
        ledger = self.found.ledger
        lots = [each.lot for each in self.behind.bought if ledger.kind[ledger.made_by[each.lot]] == Kind.PURCHASE]
        return _sum(self.found.traced.lot_micro[lots]) + self.behind.direct_micro

    @cached_property
    def load(self) -> Loaded | str:
        """What every lot carries with its load, or why that cannot be said."""
        try:
            return self.found.loaded(self.as_of)
        except NotComputable as error:
            return str(error)

    def loaded(self, lots: Sequence[int]) -> float | None:
        """What some lots carry with the failures behind them, in 10⁻⁶."""
        return None if isinstance(self.load, str) else float(np.sum(self.load.lot_micro[lots]))

    def per_event(self, of: str, dimension: str) -> Mapping[int, float]:
        """So much of one thing that the events behind the product used beside their lots."""
        return {
            event: float(
                sum(x.quantity or 0 for x in self.facts(event).direct if (x.of, x.dimension) == (of, dimension))
            )
            for event in self.behind.events
        }

    def spent(self, kind: Kind, steps: frozenset[str] | None = None) -> int:
        """What no lot carries of the runs of a kind that ended by the day."""
        return _sum(self.found.traced.rest_micro[self.events(steps, kind)])

    def in_progress(self) -> int:
        """What is in runs that have begun and not ended by the day."""
        ended = self.found.ledger.ended
        return _sum(self.found.traced.total_micro[[e for e in self.of_route if ended[e] > self.as_of.toordinal()]])

    def unpriced(self, lots: Sequence[int]) -> set[str]:
        """The names of what has no known cost behind the product."""
        names: set[str] = set()
        for event in events_behind(self.found.ledger, lots):
            names.update(self.found.ledger.unpriced.get(event, ()))
        return names | {self.found.columns.lots[lot] for lot in lots if not self.found.ledger.quantity[lot]}

    def reasons(self, dry_g: float | None, contained_g: float | None, unknown: bool) -> dict[str, str]:
        """Why what is null is so."""
        why: str | None = None
        if dry_g is None:
            why = "the dry mass of a run's product is not known"
        elif not dry_g:
            why = "no run of the route has given its product by then"
        elif unknown:
            why = "something behind it is unpriced"
        reasons = dict.fromkeys(("low", "high"), "what was paid is no estimate")
        reasons["leak_per_g"] = "what could be gained is a matter of today's prices: the standard basis has it"
        names = ("cost_per_g", "cost_per_g_good_runs", "failures_per_g", "cost_per_contained_g", "cash_per_g")
        if unknown:
            reasons["consumed"] = "something behind it is unpriced"
        if why is not None:
            reasons |= dict.fromkeys(names, why)
        elif not contained_g:
            reasons["cost_per_contained_g"] = "what the product contains is not known"
        if not dry_g and why is not None:
            reasons |= dict.fromkeys(("cost_per_g_at_least", "labour_h_per_g"), why)
        if isinstance(self.load, str):
            unloaded = ("cost_per_g", "failures_per_g", "cost_per_g_at_least", "consumed")
            return reasons | dict.fromkeys(unloaded, self.load)
        unspread = self.load.unspread
        lost = [self.found.ledger.steps[step] for step in unspread if self.found.ledger.steps[step].startswith(
            f"{self.route.code}/")]  # fmt: skip
        if lost:
            reasons["failures"] = f"those of {', '.join(sorted(lost))} found no product to be spread over"
        return reasons

    # ---- lines

    def step_line(self, step: str, product: str) -> dict[str, Any]:
        """One step: its runs, what a dry gram of its product cost, and what failed."""
        steps, shown = frozenset([step]), self.found.basis.currency
        lots = self.lots_of(steps)
        dry_g, _ = self.masses(steps)
        good = _sum(self.found.traced.lot_micro[lots]) / _MICRO
        loaded = self.loaded(lots)
        known = bool(dry_g) and not self.found.traced.unknown_lots[lots].any()
        kinds = {"finished": Kind.FINISHED, "failed": Kind.FAILED, "abandoned": Kind.ABANDONED}
        runs = {name: len(self.events(steps, kind)) for name, kind in kinds.items()}
        runs["open"] = len(self.events(steps)) - sum(runs.values())
        return {
            "step": step,
            "product": product,
            "runs": runs,
            "product_g": dry_g,
            "cost_per_g": loaded / _MICRO / dry_g if known and dry_g and loaded is not None else None,
            "cost_per_g_good_runs": good / dry_g if known and dry_g else None,
            "leak_per_g": None,
            "failures": money(self.spent(Kind.FAILED, steps), shown),
            "abandoned": money(self.spent(Kind.ABANDONED, steps), shown),
            "reasons": self._step_reasons(dry_g, known),
        }

    @staticmethod
    def _step_reasons(dry_g: float | None, known: bool) -> dict[str, str]:
        if known:
            return {}
        why = "something behind it is unpriced" if dry_g else "no run has given its product by then"
        if dry_g is None:
            why = "the dry mass of a run's product is not known"
        return dict.fromkeys(("cost_per_g", "cost_per_g_good_runs"), why) | (
            {"product_g": why} if dry_g is None else {}
        )

    def material_lines(self, per_g: Any) -> list[dict[str, Any]]:
        """What of each bought material is behind a gram of the good runs' product, the dearest first."""
        amounts: dict[tuple[str, str], float] = {}
        micro: dict[str, float] = {}
        for each in self.behind.bought:
            row: LotRow = self.found.columns.rows[each.lot]
            key = (row.material, row.dimension)
            amounts[key] = amounts.get(key, 0.0) + each.amount
            micro[row.material] = micro.get(row.material, 0.0) + each.micro
        for event, part in self.behind.events.items():
            for used in self.facts(event).direct:
                if used.of == "charge" and used.material is not None and used.dimension is not None:
                    key = (used.material, used.dimension)
                    amounts[key] = amounts.get(key, 0.0) + part * (used.quantity or 0)
                    micro[used.material] = micro.get(used.material, 0.0) + part * (used.micro or 0)
        dry_g, _ = self.masses(self.last_steps)
        lines = []
        for material, cost in sorted(micro.items(), key=lambda item: (-item[1], item[0])):
            line: dict[str, Any] = {"material": material, "cost_per_g": per_g(cost)}
            for (of, dimension), amount in sorted(amounts.items()):
                if of == material:
                    sized = amount_of(amount / dry_g if dry_g else None, dimension)
                    line |= {f"{name}_per_g": value for name, value in sized.items()}
            lines.append(line)
        return lines

    def direct_lines(self, per_g: Any) -> list[dict[str, Any]]:
        """What the good runs paid beside all materials: energy, waste, consumables, labour where it is counted."""
        micro: dict[str, float] = {}
        for event, part in self.behind.events.items():
            for used in self.facts(event).direct:
                if used.of != "charge" and used.micro is not None:
                    micro[used.of] = micro.get(used.of, 0.0) + part * used.micro
        return [{"name": name, "cost_per_g": per_g(cost)} for name, cost in sorted(micro.items())]

    def leftovers(self) -> list[dict[str, Any]]:
        """What is left of the bought lots behind the product, with its worth and expiry."""
        left = stock_on(self.found.ledger, self.found.traced, self.as_of.toordinal())
        lines = []
        for each in self.behind.bought:
            row: LotRow = self.found.columns.rows[each.lot]
            if left.quantity[each.lot]:
                priced = not self.found.traced.unknown_lots[each.lot]
                worth = money(int(left.micro[each.lot]), self.found.basis.currency) if priced else None
                lines.append({"lot": row.code, "material": row.material, "expires_on": row.expires_on, "value": worth,
                              **amount_of(int(left.quantity[each.lot]), row.dimension)})  # fmt: skip
        return lines

    def buy_instead(self) -> dict[str, Any] | None:
        """The offer of the product that is cheapest for what it contains."""
        materials = self.book.materials([self.route.product])
        shop = Shop(self.book, materials, Exchange(self.book, self.found.basis.currency, self.as_of), frozenset())
        price = shop.offered(self.route.product)
        return None if price is None else {"offer": price.code, "cost_per_g": price.per_g}


def _sum(values: Iterable[Any]) -> int:
    """Sum in Python's whole numbers."""
    return sum(int(value) for value in values)
