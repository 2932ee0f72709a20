"""Published records as the domain takes them: printed equations, amounts and yields as reactions, charges and runs."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

from service.domain.formula import parse_formula
from service.domain.lot import Measured, Strength
from service.domain.material import Material
from service.domain.outcome import Outcome, outcome_of
from service.domain.quantity import Quantity, parse_quantity
from service.domain.reaction import Reaction
from service.domain.route import STOICHIOMETRIC, BillLine, Step
from service.domain.run import FINISHED, Charge, Outturn, Run

DATA = Path(__file__).parent / "data"
RETRIEVED = "RETRIEVED"
"""Inputs and expected value were both read in the source; only these count as published."""

TERM = re.compile(r"(?:(\d+) )?(\S+)")
ANY_AMOUNT = ("mass", "volume", "amount")


def all_records(name: str) -> list[dict[str, Any]]:
    """Every record of a file, whatever its status."""
    found: list[dict[str, Any]] = json.loads((DATA / f"{name}.json").read_text("utf-8"))["records"]
    return found


def retrieved(name: str) -> dict[str, dict[str, Any]]:
    """The published records of a file by their id."""
    return {record["id"]: record for record in all_records(name) if record["status"] == RETRIEVED}


def half_digit(printed: float, figures: int | None = None) -> float:
    """Half of the last printed digit; ``figures`` says how many digits count where zeros end a whole number."""
    number = Decimal(str(printed))
    exponent = number.as_tuple().exponent if figures is None else number.adjusted() - figures + 1
    assert isinstance(exponent, int)
    return 0.5 * 10.0**exponent * (1 + 1e-9)  # what lies on the edge rounds either way


def reaction_of(equation: str) -> Reaction:
    """A printed equation, the formulas themselves being the codes of its materials."""
    sides = []
    for side in equation.split(" -> "):
        terms = [TERM.fullmatch(term) for term in side.split(" + ")]
        sides.append({term[2]: int(term[1] or 1) for term in terms if term})
        assert len(sides[-1]) == len(terms)
    reactants, products = sides
    return Reaction(reactants, products)


def material(code: str, formula: str | None = None, **more: Any) -> Material:
    """A material that is called by its code."""
    return Material(code, code, None if formula is None else parse_formula(formula), **more)


def substances(formulas: Iterable[str]) -> dict[str, Material]:
    """Materials whose codes are their formulas."""
    return {formula: material(formula, formula) for formula in formulas}


def amount(text: str) -> Quantity:
    """A mass, a volume or an amount of substance."""
    return parse_quantity(text, ANY_AMOUNT)


def strength(**values: float | None) -> Strength:
    """A strength of plain numbers, none of them with an uncertainty."""
    return Strength(**{name: Measured(value) for name, value in values.items() if value is not None})


def charge(text: str, code: str, **values: float | None) -> Charge:
    """So much of a material, of a strength."""
    return Charge(amount(text), material=code, strength=strength(**values))


def step_by(reaction: Reaction, key_input: str, product: str, bill: Sequence[str] = ()) -> Step:
    """A stoichiometric step; its yield rests on key input and ``bill``, on all charged reactants without one."""
    lines = tuple(BillLine(code) for code in bill)
    return Step("step", "step", STOICHIOMETRIC, key_input, product, reaction=reaction, bill=lines)


def outcome_by(
    step: Step,
    charges: Sequence[Charge],
    product: str | None = None,
    more: Mapping[str, Material] | None = None,
    **values: float | None,
) -> Outcome:
    """The outcome of a finished run of a step, whose reaction is written in formulas, that gave so much product."""
    assert step.reaction is not None
    materials = substances([*step.reaction.reactants, *step.reaction.products]) | dict(more or {})
    out = () if product is None else (Outturn(step.product, net=amount(product), strength=strength(**values)),)
    return outcome_of(Run("run", "route", step.code, FINISHED, tuple(charges), out), step, materials, {})
