"""A scenario's changes, found in a plan's inputs by their names and made in a copy of them."""

from __future__ import annotations

import copy
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace

from service.analytics.planning.entries import bought_instead
from service.analytics.planning.inputs import PlanInputs, PlanQuestion
from service.analytics.planning.scenarios import (
    mean_yield,
    with_failure_rate,
    with_limits,
    with_needs,
    with_offers,
    with_price,
    with_yield,
    without_stock,
)
from service.answer.book import Book
from service.answer.plan_inputs import Gathered
from service.answer.prices import Exchange, Shop
from service.answer.route_model import RouteModel
from service.answer.scenario_names import unknown_name
from service.domain import what_if
from service.domain.bill import need_of, theoretical_per_gram, unit_holding
from service.domain.lot import Strength, measured
from service.domain.offer import Offer
from service.domain.quantity import Quantity
from service.domain.route import CONTENT, Step
from service.domain.what_if import Change
from service.errors import Fault, InvalidInput

_ORDER = (
    *(what_if.ASSAY, what_if.CONTENT, what_if.PACK, what_if.PRICE),
    *(what_if.YIELD, what_if.FAILURE_RATE, what_if.LIMITS, what_if.STOCK, what_if.BUY),
    *(what_if.TARGET, what_if.CONFIDENCE, what_if.ROUTE),
)
"""What others are reckoned from goes first, whatever the order in which it was written."""


@dataclass(slots=True)
class Altered:
    """A scenario as it will be planned: its inputs and its question, and the models that its steps came from."""

    gathered: Gathered
    inputs: PlanInputs
    question: PlanQuestion


