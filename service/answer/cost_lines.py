"""The steps of a route as lines of money: what a gram of each one's key input pays for, at the prices of a day."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from service.analytics.money.standard_cost import CostLine, StepCost
from service.analytics.money.steady_state import Circulation
from service.analytics.statistics.ratio import ratio_of_totals
from service.answer.beside_product import BesideProduct, Waste
from service.answer.prices import Exchange, GramPrice
from service.answer.route_model import Input, RouteModel, StepModel
from service.domain.route import MASS_RATIO
from service.domain.shelf_amount import base_in_dimension
from service.domain.workshop import Rate


class CostLines:
    """Turns the steps of a model into lines of money."""

    def __init__(self, model: RouteModel, prices: dict[str, GramPrice], exchange: Exchange, labour: bool) -> None:
        self.model, self.prices, self.exchange, self.labour = model, prices, exchange, labour
        self.not_counted: list[str] = []
        self.unknown_needs: dict[str, str] = {}

    def step_cost(self, model: StepModel) -> StepCost:
        """Return a step that pays for all that it takes in, whatever comes back, and not for its waste."""
        runs, factor = model.runs, model.factor_g_per_g
        batch_g = runs.typical_batch_g
        lines = [self._line(each) for each in model.inputs if each.maker is None]
        lines += self._direct(model)
        if batch_g is None:
            for line in lines:
                if line.per_batch:
                    self.unknown_needs[line.name] = (
                        f"step {model.step.code} has no run and no limits to tell a batch by"
                    )
            lines = [CostLine(x.name, None, 0.0, x.kind) if x.per_batch else x for x in lines]
        upstream = []
        for each in model.inputs:
            if each.maker is not None:
                share = self._share(each, batch_g)
                if share is None:
                    lines.append(CostLine(each.material, None))
                else:
                    upstream.append((each.maker, share))
        if factor is None:
            return StepCost(model.step.code, None, tuple(lines), tuple(upstream), batch_g)
        ratio = ratio_of_totals(runs.capped_contained_g, runs.all_theoretical_g)
        good = len(runs.yields)
        usable = float(runs.all_theoretical_g[:good].sum())
        best = runs.best
        expected = ratio.ratio
        if expected is None and runs.step.expected_yield is not None:
            expected = runs.step.expected_yield.likely
            self.not_counted.append(f"step {model.step.code} has no run: its expected yield is an opinion")
        return StepCost(
            code=model.step.code,
            ratio_per_g=_times(expected, factor),
            lines=tuple(lines),
            upstream=tuple(upstream),
            batch_g=batch_g,
            ratio_good=_times(float(runs.capped_contained_g[:good].sum()) / usable if usable else expected, factor),
            ratio_limit=None if runs.step.basis == MASS_RATIO else factor,
            ratio_best=_times(None if best is None else best[1], factor),
            ratio_se=_times(ratio.se, factor),
            runs=len(runs.all_theoretical_g),
        )

    def circulation(
        self, model: StepModel, cost: StepCost, beside: BesideProduct, *, good: bool = False
    ) -> Circulation:
        """Return what a step takes in and what its runs, or the good ones alone, give back."""
        takes: dict[str, float] = {}
        makers: dict[str, int] = {}
        for each in model.inputs:
            if each.maker is not None:
                makers[each.material] = each.maker
            if each.need.per_g is not None:
                a_batch_g = (each.need.per_batch_g or 0.0) / cost.batch_g if cost.batch_g else 0.0
                takes[each.material] = takes.get(each.material, 0.0) + each.need.per_g + a_batch_g
        ratio = cost.ratio_good if good else cost.ratio_per_g
        return Circulation(ratio, takes, beside.gives_back(good=good), makers)

    def _share(self, each: Input, batch_g: float | None) -> float | None:
        """Grams of another step's product a gram of key input; what a batch takes is spread over a typical one."""
        need = each.need
        if need.per_g is None:
            self.unknown_needs[each.material] = need.reason or "its need is not known"
            return None
        if not need.per_batch_g:
            return need.per_g
        if not batch_g:
            self.unknown_needs[each.material] = "it is needed by the batch, and nothing tells how large one is"
            return None
        return need.per_g + need.per_batch_g / batch_g

    def _line(self, each: Input) -> CostLine:
        price, need = self.prices.get(each.material), each.need
        if need.per_g is None:
            self.unknown_needs[each.material] = need.reason or "its need is not known"
        if price is None or need.per_g is None:
            return CostLine(each.material, None)
        per_g = price.per_g / self.model.worth(price.material, price.strength)
        return CostLine(each.material, need.per_g * per_g, (need.per_batch_g or 0.0) * per_g, unit_price=per_g)

    def _direct(self, model: StepModel) -> list[CostLine]:
        step = model.step
        lines: list[CostLine] = []
        if step.consumables is not None:
            lines.append(CostLine("consumables", 0.0, float(self.exchange.of(step.consumables)), "direct"))
        paid = [("energy", step.energy)] + ([("labour", step.labour)] if self.labour else [])
        for of, quantity in paid:
            if quantity is None:
                continue
            rate = self._rate(of)
            if rate is None:
                self.not_counted.append(f"{of} of step {step.code}: no rate is recorded")
            else:
                lines.append(CostLine(of, 0.0, quantity.base() * rate, "direct", rate))
        return lines

    def with_waste(self, model: StepModel, cost: StepCost, beside: BesideProduct) -> tuple[StepCost, StepCost]:
        """Return a step that pays for its waste too: for that of all its runs, and for that of the good ones alone."""
        if not beside.waste or not beside.key_input_g:
            return cost, cost
        paid = good = 0.0
        counted = False
        not_counted: dict[str, None] = {}
        for waste in beside.waste:
            money = self._disposal(waste)
            if isinstance(money, str):
                of_class = "" if waste.waste_class is None else f" of class {waste.waste_class}"
                not_counted[f"waste{of_class} of step {model.step.code}: {money}"] = None
                continue
            counted, paid = True, paid + money
            good += money if waste.good else 0.0
        self.not_counted += not_counted
        if not counted:
            return cost, cost

        def line(spent: float, fed_g: float) -> StepCost:
            return replace(cost, lines=(*cost.lines, CostLine("waste", spent / fed_g if fed_g else 0.0, kind="direct")))

        return line(paid, beside.key_input_g), line(good, beside.good_key_input_g)

    def _disposal(self, waste: Waste) -> float | str:
        """Money for the waste of one line by the newest rate of its class, else of no class; else why it has none."""
        rate = self._rate_of("waste", waste.waste_class) or self._rate_of("waste")
        if rate is None:
            return "no rate is recorded"
        base: Fraction | str | None = waste.base
        by = f"its rate is by {rate.per.dimension}, it was recorded by {waste.dimension}, and "
        if waste.base is not None:
            every = self.model.book.materials({waste.material})
            own = every[waste.material]
            base = base_in_dimension(
                waste.base, waste.dimension, rate.per.dimension, waste.strength, own, every.get(own.analyte_code)
            )
        if base is None:
            return f"how much {waste.material} it was is not known"
        return (
            by + base if isinstance(base, str) else float(self.exchange.of(rate.price)) / rate.per.base() * float(base)
        )

    def _rate(self, of: str) -> float | None:
        """Money an hour or a kilowatt-hour by the newest rate of the day or before."""
        rate = self._rate_of(of)
        return None if rate is None else float(self.exchange.of(rate.price)) / rate.per.base()

    def _rate_of(self, of: str, waste_class: str | None = None) -> Rate | None:
        found = [
            rate
            for rate in self.model.book.rates
            if rate.of == of and rate.waste_class == waste_class and rate.valid_from <= self.exchange.as_of
        ]
        return found[-1] if found else None


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor
