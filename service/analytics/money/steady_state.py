"""Recovered material fed back, as it is once run follows run: what is still bought or made anew of what a step takes.

Let a run take q g of a material at p a gram, pay c for all else, and give back m g of it with a share s of its cost T.
The next run takes these m g at what they carry, and q − m g anew: T = c + (q − m)·p + s·T. Its product carries
T·(1 − s) = c + (q − m)·p, whatever s is: only what is bought or made anew costs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from service.analytics.money.standard_cost import CostLine, StepCost


@dataclass(frozen=True, slots=True)
class Circulation:
    """What a step takes in and what comes back from it, by material, in grams per gram of its key input.

    ``takes``: every input whose need is known, the key input at 1 among them; ``gives_back``: what is recovered, a gram
    counted as the grams of need that it stands for. ``makers``: the place of the earlier step that makes an input,
    where one does. ``ratio_per_g``: grams of product, None or 0 where its runs give none.
    """

    ratio_per_g: float | None
    takes: Mapping[str, float]
    gives_back: Mapping[str, float]
    makers: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class SteadyState:
    """``anew``: of every step, by material, the fraction of its need that is not covered by what comes back; 1 where
    nothing is said. ``beyond_need_g``: what comes back beyond all that the route takes in, grams behind a final gram.
    """

    anew: tuple[Mapping[str, float], ...]
    beyond_need_g: Mapping[str, float]


def steady_state(steps: Sequence[Circulation], final: int = -1) -> SteadyState:
    """Return what is bought or made anew where all that comes back is fed back, never more than is taken in.

    ``steps``: as for ``standard_cost``; ``final``: the place of the step whose product the grams are behind. What a
    step gives back goes to that step first; the rest goes to the steps that take the same material, each in proportion
    to its need: those that have it from the step of the route that makes it, where that step comes before the one that
    gives it back; then those for which it is bought. Where no product is recorded, only a step's own need is covered.

    >>> wash = Circulation(0.5, {"chalk": 1.0, "water": 4.0}, {"water": 3.0}, {})
    >>> steady_state([wash])
    SteadyState(anew=({'water': 0.25},), beyond_need_g={})
    >>> rinse = Circulation(1.0, {"whiting": 1.0, "water": 1.0}, {"water": 5.0}, {"whiting": 0})
    >>> steady_state([wash, rinse])
    SteadyState(anew=({'water': 0.0}, {'water': 0.0}), beyond_need_g={'water': 2.0})
    """
    anew: list[dict[str, float]] = [{} for _ in steps]
    rest: list[dict[str, float]] = [{} for _ in steps]
    for step, of_step, left in zip(steps, anew, rest, strict=True):
        for material, grams in step.gives_back.items():
            need = step.takes.get(material, 0.0)
            if need > 0.0 and grams > 0.0:
                of_step[material] = max(0.0, 1.0 - grams / need)
            if grams > need:
                left[material] = grams - need
    last = range(len(steps))[final]
    if not any(rest) or not all(step.ratio_per_g for step in steps[: last + 1]):
        return SteadyState(tuple(anew), {})
    return _Sharing(steps, anew, rest, last).shared()


class _Sharing:
    """Backwards from the final gram: how much of each step goes in is known before its makers are asked."""

    def __init__(
        self, steps: Sequence[Circulation], anew: list[dict[str, float]], rest: list[dict[str, float]], last: int
    ) -> None:
        self.steps, self.anew, self.rest, self.last = steps, anew, rest, last
        self.key_input_g = [0.0] * len(steps)
        self.used_g: dict[str, float] = {}

    def shared(self) -> SteadyState:
        for place in range(self.last, -1, -1):
            product_g = 1.0 if place == self.last else 0.0
            for material in self._made(place):
                self._cover(material, place)
                product_g += sum(self._need_g(taker, material) for taker in self._takers(material, place))
            self.key_input_g[place] = product_g / (self.steps[place].ratio_per_g or 1.0)
        materials = dict.fromkeys(material for left in self.rest for material in left)
        for material in materials:
            self._cover(material, None)
        beyond = {material: self._left_g(material, -1) for material in materials}
        return SteadyState(tuple(self.anew), {m: grams for m, grams in beyond.items() if grams > 0.0})

    def _made(self, place: int) -> dict[str, None]:
        return dict.fromkeys(code for step in self.steps for code, maker in step.makers.items() if maker == place)

    def _takers(self, material: str, maker: int | None) -> list[int]:
        return [
            place
            for place, step in enumerate(self.steps)
            if material in step.takes and step.makers.get(material) == maker
        ]

    def _need_g(self, place: int, material: str) -> float:
        """Grams behind a final gram that a step still needs."""
        share = self.anew[place].get(material, 1.0)
        return self.key_input_g[place] * self.steps[place].takes[material] * share

    def _left_g(self, material: str, after: int) -> float:
        """Grams behind a final gram that come back from the steps after a place and that nothing has used up."""
        back = sum(
            self.key_input_g[place] * left.get(material, 0.0) for place, left in enumerate(self.rest) if place > after
        )
        left_g = back - self.used_g.get(material, 0.0)
        return left_g if left_g > 1e-12 * back else 0.0  # what rounding leaves is nothing

    def _cover(self, material: str, maker: int | None) -> None:
        takers = self._takers(material, maker)
        need_g = sum(self._need_g(place, material) for place in takers)
        left_g = self._left_g(material, -1 if maker is None else maker)
        if need_g <= 0.0 or left_g <= 0.0:
            return
        covered = min(1.0, left_g / need_g)
        self.used_g[material] = self.used_g.get(material, 0.0) + covered * need_g
        for place in takers:
            self.anew[place][material] = self.anew[place].get(material, 1.0) * (1.0 - covered)


def with_anew(step: StepCost, anew: Mapping[str, float], makers: Mapping[str, int]) -> StepCost:
    """Return a step that pays for what is bought or made anew alone; lines of direct costs stay as they are.

    >>> wash = StepCost("wash", 0.5, (CostLine("water", 0.04), CostLine("energy", 1.0, kind="direct")))
    >>> [line.per_g for line in with_anew(wash, {"water": 0.25}, {}).lines]
    [0.01, 1.0]
    """
    if not anew:
        return step

    def line(own: CostLine) -> CostLine:
        share = anew.get(own.name, 1.0)
        if own.kind != "material" or share == 1.0:
            return own
        per_g, per_batch = (None if cost is None else cost * share for cost in (own.per_g, own.per_batch))
        return replace(own, per_g=per_g, per_batch=per_batch)

    shares = {place: anew.get(material, 1.0) for material, place in makers.items()}
    upstream = tuple((place, grams * shares.get(place, 1.0)) for place, grams in step.upstream)
    return replace(step, lines=tuple(map(line, step.lines)), upstream=upstream)
