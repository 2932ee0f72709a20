"""The table of weights against the published one, digit by digit (Prohaska et al., Pure Appl. Chem. 2022, 94, 573)."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from service.domain.atomic_weights import ELEMENTS, WITHOUT_STANDARD_WEIGHT

DATA = json.loads((Path(__file__).parent / "data" / "atomic_weights_ciaaw2021.json").read_text("utf-8"))
RECORDS = [record for record in DATA["records"] if record["status"] == "RETRIEVED"]


def test_all_84_elements_are_there_and_no_other() -> None:
    assert len(RECORDS) == 84
    assert ELEMENTS.keys() == {record["symbol"] for record in RECORDS}
    assert not ELEMENTS.keys() & WITHOUT_STANDARD_WEIGHT
    assert len(ELEMENTS) + len(WITHOUT_STANDARD_WEIGHT) == 118


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: record["symbol"])
def test_weight_and_limits(record: dict[str, Any]) -> None:
    """The standard weight with its own limits; the abridged one where the standard is an interval."""
    printed = record["expected"]
    kind = "standard" if printed["standard"] else "abridged"
    weight = ELEMENTS[record["symbol"]]
    assert weight.g_per_mol == Fraction(printed[kind])
    assert weight.limit_g_per_mol == Fraction(printed[f"{kind}_u"])


INTERVALS = [record for record in RECORDS if record["expected"]["interval"]]


@pytest.mark.parametrize("record", INTERVALS, ids=lambda record: record["symbol"])
def test_abridged_limits_hold_the_interval(record: dict[str, Any]) -> None:
    weight = ELEMENTS[record["symbol"]]
    low, high = (Fraction(str(end)) for end in record["expected"]["interval"])
    assert weight.g_per_mol - weight.limit_g_per_mol <= low
    assert high <= weight.g_per_mol + weight.limit_g_per_mol


def test_the_fourteen_intervals() -> None:
    assert len(INTERVALS) == 14
