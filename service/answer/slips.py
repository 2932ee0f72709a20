"""Slips of writing in runs: what was most likely written down wrong, how sure that is, and what to look at.

Worked out when a run is read and never kept: what a later run says of an earlier one changes nothing of it, and what
is corrected is at once no slip any more. Nothing is repaired and nothing is left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

import numpy as np

from service.analytics.statistics.slips import ANY_RUN, TARE_FACTORS, WINDOW, Slips, cannot_ask, slip_of
from service.answer.book import Book
from service.domain.hydrate import with_water
from service.domain.material import Material
from service.domain.route import CONTENT, MASS_RATIO, Step
from service.domain.run import FINISHED, PRODUCT, Run
from service.errors import UnknownRecord
from service.store.earlier_runs import earlier_yields
from service.store.outcomes import StoredOutcome
from service.store.records import StoredRecord

TARE, MILLILITRES, HYDRATE, ASSAY = "tare-left-in", "millilitres", "hydrate", "assay-twice"

SAID: Final[Mapping[str, str]] = MappingProxyType(
    {
        "times-1000": "a product written 1000 times too large (mg for g), or key input 1000 times too small (kg for g)",
        "over-1000": "a product written 1000 times too small (kg for g), or key input 1000 times too large (mg for g)",
        "times-10": "a decimal point: product 10 times too large, or key input 10 times too small",
        "over-10": "a decimal point: product 10 times too small, or key input 10 times too large",
        "ounces": "ounces written as grams",
        "pounds": "pounds written as grams",
        TARE: "a tare left in what is written as net",
        MILLILITRES: "millilitres written as grams",
        HYDRATE: "a hydrate taken for the anhydrous substance, or the other way round",
        ASSAY: "an assay taken off twice",
    }
)
"""What each kind of slip is, in words."""

_TOO_NEAR_ONE: Final = 0.02
"""A density or an assay so near to 1 changes nothing that could be seen."""


def slips_in(
    book: Book, several: Iterable[StoredRecord], outcomes: Mapping[str, StoredOutcome]
) -> dict[str, dict[str, Any]]:
    """Return the finding of each run that looks like a slip beside the newest 50 usable runs of its step before it.

    ``several`` are runs as stored, ``outcomes`` theirs by code. Runs that are not finished or are left out of the
    statistics are not compared.
    """
    found: dict[str, dict[str, Any]] = {}
    for stored in several:
        outcome = outcomes.get(stored.code)
        if outcome is None:
            continue
        row = outcome.row
        observed = row["yield_fraction"]
        if row["status"] != FINISHED or row["excluded"] or observed is None or observed <= 0.0:
            continue
        before = earlier_yields(book.reading, row, WINDOW)
        yields = [each for each, _ in before]
        # Nearly every run is ordinary, and is passed over before its record is read.
        if cannot_ask(yields, observed):
            continue
        odds = slip_of(yields, observed, factors_of(book, book.recalled(stored), outcome))
        if odds.asks()[0]:
            found[stored.code] = finding_of(odds, 0, outcome, [batch for _, batch in before])
    return found


def finding_of(odds: Slips, place: int, outcome: StoredOutcome, batches_g: Sequence[float | None]) -> dict[str, Any]:
    """Return what is said of one line of ``odds``; ``batches_g`` are the batch sizes of the runs before it."""
    kind, row = odds.likeliest(place), outcome.row
    typical, compared = float(odds.typical[place]), int(odds.compared[place])
    ratio = row["yield_fraction"] / typical
    sure = float(odds.odds[place])
    told = "over 1000" if sure > 1000 else f"{sure:.0f}"
    detail = (
        f"the yield {row['yield_fraction']:.3g} is {ratio:.3g} times the {typical:.3g} of the {compared} usable runs "
        f"before it; the odds are {told} to 1 that something was written wrong, most likely {SAID[kind]}; "
        f"{_look_at(ratio, row['batch_g'], batches_g)}"
    )
    return {
        "code": "slip",
        "detail": detail,
        "odds": sure,
        "about": kind,
        "slip": kind,
        "typical_yield": typical,
        "compared_runs": compared,
    }


def _look_at(ratio: float, batch_g: float | None, batches_g: Sequence[float | None]) -> str:
    """Return where to look first: at the batch where that is as odd as the yield, else at what was weighed out."""
    known = [each for each in batches_g if each]
    if not known or not batch_g:
        return "look at what was charged and at what was weighed out"
    usual = float(np.median(known))
    if abs(math.log(batch_g / usual)) > abs(math.log(ratio)) / 2:
        return f"look first at what was charged: this batch is {batch_g:.4g} g, the usual one {usual:.4g} g"
    return f"look first at what was weighed out: the batch of {batch_g:.4g} g is much as usual ({usual:.4g} g)"


def factors_of(book: Book, run: Run, outcome: StoredOutcome) -> dict[str, Sequence[float]]:
    """Return what each kind of slip that this run can have would multiply its yield by."""
    found: dict[str, Sequence[float]] = dict(ANY_RUN)
    if any(out.role == PRODUCT and out.net is not None for out in run.outturns):
        found[TARE] = TARE_FACTORS
    try:
        step = book.step(book.route(run.route), run.step)
    except UnknownRecord:
        return found  # the step is gone from its route: what it was made of is not asked
    materials = book.materials({step.key_input, step.product})
    key, product = materials.get(step.key_input), materials.get(step.product)
    own = {
        MILLILITRES: [*_of(1, _as_millilitres(key)), *_of(-1, _as_millilitres(product))],
        HYDRATE: _hydrates(step, key, product),
        ASSAY: _assays(step, outcome),
    }
    return found | {kind: factors for kind, factors in own.items() if factors}


def _of(power: int, factor: float | None) -> list[float]:
    return [] if factor is None else [factor**power]


def _as_millilitres(material: Material | None) -> float | None:
    """What a mass comes to a millilitre of a liquid, where that can be told from 1."""
    density = None if material is None or material.phase != "liquid" else material.density_g_per_ml
    return None if density is None or abs(density - 1) < _TOO_NEAR_ONE else density


def _hydrates(step: Step, key: Material | None, product: Material | None) -> list[float]:
    """Key input without its water gives more than is expected of it, a product without its water weighs less."""
    if step.basis in (CONTENT, MASS_RATIO):
        return []
    found = []
    for material, power in ((key, 1), (product, -1)):
        share = None if material is None or material.formula is None else with_water(material.formula)
        found += _of(power, share)
    return found


def _assays(step: Step, outcome: StoredOutcome) -> list[float]:
    row = outcome.row
    found = []
    for contained, gross, power in (
        (row["contained_g"], row["dry_g"], 1),
        (row["key_contained_g"], row["batch_g"], -1),
    ):
        if contained and gross and contained / gross < 1 - _TOO_NEAR_ONE:
            found.append((contained / gross) ** power)
    return [] if step.basis in (CONTENT, MASS_RATIO) else found
