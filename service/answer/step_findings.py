"""Findings of steps: yields that lie where water of crystallisation would put them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from service.analytics.statistics.water import kept_below, with_water_unsaid
from service.answer.book import Book
from service.answer.found import Found
from service.answer.run_columns import Floats
from service.domain.formula import Formula
from service.domain.hydrate import as_hydrate_of, with_water, without_water
from service.domain.material import Material
from service.domain.route import RECOVERY, STOICHIOMETRIC, Route, Step
from service.domain.run import FINISHED


def hydrates_in_doubt(book: Book) -> Iterator[Found]:
    """Yield the steps whose yields look as if a hydrate had been taken for the same with less water, or that for it.

    Above 1: the product may hold the water of a hydrate that is among the workshop's materials, or the key input, a
    hydrate by its formula, may have lost its own. Never above 1: the key input may be a hydrate that is among them.
    """
    routes: Mapping[str, Route] = book.records("routes")
    materials: Mapping[str, Material] = book.records("materials")
    formulas = {code: each.formula for code, each in materials.items() if each.formula is not None}
    hydrates = {code: formula for code, formula in formulas.items() if without_water(formula) is not None}
    if not hydrates:
        return
    for route in routes.values():
        for place, step in enumerate(route.steps):
            if step.basis in (STOICHIOMETRIC, RECOVERY):
                yields = _counted(book, route.code, step)
                for material, said in _doubts(step, formulas, hydrates, yields):
                    yield Found(
                        "hydrate-in-doubt", "routes", route.code, said, about=f"{step.code}:{material}",
                        pointer=f"/steps/{place}", route=route.code, step=step.code,
                    )  # fmt: skip


def _counted(book: Book, route: str, step: Step) -> Floats:
    columns = book.columns
    places = columns.where(route, step.code)
    counts = columns.pooled(places, step.pooled_as()) & columns.is_word("status", FINISHED, places)
    places = places[counts & ~columns.excluded[places]]
    yields = columns.yields[places]
    found: Floats = yields[np.isfinite(yields)]
    return found


def _doubts(
    step: Step, formulas: Mapping[str, Formula], hydrates: Mapping[str, Formula], yields: Floats
) -> Iterator[tuple[str, str]]:
    """The materials of a step that may be other than their formula says, each with what is seen."""
    product, key = formulas.get(step.product), formulas.get(step.key_input)
    for code, hydrate in hydrates.items():
        times = None if product is None else as_hydrate_of(hydrate, product)
        if times is not None and with_water_unsaid(yields, times):
            seen = f"{_above(step, yields, times)}, which {code} weighs beside {step.product}"
            yield step.product, f"{seen}: is the product the hydrate?"
        times = None if key is None else as_hydrate_of(hydrate, key)
        if times is not None and kept_below(yields, times):
            seen = f"the {len(yields)} yields of step {step.code} end near {1 / times:.3f}"
            yield step.key_input, f"{seen}, which {step.key_input} weighs beside {code}: is the key input the hydrate?"
    times = None if key is None else with_water(key)
    if times is not None and with_water_unsaid(yields, times):
        seen = f"{_above(step, yields, times)}, which {step.key_input} weighs beside the same without its water"
        yield step.key_input, f"{seen}: had the key input lost it?"


def _above(step: Step, yields: Floats, times: float) -> str:
    several = with_water_unsaid(yields, times)
    return f"{several} of {len(yields)} yields of step {step.code} are above 1 and near {times:.3f}"
