"""A route in numbers: its steps in order, what each takes a gram of key input, and what it gives at a yield of 1."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeVar

from service.answer.book import Book
from service.answer.by_volume import counted_by_volume, standing_in
from service.answer.mass_flow import mass_flow
from service.answer.shelf import Remainder, lots_of
from service.answer.step_runs import StepRuns, step_runs
from service.answer.strengths import expected_strengths
from service.domain.bill import Need, need_of, unit_holding
from service.domain.graph import in_order
from service.domain.lot import Strength
from service.domain.material import Material
from service.domain.route import CONTENT, MASS_RATIO, Route, Step

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Input:
    """One input of a step: what it needs, and the place of the step of this route that makes it, None where bought.

    The key input needs 1 g/g. ``from_route`` names another route whose product it is.
    """

    need: Need
    maker: int | None
    key: bool
    from_route: str | None

    @property
    def material(self) -> str:
        """The material that goes in."""
        return self.need.material


@dataclass(frozen=True, slots=True)
class StepModel:
    """One step: its runs, ``factor_g_per_g`` (product as weighed a gram of key input at a yield of 1), its inputs."""

    runs: StepRuns
    factor_g_per_g: float | None
    reason: str | None
    inputs: tuple[Input, ...]

    @property
    def step(self) -> Step:
        """The step itself."""
        return self.runs.step


class RouteModel:
    """A route as of a day, by its runs up to then or, with ``since``, from that day on. Strengths are those of these
    runs and of the shelf.

    Of the materials in ``by_volume`` a millilitre stands wherever a gram stands for others.
    """

    def __init__(self, book: Book, route: Route, as_of: dt.date, since: dt.date | None = None) -> None:
        self.book, self.route, self.as_of, self.since = book, route, as_of, since
        # Only of the route that the book itself has may be kept what follows from it.
        self._own = book.is_own(route)
        self.order, self.by_volume, self.materials = self.kept("lay-out", self._laid_out)
        self._expects: dict[str, float | None] = {}
        self.runs = {step.code: step_runs(book, route, step, as_of, since) for step in self.order}

    def kept(self, name: Hashable, make: Callable[[], T]) -> T:
        """Return what follows from ``name``, the state, the route, its days and nothing else, made once a state."""
        return self.book.fact((name, self.route.code, self.as_of, self.since), make) if self._own else make()

    def _laid_out(self) -> tuple[tuple[Step, ...], frozenset[str], Mapping[str, Material]]:
        order = in_order(self.route)
        recorded = self.book.materials_of(self.route)
        by_volume = counted_by_volume(self.book, order, recorded)
        return order, by_volume, standing_in(recorded, by_volume)

    @cached_property
    def strengths(self) -> dict[str, Strength]:
        """The expected strength of every input, by material."""
        return dict(self.kept("strengths", lambda: expected_strengths(self.book, self.runs, self.materials)))

    @cached_property
    def steps(self) -> tuple[StepModel, ...]:
        """The steps, each after those that feed it; the last makes the route's product."""
        places = {step.code: place for place, step in enumerate(self.order)}
        return self.kept("steps", lambda: tuple(self._model(step, places) for step in self.order))

    def _model(self, step: Step, places: Mapping[str, int]) -> StepModel:
        def maker(material: str) -> int | None:
            code = self.route.upstream.get((step.code, material))
            return None if code is None else places[code]

        flow = mass_flow(self.runs[step.code], self.materials, self.strengths)
        key = Input(Need(step.key_input, 1.0, 0.0), maker(step.key_input), True, step.from_route)
        others = (
            Input(need_of(step, line, self.materials, self.strengths), maker(line.material), False, line.from_route)
            for line in step.bill
        )
        return StepModel(self.runs[step.code], flow.factor_g_per_g, flow.reason, (key, *others))

    @property
    def last(self) -> StepModel:
        """The step that makes the route's product."""
        return self.steps[-1]

    @property
    def bought(self) -> dict[str, str | None]:
        """The materials that no step of the route makes, with the other route that is said to make them, if any."""
        return {each.material: each.from_route for model in self.steps for each in model.inputs if each.maker is None}

    @property
    def on_shelf(self) -> Sequence[Remainder]:
        """What is left of every lot of what the route takes or makes, by code."""
        materials = {*self.bought, *(step.product for step in self.order)}
        return self.kept("on the shelf", lambda: lots_of(self.book, materials, self.materials))

    def worth(self, material: str, strength: Strength) -> float:
        """Return how many grams of a material as expected a gram of it at ``strength`` stands for.

        1 where no strength is stated, as it is then taken to be like what was used so far; and where every step takes
        the material by its gross amount.
        """
        if material not in self._counted_by_content or not _states_strength(strength):
            return 1.0
        expected, stated = self._expected(material), self.held(material, strength)
        return stated / expected if expected and stated else 1.0

    def held(self, material: str, strength: Strength) -> float | None:
        """Return what counts in a gross gram: g of the analyte in the feed of a content step, else mol, else g."""
        s = strength
        key = (material, s.assay, s.loss_on_drying, s.molarity, s.mass_concentration, s.density, *s.contents.items())
        if key not in self._remembered:
            self._remembered[key] = self._held(material, strength)
        return self._remembered[key]

    @cached_property
    def _remembered(self) -> dict[Any, float | None]:
        """What was asked of :meth:`held`, which takes long to tell and is asked of every lot: no write changes it that
        leaves the steps and the materials as they were."""
        if not self._own:
            return {}
        return self.book.lasting(("held", self.route.code, self.as_of), (self.order, dict(self.materials)), dict)

    def _held(self, material: str, strength: Strength) -> float | None:
        content = (step.analyte for step in self.order if step.key_input == material and step.basis == CONTENT)
        if (analyte := next(content, None)) is not None:
            found = strength.contents.get(analyte)
            return None if found is None else found.value
        holding = unit_holding(material, self.materials, strength)
        return holding.contained_g if holding.contained_mol is None else holding.contained_mol

    def _expected(self, material: str) -> float | None:
        if material not in self._expects:
            self._expects[material] = self.held(material, self.strengths.get(material, Strength()))
        return self._expects[material]

    @cached_property
    def _counted_by_content(self) -> frozenset[str]:
        keys = {step.key_input for step in self.order if step.basis != MASS_RATIO}
        return frozenset(
            keys.union(*({x.material for x in step.bill if x.equivalents is not None} for step in self.order))
        )


def _states_strength(strength: Strength) -> bool:
    """Say whether anything was stated about what a gram holds."""
    return bool(strength.contents) or any(
        each is not None
        for each in (strength.assay, strength.molarity, strength.mass_concentration, strength.loss_on_drying)
    )
