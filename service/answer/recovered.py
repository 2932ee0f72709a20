"""What recovered material gave back: its grams, the product that it can still give, and what it is worth."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from service.answer.book import Book
from service.answer.cost import Costing
from service.answer.run_masses import RunMasses
from service.domain.outcome import OutturnOutcome
from service.domain.route import CONTENT, MASS_RATIO, Step
from service.domain.run import RECOVERED


def returned(book: Book, costing: Costing, place: int, runs: Sequence[RunMasses]) -> list[dict[str, Any]]:
    """Return what was recovered in the counted ``runs`` of a step, by material.

    ``as_product_g`` is the contained product that recovered key input can still give, in the proportion in which the
    key input charged could; null for anything else. It is worth what a gram of it costs as an input: at its price, or
    what the step that makes it makes it for. ``cost_per_g`` is that worth behind a gram of final product, dry.
    """
    model = costing.model.steps[place]
    outturns: dict[str, list[OutturnOutcome]] = {}
    for run in runs:
        for outturn in run.of_role(RECOVERED):
            outturns.setdefault(outturn.material, []).append(outturn)
    analytes = {code: one.analyte_code for code, one in book.materials({model.step.key_input, *outturns}).items()}
    return [_line(costing, place, material, of_material, runs, analytes) for material, of_material in outturns.items()]


def _line(
    costing: Costing,
    place: int,
    material: str,
    outturns: Sequence[OutturnOutcome],
    runs: Sequence[RunMasses],
    analytes: Mapping[str, str],
) -> dict[str, Any]:
    model, share = costing.model.steps[place], costing.found.by_step[place]
    reasons: dict[str, str] = {}
    net_g = math.fsum(outturn.net_g for outturn in outturns)
    as_product_g = None
    if analytes[material] != analytes[model.step.key_input]:
        reasons["as_product_g"] = "it is not the key input of the step"
    else:
        as_product_g = _as_product(model.step, outturns, runs)
        if as_product_g is None:
            reasons["as_product_g"] = "what the key input charged could give is not known"
    worth_per_g = _worth(costing, material)
    if worth_per_g is None:
        reasons |= dict.fromkeys(("worth_per_g", "cost", "cost_per_g"), "nothing tells what a gram of it costs")
    cost = None if worth_per_g is None else net_g * worth_per_g
    made_g = float(model.runs.capped_contained_g.sum()) / model.runs.product_fraction
    cost_per_g = None
    if cost is not None and share.product_g is not None and made_g:
        cost_per_g = cost / made_g * share.product_g / costing.model.last.runs.dry_fraction
    elif cost is not None:
        reasons["cost_per_g"] = "no product is recorded to spread it over"
    return {
        "material": material,
        "net_g": net_g,
        "contained_g": math.fsum(outturn.contained_g for outturn in outturns),
        "as_product_g": as_product_g,
        "worth_per_g": worth_per_g,
        "cost": cost,
        "cost_per_g": cost_per_g,
        "reasons": reasons,
    }


def _as_product(step: Step, outturns: Sequence[OutturnOutcome], runs: Sequence[RunMasses]) -> float | None:
    # A feed is counted as it stands; a substance by what is in it.
    as_it_stands = step.basis in (CONTENT, MASS_RATIO)
    pairs = [(run.batch_g if as_it_stands else run.key_contained_g, run.theoretical_g) for run in runs]
    known = [(held, given) for held, given in pairs if held is not None and given is not None]
    held_g = math.fsum(held for held, _ in known)
    if not held_g:
        return None
    back_g = math.fsum(outturn.net_g if as_it_stands else outturn.contained_g for outturn in outturns)
    return back_g * math.fsum(given for _, given in known) / held_g


def _worth(costing: Costing, material: str) -> float | None:
    """What a gross gram of a material costs: bought, else made by a step of the route; None where nothing tells."""
    price = costing.prices.get(material)
    if price is not None:
        return price.per_g
    shares = zip(costing.model.steps, costing.found.by_step, strict=True)
    made = next((share for model, share in shares if model.step.product == material), None)
    if made is not None:
        return made.product_cost_per_g
    if material not in costing.model.materials or material in costing.model.by_volume:
        return None
    found = costing.shop.price(material)
    return None if found is None else found.per_g
