"""What the inputs of a route's steps are expected to hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from service.answer.book import Book
from service.answer.shelf import lots_put, mean_strengths
from service.answer.step_runs import StepRuns, charged_strength
from service.domain.lot import Strength
from service.domain.material import Material


def expected_strengths(
    book: Book, steps: Mapping[str, StepRuns], materials: Mapping[str, Material]
) -> dict[str, Strength]:
    """Return the expected strength of every input of ``steps``, by material code.

    A key input holds what it held, mass-weighted, in the runs so far; any other input the mass-weighted mean of its
    lots. A material with neither is not in the answer: it counts as pure and dry. ``materials`` holds the materials of
    the steps and their analytes.
    """
    wanted = {material for runs in steps.values() for material in runs.step.inputs}
    found = mean_strengths(lots_put(book, wanted, materials), materials)
    for runs in steps.values():
        charged = charged_strength(runs)
        if charged is not None:
            # What was charged is known as grams contained in a gross gram, be it damp, impure or dissolved.
            shelf = found.get(runs.step.key_input, Strength())
            contents = {**shelf.contents, **charged.contents}
            found[runs.step.key_input] = replace(charged, density=shelf.density, contents=contents)
    return found