class Changing:
    """The changes of one scenario, made one after another; what cannot be is a fault, and the rest goes on."""

    def __init__(self, book: Book, gathered: Gathered, question: PlanQuestion, exchange: Exchange) -> None:
        self.found = Altered(gathered, gathered.inputs, question)
        self.faults: list[Fault] = []
        self._book, self._gathered, self._exchange = book, gathered, exchange
        self._offers = {offer.code: offer for offer in gathered.costing.shop.offers}
        self._strengths: dict[str, Strength] = {}
        self._models = {
            own.code: pair for own, pair in zip(gathered.inputs.steps, gathered.models, strict=True)
        }  # fmt: skip

    def make(self, changes: list[tuple[str, Change]]) -> None:
        """Make all changes; each comes with its pointer."""
        bought: list[str] = []
        made_today = {step.code: step.product for step in self.found.inputs.steps}
        purchases = {made_today.get(change.step or "") for _, change in changes if change.kind == what_if.BUY}
        later: list[tuple[str, Change]] = []
        for pointer, change in sorted(changes, key=lambda each: _ORDER.index(each[1].kind)):
            if change.kind == what_if.PRICE and change.material is not None and change.material in purchases:
                later.append((pointer, change))  # what is made has no price until it is bought
                continue
            if change.kind == what_if.BUY:
                bought += self._bought(change, pointer)
                continue
            try:
                self._made(change, pointer)
            except InvalidInput as refused:
                self.faults += refused.faults
        if bought and not self.faults:
            self.found.inputs = bought_instead(self.found.inputs, bought)
            for pointer, change in later:
                try:
                    self._price(change, pointer)
                except InvalidInput as refused:
                    self.faults += refused.faults

    def _made(self, change: Change, pointer: str) -> None:
        kind, found = change.kind, self.found
        if kind in (what_if.YIELD, what_if.FAILURE_RATE, what_if.LIMITS):
            self._of_step(change, pointer)
        elif kind == what_if.CONTENT or (kind == what_if.ASSAY and change.material is not None):
            self._strength(change, pointer)
        elif kind == what_if.STOCK and change.material is not None:
            self._known(what="material", name=change.material, known=self._materials(), pointer=f"{pointer}/material")
            if not change.on:
                found.inputs = without_stock(found.inputs, [change.material])
        elif change.offer is not None:
            self._offer(change, pointer)
        elif kind == what_if.PRICE:
            self._price(change, pointer)
        elif kind == what_if.TARGET and change.target is not None:
            found.question = replace(found.question, target_g=change.target.base())
        elif kind == what_if.CONFIDENCE and change.confidence is not None:
            found.question = replace(found.question, confidence=change.confidence.base())

    def _known(self, *, what: str, name: str, known: Collection[str], pointer: str) -> str:
        if name not in known:
            raise InvalidInput([unknown_name(what, name, known, pointer)])
        return name

    def _step(self, change: Change, pointer: str) -> str:
        assert change.step is not None
        return self._known(what="step", name=change.step, known=self._models, pointer=f"{pointer}/step")

    def _materials(self) -> set[str]:
        inputs = self._gathered.inputs
        taken = {each.material for step in inputs.steps for each in step.plan.bought}
        unknown = {name for step in inputs.steps for name in step.unknown_needs}
        return taken | unknown | {step.product for step in inputs.steps}

    def _of_step(self, change: Change, pointer: str) -> None:
        code, inputs = self._step(change, pointer), self.found.inputs
        (step,) = (each for each in inputs.steps if each.code == code)
        if change.failure_rate is not None:
            self.found.inputs = with_failure_rate(inputs, code, change.failure_rate.base())
        elif change.kind == what_if.LIMITS:
            smallest = None if change.smallest is None else change.smallest.base()
            largest = None if change.largest is None else change.largest.base()
            least = smallest or step.plan.smallest_g or 0.0
            if (most := largest or step.plan.largest_g) is not None and most < least:
                detail = f"the largest batch of {code} would be {most:g} g and the smallest {least:g} g"
                key = "largest" if change.largest is not None else "smallest"
                raise InvalidInput([Fault("wrong-order", detail, pointer=f"{pointer}/{key}")])
            self.found.inputs = with_limits(inputs, code, smallest, largest)
        else:
            mean = None if change.new_yield is None else change.new_yield.base()
            times = 1.0 if change.factor is None else change.factor.base()
            wanted = mean_yield(step.plan.forecast) * times if mean is None else mean
            if wanted >= 1.0 and step.plan.forecast.scale == "logit":
                expected = "a mean yield below 1"
                detail = f"{code} would give {wanted:.3g} of what is possible: it takes {expected}"
                key = "yield" if mean is not None else "factor"
                raise InvalidInput([Fault("out-of-range", detail, wanted, expected, f"{pointer}/{key}")])
            self.found.inputs = with_yield(inputs, code, mean=mean, times=times)

    def _strength(self, change: Change, pointer: str) -> None:
        material = change.material
        assert material is not None
        self._known(what="material", name=material, known=self._materials(), pointer=f"{pointer}/material")
        takers = [
            code
            for code, (_, model) in self._models.items()
            if any(each.material == material and each.maker is None for each in model.inputs)
        ]
        if not takers or any(step.product == material for step in self._gathered.inputs.steps):
            detail = f"{material} is made by a step: change the yield of that step"
            raise InvalidInput([Fault("made-here", detail, material, pointer=f"{pointer}/material")])
        stands = self._strengths.get(material, self._models[takers[0]][0].strengths.get(material, Strength()))
        if change.content is not None:
            assert change.analyte is not None
            analytes = {
                model.step.analyte
                for code in takers
                if (model := self._models[code][1]).step.basis == CONTENT and model.step.key_input == material
            } - {None}
            known = {each for each in analytes if each is not None}
            self._known(what="analyte", name=change.analyte, known=known, pointer=f"{pointer}/analyte")
            content = measured(change.content)
            assert content is not None
            new = replace(stands, contents={**stands.contents, change.analyte: content})
        else:
            self._by_mass(material, pointer)
            new = replace(stands, assay=measured(change.assay), molarity=None, mass_concentration=None)
        self._replan(takers, pointer, {material: new})
        # All of it is then of that strength, whatever its packs and lots say: a gram of it is a gram of need.
        inputs = self.found.inputs
        gross = inputs.on_hand_g.get(material)
        counts = inputs.on_hand_counts_as_g if gross is None else {**inputs.on_hand_counts_as_g, material: gross}
        self.found.inputs = replace(inputs, on_hand_counts_as_g=counts)
        self._reshop(material)

    def _replan(
        self,
        codes: list[str],
        pointer: str,
        strength: Mapping[str, Strength],
    ) -> None:
        """Reckon anew what some steps take and give, beside what they do with the changes before this one."""
        for code in codes:
            model, this = self._models[code]
            before = self._amounts(model, this.step, self._strengths)
            after = self._amounts(model, this.step, {**self._strengths, **strength})
            lost = [name for name in after if name and (after[name] is None) != (before.get(name) is None)]
            if lost or not after[""] or not before[""]:
                detail = f"what step {code} takes of {', '.join(lost) or 'its key input'} cannot be told in grams"
                raise InvalidInput([Fault("not-in-grams", detail, pointer=pointer)])
            times = {name: _ratio(amount, before.get(name)) for name, amount in after.items()}
            inputs = self.found.inputs
            (own,) = (each for each in inputs.steps if each.code == code)
            places = {inputs.steps[place].product: place for place, _ in own.plan.upstream}
            self.found.inputs = with_needs(inputs, code, times, times[""], places)
        self._strengths |= strength

    def _amounts(self, model: RouteModel, step: Step, strengths: Mapping[str, Strength]) -> dict[str, float | None]:
        """Grams that a gram of key input takes of every line of the bill, and under no name what it can give."""
        known = {**model.strengths, **strengths}
        found: dict[str, float | None] = {"": theoretical_per_gram(step, model.materials, known)[0]}
        for line in step.bill:
            need = need_of(step, line, model.materials, known)
            found[line.material] = need.per_batch_g if line.per_batch is not None else need.per_g
        return found

    def _offer(self, change: Change, pointer: str) -> None:
        assert change.offer is not None
        materials = self._materials()
        known = {code: offer for code, offer in self._offers.items() if offer.material in materials}
        self._known(what="offer", name=change.offer, known=known, pointer=f"{pointer}/offer")
        offer = known[change.offer]
        if change.pack is not None:
            offer = replace(offer, pack=change.pack)
        elif change.assay is not None:
            self._by_mass(offer.material, pointer)
            offer = replace(offer, assay=change.assay)
        elif change.price is not None:
            self._exchange.of(change.price)
            offer = replace(offer, price=change.price)
        elif change.factor is not None:
            price = offer.price
            offer = replace(offer, price=replace(price, amount=price.amount * change.factor.value))
        self._offers[offer.code] = offer
        self._reshop(offer.material)

    def _reshop(self, material: str) -> None:
        """The packs of a material and what a gram of it costs, by the offers as they now are."""
        model = self._model_of(material)
        shop = self._shop(model)
        whole = material in self._strengths

        def worth(name: str, strength: Strength) -> float:
            return 1.0 if whole else model.worth(name, strength)

        inputs = with_offers(self.found.inputs, material, shop.pack_offers([material], worth))
        if any(step.product == material for step in inputs.steps):
            self.found.inputs = inputs
            return
        price = shop.price(material)
        if price is not None:
            inputs = with_price(inputs, material, price.per_g / worth(material, price.strength))
        self.found.inputs = inputs

    def _shop(self, model: RouteModel) -> Shop:
        shop = copy.copy(Shop(self._book, model.materials, self._exchange, model.by_volume))
        shop.offers = list(self._offers.values())
        return shop

    def _model_of(self, material: str) -> RouteModel:
        """The route that makes or takes a material, the planned one before those that feed it."""
        taking = (
            model
            for model, this in reversed(self._gathered.models)
            if material == this.step.product or any(each.material == material for each in this.inputs)
        )
        return next(taking)

    def _price(self, change: Change, pointer: str) -> None:
        material, inputs = change.material, self.found.inputs
        assert material is not None
        bought = {each.material for step in inputs.steps for each in step.plan.bought}
        self._known(what="material", name=material, known=self._materials(), pointer=f"{pointer}/material")
        if material not in bought:
            detail = f"{material} is made by a step and has no price of its own: change an offer of it"
            raise InvalidInput([Fault("made-here", detail, material, pointer=f"{pointer}/material")])
        today = inputs.price_per_g.get(material)
        if change.factor is not None:
            if today is None:
                detail = f"{material} has no price today that could be multiplied: state a price"
                raise InvalidInput([Fault("no-price", detail, material, pointer=f"{pointer}/factor")])
            per_g = today * change.factor.base()
        else:
            assert change.price is not None
            assert change.per is not None
            per_g = float(self._exchange.of(change.price)) / self._grams(material, change.per, f"{pointer}/per")
        times = None if not today else per_g / today
        packs = [
            replace(each, price_micro=round(each.pack_g * per_g * 1e6 if times is None else each.price_micro * times))
            for each in inputs.offers
            if each.material == material
        ]
        self.found.inputs = with_price(with_offers(inputs, material, packs), material, per_g)

    def _grams(self, material: str, per: Quantity, pointer: str) -> float:
        """Grams, or millilitres of what is counted by volume, in an amount that a price is for."""
        wanted = "volume" if material in self.found.inputs.by_volume else "mass"
        if per.dimension == wanted:
            return per.base()
        model = self._model_of(material)
        strength = self._strengths.get(material, model.strengths.get(material, Strength()))
        g_per_ml = unit_holding(material, model.materials, strength).g_per_ml
        if wanted == "volume" or g_per_ml is None:
            detail = (
                f"{material} is counted by {wanted} in this plan, and has no density: state its price for a {wanted}"
            )
            raise InvalidInput([Fault("wrong-dimension", detail, expected=wanted, pointer=pointer)])
        return per.base() * g_per_ml

    def _by_mass(self, material: str, pointer: str) -> None:
        """Raise InvalidInput for a mass fraction of what is counted in millilitres, as no density is known of it."""
        if material in self.found.inputs.by_volume:
            detail = (
                f"{material} is counted by volume in this plan and has no density: a mass fraction of it says not how "
                f"much a millilitre holds; record its density"
            )
            raise InvalidInput([Fault("no-density", detail, material, pointer=f"{pointer}/assay")])

    def _bought(self, change: Change, pointer: str) -> Iterator[str]:
        try:
            code = self._step(change, pointer)
        except InvalidInput as refused:
            self.faults += refused.faults
            return
        if code == self._gathered.inputs.steps[-1].code:
            detail = f"{code} makes the product itself: there is nothing left to plan where it is bought"
            self.faults.append(Fault("last-step", detail, code, pointer=f"{pointer}/step"))
            return
        yield code

    @property
    def offers(self) -> list[Offer]:
        """The offers as they now are."""
        return list(self._offers.values())


def _ratio(after: float | None, before: float | None) -> float:
    return after / before if after is not None and before else 1.0
