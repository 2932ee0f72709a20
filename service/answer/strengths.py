"""What the inputs of a route's steps are expected to hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from service.answer.book import Book
from service.answer.shelf import mean_strengths_alike
from service.answer.step_runs import StepRuns, charged_strength
from service.domain.lot import Strength
from service.domain.material import Material
from service.store import shelf


def expected_strengths(
    book: Book, steps: Mapping[str, StepRuns], materials: Mapping[str, Material]
) -> dict[str, Strength]:
    """Return the expected strength of every input of ``steps``, by material code.

    A key input holds what it held, mass-weighted, in the runs so far; any other input the mass-weighted mean of its
    lots. A material with neither is not in the answer: it counts as pure and dry. ``materials`` holds the materials of
    the steps and their analytes.
    """
    charged = [
        (runs.step.key_input, strength) for runs in steps.values() if (strength := charged_strength(runs)) is not None
    ]
    codes = {material for material, _ in charged}
    wanted = {material for runs in steps.values() for material in runs.step.inputs} - codes
    # Of what was charged before, the shelf is asked for its density and contents alone: mostly no lot states either.
    wanted |= shelf.that_state(book.reading, codes, ("density", "contents"))
    found = mean_strengths_alike(shelf.alike(book.reading, wanted), materials)
    for material, strength in charged:
        # What was charged is known as grams contained in a gross gram, be it damp, impure or dissolved.
        held = found.get(material, Strength())
        found[material] = replace(strength, density=held.density, contents={**held.contents, **strength.contents})
    return found
