"""Reactions balanced against the answers that a textbook prints (OpenStax Chemistry 2e, CC BY, chapter 4)."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from service.domain.formula import Formula, parse_formula
from service.domain.reaction import Balanced, Reaction, balance, balance_faults

DATA = json.loads((Path(__file__).parent / "data" / "openstax.json").read_text("utf-8"))
RECORDS = [record for record in DATA["records"] if record["kind"] == "balancing" and record["status"] == "RETRIEVED"]
TERM = re.compile(r"(?:(\d+) )?(\S+)")


def sides(equation: str) -> list[dict[str, int]]:
    """Split a printed equation into the coefficients of its two sides, 1 where none is printed."""
    found = []
    for side in equation.split(" -> "):
        terms = [TERM.fullmatch(term) for term in side.split(" + ")]
        found.append({term[2]: int(term[1] or 1) for term in terms if term})
        assert len(found[-1]) == len(terms)
    return found


def formulas(codes: dict[str, int]) -> list[tuple[str, Formula]]:
    return [(code, parse_formula(code)) for code in codes]


def test_nothing_is_missing() -> None:
    assert len(RECORDS) == 9


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: record["id"])
def test_balanced_as_printed(record: dict[str, Any]) -> None:
    left, right = sides(record["inputs"]["unbalanced"])
    printed_left, printed_right = sides(record["expected"]["balanced"])
    found = balance(formulas(left), formulas(right))
    expected = Balanced(tuple(printed_left[code] for code in left), tuple(printed_right[code] for code in right))
    assert found == expected


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: record["id"])
def test_only_the_printed_balance_is_taken(record: dict[str, Any]) -> None:
    known = dict(
        formulas(sides(record["inputs"]["unbalanced"])[0]) + formulas(sides(record["inputs"]["unbalanced"])[1])
    )
    assert balance_faults(Reaction(*sides(record["expected"]["balanced"])), known) == ()
    (fault,) = balance_faults(Reaction(*sides(record["inputs"]["unbalanced"])), known)
    assert fault.code == "unbalanced-reaction"
