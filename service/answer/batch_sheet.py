"""What to weigh for one batch from the lots at hand, what to expect of it, and what to mind."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.answer.book import Book
from service.answer.by_volume import NO_DENSITY
from service.answer.cautions import cautions_of
from service.answer.nulls import why_null
from service.answer.route_model import RouteModel, StepModel
from service.answer.shelf import LotOnShelf, lots_named, mean_strengths
from service.answer.step_runs import experience_of, forecast_of, next_run_line
from service.domain.bill import need_of, theoretical_per_gram, unit_holding
from service.domain.blend import BlendPart, blend
from service.domain.caution import STANDING
from service.domain.lot import Strength
from service.errors import Fault, MalformedInput, NotComputable

METHOD = "batch-sheet/2"


def batch_sheet_of(
    book: Book,
    route_code: str,
    step_code: str,
    *,
    key_input_g: float,
    lots: Sequence[str],
    reaction_mass_g: float | None = None,
    as_of: dt.date,
) -> dict[str, Any]:
    """Return what to weigh for a batch of ``key_input_g`` gross grams of key input from ``lots``.

    Every amount is in g, and in mL where a density is known. Equivalents are moles per mole of key input, so a weaker
    lot gives more grams; what the bill states per gram of key input or a batch is weighed as stated. Of several lots of
    one material the first named is used up first. A material without a named lot is taken to be like its lots on the
    whole, else pure. ``reaction_mass_g``: what will be in the vessel while heat is given off, where it is not as
    the step has it. Raises UnknownRecord for an unknown route or step, MalformedInput for a lot that is not there or
    not of an input of the step.
    """
    route = book.route(route_code)
    step = book.step(route, step_code)
    model = RouteModel(book, route, as_of)
    if step.code not in model.runs:
        raise NotComputable(f"step {step.code!r} does not lead to {route.product!r}", code="not-on-the-way")
    this = next(each for each in model.steps if each.step.code == step.code)
    named = _lots(book, this, model, lots)
    weighed, strengths = _weighed(this, model, named, key_input_g)

    per_gram, reason = theoretical_per_gram(step, model.materials, strengths)
    reasons: dict[str, str] = {} if reason is None else {"theoretical_g": reason}
    theoretical_g = None if per_gram is None else per_gram * key_input_g
    forecast = forecast_of(this.runs, experience_of(book, as_of), batch_g=key_input_g)
    next_run = next_run_line(this.runs, forecast, reasons)
    # A yield counts what the product contains; the balance shows what it weighs.
    per_yield = None if theoretical_g is None else theoretical_g / this.runs.product_fraction
    expected = {p: None if per_yield is None else y * per_yield for p, y in next_run["at_least"].items()}
    several = [each for ls in named.values() for each in ls]
    cautions, not_assessed = cautions_of(book, model, this, key_input_g, several, reaction_mass_g=reaction_mass_g)
    return {
        "route": route.code,
        "step": step.code,
        "name": step.name,
        "as_of": as_of.isoformat(),
        "key_input_g": key_input_g,
        "lines": [each.line(model) for each in weighed],
        "product": step.product,
        "theoretical_g": theoretical_g,
        "expected_product_g": {"at_least": expected},
        "next_run": next_run,
        "cautions": [each.as_dict() for each in cautions],
        "not_assessed": list(dict.fromkeys(not_assessed)),
        "standing": STANDING,
        "reasons": reasons,
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={"route": route.code, "step": step.code, "lots": list(lots)},
            runs=len(this.runs.codes) + this.runs.failed,
            left_out=[dict(left) for left in this.runs.left_out],
        ),
    }


@dataclass(frozen=True, slots=True)
class _Amount:
    """One thing to weigh: gross grams of a material from a lot, None where they cannot be told."""

    material: str
    lot: str | None
    gross_g: float | None
    strength: Strength
    reason: str | None = None

    def line(self, model: RouteModel) -> dict[str, Any]:
        """The amount as the sheet shows it."""
        held, grams = unit_holding(self.material, model.materials, self.strength), self.gross_g
        in_ml = self.material in model.by_volume  # then what stands for grams are millilitres, of unknown mass
        told = not in_ml or self.strength.is_solution

        def of(per_gram: float | None) -> float | None:
            return None if grams is None or per_gram is None else grams * per_gram

        amounts = {
            "amount_g": None if in_ml else grams,
            "amount_ml": of(1.0 / held.g_per_ml) if held.g_per_ml else None,
            "contained_g": of(held.contained_g) if told else None,
            "contained_mol": of(held.contained_mol) if told else None,
        }
        if grams is None:
            reasons = why_null(amounts, self.reason)
        else:
            masses = {key: amounts[key] for key in ("amount_g", "contained_g", "contained_mol")}
            reasons = why_null(masses, NO_DENSITY if in_ml else None)
        return {
            "material": self.material,
            "lot": self.lot,
            **amounts,
            "note": None if grams is None else self.reason,
            "reasons": reasons,
        }


def _lots(book: Book, this: StepModel, model: RouteModel, codes: Sequence[str]) -> dict[str, list[LotOnShelf]]:
    """The named lots by their material, in the order in which they were named."""
    found = {each.lot.code: each for each in lots_named(book, codes, model.materials)}
    faults: list[Fault] = []
    named: dict[str, list[LotOnShelf]] = {}
    inputs = dict.fromkeys(this.step.inputs)
    for code in dict.fromkeys(codes):
        if code not in found:
            detail, expected = f"there is no lot {code!r}", "lots of this workshop"
            faults.append(Fault("unknown-reference", detail, code, expected, parameter="lots"))
        elif (material := found[code].lot.material) not in inputs:
            detail = f"lot {code!r} is of {material}, which step {this.step.code!r} does not take"
            faults.append(Fault("not-an-input", detail, code, f"a lot of {', '.join(inputs)}", parameter="lots"))
        else:
            named.setdefault(material, []).append(found[code])
    if faults:
        raise MalformedInput(faults)
    return named


def _weighed(
    this: StepModel, model: RouteModel, named: Mapping[str, list[LotOnShelf]], key_input_g: float
) -> tuple[list[_Amount], dict[str, Strength]]:
    """What to weigh, the key input first; and the strength of every input as it will be weighed."""
    step = this.step
    strengths = dict(model.strengths)
    for material, several in named.items():
        strengths[material] = several[0].lot.strength
        if len(several) > 1:
            strengths |= mean_strengths(several, model.materials)
    weighed = _taken(step.key_input, key_input_g, named, strengths, model, by_content=False)
    if len(weighed) > 1:
        strengths[step.key_input] = blend([BlendPart(each.gross_g, None, each.strength) for each in weighed])
    else:  # of several named lots the others may hold nothing more
        strengths[step.key_input] = weighed[0].strength
    for line in step.bill:
        need = need_of(step, line, model.materials, strengths)
        if need.per_g is None:
            weighed.append(_Amount(line.material, None, None, Strength(), need.reason))
            continue
        gross_g = need.per_g * key_input_g + (need.per_batch_g or 0.0)
        by_content = line.equivalents is not None
        weighed += _taken(line.material, gross_g, named, strengths, model, by_content=by_content)
    return weighed, strengths


def _taken(
    material: str,
    gross_g: float,
    named: Mapping[str, Sequence[LotOnShelf]],
    strengths: Mapping[str, Strength],
    model: RouteModel,
    *,
    by_content: bool,
) -> list[_Amount]:
    """``gross_g`` at the expected strength, from the named lots in their order; the last gives what is missing."""
    expected = strengths.get(material, Strength())
    several = named.get(material, ())
    if not several:
        return [_Amount(material, None, gross_g, expected)]
    mean = model.held(material, expected) or 1.0
    wanted = gross_g
    taken = []
    for place, each in enumerate(several):
        worth = (model.held(material, each.lot.strength) or mean) / mean if by_content else 1.0
        grams, reason = wanted / worth, None
        if each.left_g is not None and grams > each.left_g * (1.0 + 1e-9):
            if place < len(several) - 1:
                grams = max(0.0, each.left_g)
            else:
                unit = "mL" if material in model.by_volume else "g"
                reason = f"the lot holds {max(0.0, each.left_g):.4g} {unit} by the book"
        wanted -= grams * worth
        if grams > 0.0:
            taken.append(_Amount(material, each.lot.code, grams, each.lot.strength, reason))
    return taken
