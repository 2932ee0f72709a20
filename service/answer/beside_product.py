"""What the runs of a route gave beside its products, a gram of key input: what was recovered, and waste."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final, NamedTuple

from service.answer.book import Book
from service.answer.route_model import RouteModel
from service.answer.step_runs import StepRuns
from service.domain.lot import Strength
from service.domain.run import RECOVERED, WASTE, Run
from service.domain.shelf_amount import UNITS_PER_BASE, base_in_dimension
from service.store.entries import Entry, came_out
from service.store.shelf import shelf_lots

_NO_STRENGTH: Final = Strength()


class Waste(NamedTuple):
    """Waste of one run: g, mL or mol by ``dimension``, None where not even that is known; ``good``: it did not fail."""

    material: str
    waste_class: str | None
    dimension: str
    base: Fraction | None
    strength: Strength
    good: bool


@dataclass(frozen=True, slots=True)
class BesideProduct:
    """What the runs that a step's yields rest on, counted and failed, gave beside its product.

    ``key_input_g`` is what went into them, ``good_key_input_g`` into the counted ones alone. ``recovered_g`` and
    ``good_recovered_g``: of each material that the route takes in, in the grams of need that it stands for by its
    strength, where its lot or, without one, its own line states it. ``recovered_runs``: in how many of them each
    material was recovered at all; ``unknown``: in how many the mass of it is not known.
    """

    key_input_g: float = 0.0
    good_key_input_g: float = 0.0
    recovered_g: Mapping[str, float] = field(default_factory=dict)
    good_recovered_g: Mapping[str, float] = field(default_factory=dict)
    recovered_runs: Mapping[str, int] = field(default_factory=dict)
    unknown: Mapping[str, int] = field(default_factory=dict)
    waste: tuple[Waste, ...] = ()

    def gives_back(self, *, good: bool = False) -> dict[str, float]:
        """Return the grams of each material that come back per gram of key input, over the good runs alone or all."""
        fed_g, back_g = (self.good_key_input_g, self.good_recovered_g) if good else (self.key_input_g, self.recovered_g)
        return {material: grams / fed_g for material, grams in back_g.items()} if fed_g else {}


def beside_product(book: Book, model: RouteModel) -> tuple[BesideProduct, ...]:
    """Return what the runs of each step of a route gave beside its product, in the order of ``model.steps``."""
    return model.kept("beside product", lambda: tuple(_read(book, model)))


def _read(book: Book, model: RouteModel) -> Iterator[BesideProduct]:
    lines: dict[str, list[Entry]] = {}
    for code, line in came_out(book.reading, model.route.code, (RECOVERED, WASTE)):
        lines.setdefault(code, []).append(line)
    lots = {line.lot for of_step in lines.values() for line in of_step if line.lot is not None}
    strengths = {code: lot.strength for code, lot in shelf_lots(book.reading, lots).items()} if lots else {}
    # What was put on no lot has the strength that its own line states, which the record alone tells.
    bare = {
        line.source_code
        for of_step in lines.values()
        for line in of_step
        if line.lot is None and line.role == RECOVERED
    }
    bodies: Mapping[str, Run] = book.records("runs", bare) if bare else {}

    def strength(line: Entry) -> Strength:
        if line.lot is not None:
            return strengths.get(line.lot, _NO_STRENGTH)
        return _NO_STRENGTH if line.role == WASTE else bodies[line.source_code].outturns[line.line].strength

    for step in model.steps:
        mine = [(line, strength(line)) for line in lines.get(step.step.code, ())]
        yield _of_step(model, step.runs, mine) if mine else BesideProduct()


def _of_step(model: RouteModel, runs: StepRuns, lines: Sequence[tuple[Entry, Strength]]) -> BesideProduct:
    fed_g = dict(zip(runs.codes, runs.batch_g.tolist(), strict=True))
    fed_g |= zip(runs.failed_codes, runs.failed_batch_g.tolist(), strict=True)
    fed_g = {code: grams for code, grams in fed_g.items() if math.isfinite(grams)}
    good = fed_g.keys() & set(runs.codes)
    takes = {each.material for step in model.steps for each in step.inputs}
    total: dict[str, float] = {}
    of_good: dict[str, float] = {}
    recovered: dict[str, set[str]] = {}
    unknown: dict[str, set[str]] = {}
    waste = []
    for line, strength in lines:
        run, material = line.source_code, line.material
        if run not in fed_g or material is None:
            continue
        if line.role == WASTE:
            base = None if line.quantity is None else Fraction(line.quantity, UNITS_PER_BASE[line.dimension])
            waste.append(Waste(material, line.waste_class, line.dimension, base, strength, run in good))
            continue
        recovered.setdefault(material, set()).add(run)
        if material not in takes:
            continue
        grams = _grams(model, line, material, strength)
        if grams is None:
            unknown.setdefault(material, set()).add(run)
            continue
        counts_as_g = grams * model.worth(material, strength)
        total[material] = total.get(material, 0.0) + counts_as_g
        if run in good:
            of_good[material] = of_good.get(material, 0.0) + counts_as_g
    return BesideProduct(
        key_input_g=math.fsum(fed_g.values()),
        good_key_input_g=math.fsum(fed_g[code] for code in good),
        recovered_g=total,
        good_recovered_g=of_good,
        recovered_runs={material: len(codes) for material, codes in recovered.items()},
        unknown={material: len(codes) for material, codes in unknown.items()},
        waste=tuple(waste),
    )


def _grams(model: RouteModel, line: Entry, material: str, strength: Strength) -> float | None:
    """Gross grams of a line, mL of what is counted in them; None where they are not known."""
    if line.quantity is None or (material in model.by_volume and line.dimension != "volume"):
        return None
    own = model.materials[material]
    base = Fraction(line.quantity, UNITS_PER_BASE[line.dimension])
    grams = base_in_dimension(base, line.dimension, "mass", strength, own, model.materials.get(own.analyte_code))
    return None if isinstance(grams, str) else float(grams)


def not_fed_back(
    model: RouteModel, beside: Sequence[BesideProduct], beyond_need_g: Mapping[str, float]
) -> Iterator[str]:
    """Say what of all that was recovered is in no figure; ``beyond_need_g`` behind a gram of product as weighed."""
    takes = {each.material for step in model.steps for each in step.inputs}
    for step, of_step in zip(model.steps, beside, strict=True):
        for material, count in sorted(of_step.recovered_runs.items()):
            runs = f"{material} recovered in {_runs(count)} of step {step.step.code}"
            if material not in takes:
                yield f"{runs}: no step of the route takes it in"
            elif unknown := of_step.unknown.get(material):
                yield f"{runs}: how much is not known of {_runs(unknown)}"
    for material, grams in sorted(beyond_need_g.items()):
        unit = "mL" if material in model.by_volume else "g"
        each = f"{grams / model.last.runs.dry_fraction:.4g} {unit} a gram of product"
        yield f"{material} recovered beyond what the route takes in: {each}"


def _runs(count: int) -> str:
    return "1 run" if count == 1 else f"{count} runs"
