"""Weighings in a table become runs; a fault names the line and the column of the cell that it is about."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from service.errors import Fault, InvalidInput
from service.record.import_text import ImportLine
from service.record.weighings import read_weighings
from service.schemas.kinds import load_record
from service.schemas.weighing_table import COLUMNS
from tests.world.reading import lines_of

SEEDS = sorted((Path(__file__).resolve().parents[2] / "seed_data").glob("*.csv"))
RUN = {"route": "r", "step": "s", "run": "A-1", "status": "finished"}
CHARGE = {**RUN, "direction": "in", "lot": "L-1", "amount": "50.0 g"}
OUTTURN = {**RUN, "direction": "out", "material": "m", "lot": "M-1", "gross": "142.31 g", "tare": "121.90 g"}


def table(*rows: dict[str, str]) -> bytes:
    """The rows as a table with semicolons, so that commas need no quotation marks."""
    return "\n".join([";".join(COLUMNS), *(";".join(row.get(name, "") for name in COLUMNS) for row in rows)]).encode()


def runs(*rows: dict[str, str]) -> list[ImportLine]:
    text = read_weighings(table(*rows))
    assert not text.faults
    return text.lines


def body(*rows: dict[str, str]) -> Any:
    (line,) = runs(*rows)
    assert not line.faults
    return line.body


def faults(*rows: dict[str, str]) -> list[Fault]:
    """Every fault that the table has by itself."""
    text = read_weighings(table(*rows))
    found = list(text.faults)
    for line in text.lines:
        found += line.faults
        try:
            load_record(line.kind, line.code, line.body)
        except InvalidInput as refused:
            found += line.place.placed(refused.faults)
    return found


def places(*rows: dict[str, str]) -> list[tuple[str, int | None, str | int | None]]:
    return [(fault.code, fault.line, fault.column) for fault in faults(*rows)]


@pytest.mark.parametrize("file", SEEDS, ids=lambda file: file.name)
def test_the_tables_of_the_demo_are_read_as_an_independent_reader_reads_them(file: Path) -> None:
    found = [
        {"kind": "run", "code": line.code, "record": line.body} for line in read_weighings(file.read_bytes()).lines
    ]
    assert found == list(lines_of(file))
    assert found


def test_a_run_is_put_together_from_its_rows() -> None:
    record = body(
        {**CHARGE, "started_on": "2026-04-11", "note": "stirred"},
        {
            **RUN,
            "direction": "in",
            "material": "soda",
            "amount": "23.5 g",
            "price": "3.50 EUR per 1 kg",
            "assay": "0.99",
        },
        {**OUTTURN, "finished_on": "2026-04-12", "role": "product", "loss_on_drying": "0.02"},
        {**RUN, "direction": "out", "role": "waste", "material": "liquor", "amount": "31 g"},
    )
    assert record == {
        "route": "r", "step": "s", "status": "finished", "started_on": "2026-04-11", "finished_on": "2026-04-12",
        "note": "stirred",
        "charges": [
            {"lot": "L-1", "amount": "50.0 g"},
            {"material": "soda", "amount": "23.5 g", "assay": "0.99",
             "price": {"amount": "3.50", "currency": "EUR", "per": "1 kg"}},
        ],
        "outturns": [
            {"role": "product", "material": "m", "lot": "M-1", "gross": "142.31 g", "tare": "121.90 g",
             "loss_on_drying": "0.02"},
            {"role": "waste", "material": "liquor", "net": "31 g"},
        ],
    }  # fmt: skip


def test_rows_of_runs_may_alternate() -> None:
    other = {**CHARGE, "run": "A-2", "status": "open"}
    found = runs(CHARGE, other, OUTTURN, other)
    assert [(line.code, len(line.body["charges"]), line.place.as_dict()) for line in found] == [
        ("A-1", 1, {"line": 2}),
        ("A-2", 2, {"line": 3}),
    ]


@pytest.mark.parametrize(
    ("written", "per"),
    [
        ("3.50 EUR per 1 kg", "1 kg"),
        ("3.50 EUR/kg", "1 kg"),
        ("3.50EUR / kg", "1 kg"),
        ("3.50 EUR per 500 mL", "500 mL"),
        ("3.50 EUR/.5 L", ".5 L"),
    ],
)
def test_a_price_is_text(written: str, per: str) -> None:
    assert body({**CHARGE, "price": written}, OUTTURN)["charges"][0]["price"] == {
        "amount": "3.50",
        "currency": "EUR",
        "per": per,
    }


@pytest.mark.parametrize("written", ["3.50 EUR", "3.50", "EUR 3.50/kg", "per kg", "3.50 €/kg", "cheap"])
def test_what_is_no_price_is_refused_at_its_cell(written: str) -> None:
    assert places({**CHARGE, "price": written}, OUTTURN) == [("not-a-price", 2, "price")]


def test_rows_of_one_lot_are_portions_on_one_tare() -> None:
    second, third = {**OUTTURN, "gross": "138.02 g", "tare": ""}, {**OUTTURN, "gross": "130.00 g", "assay": "0.96"}
    assert body(CHARGE, OUTTURN, second, third)["outturns"] == [
        {
            "material": "m",
            "lot": "M-1",
            "gross": ["142.31 g", "138.02 g", "130.00 g"],
            "tare": "121.90 g",
            "assay": "0.96",
        }
    ]
    assert places(CHARGE, OUTTURN, {**OUTTURN, "gross": "13,8 g"}) == [("decimal-comma", 4, "gross")]
    assert places(CHARGE, OUTTURN, {**OUTTURN, "gross": "100 g"}) == [("negative-net", 4, "gross")]


@pytest.mark.parametrize(
    ("second", "expected"),
    [
        ({"tare": "120.00 g"}, ("rows-disagree", 4, "tare")),
        ({"material": "other"}, ("rows-disagree", 4, "material")),
        ({"gross": "", "tare": "", "amount": "3 g"}, ("not-portions", 4, "lot")),
    ],
)
def test_portions_that_are_none_are_refused(second: dict[str, str], expected: tuple[str, int, str]) -> None:
    assert places(CHARGE, OUTTURN, {**OUTTURN, **second}) == [expected]


def test_without_a_lot_each_row_is_an_outturn() -> None:
    waste = {**RUN, "direction": "out", "role": "waste", "material": "liquor", "amount": "31 g"}
    assert len(body(CHARGE, OUTTURN, waste, waste)["outturns"]) == 3


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        (({**CHARGE, "amount": "50,0 g"}, OUTTURN), ("decimal-comma", 2, "amount")),
        (({**CHARGE, "amount": "50.0"}, OUTTURN), ("missing-unit", 2, "amount")),
        (({**CHARGE, "amount": ""}, OUTTURN), ("missing", 2, "amount")),
        (({**CHARGE, "amount": "=1+1"}, OUTTURN), ("not-a-number", 2, "amount")),
        (({**CHARGE, "lot": ""}, OUTTURN), ("missing", 2, "lot")),
        (({**CHARGE, "price": "3,50 EUR/kg"}, OUTTURN), ("decimal-comma", 2, "price")),
        (({**CHARGE, "price": "3.50 EUR/kgg"}, OUTTURN), ("unknown-unit", 2, "price")),
        ((CHARGE, {**CHARGE, "assay": "96"}, OUTTURN), ("out-of-range", 3, "assay")),
        ((CHARGE, {**OUTTURN, "gross": "", "tare": ""}), ("missing", 3, "amount")),
        ((CHARGE, {**OUTTURN, "amount": "12,5 g", "gross": "", "tare": ""}), ("decimal-comma", 3, "amount")),
        ((CHARGE, {**OUTTURN, "tare": ""}), ("missing", 3, "tare")),
        ((CHARGE, OUTTURN, {**OUTTURN, "lot": "M-2", "role": "wast"}), ("unknown-word", 4, "role")),
        ((CHARGE, {**OUTTURN, "price": "1 EUR/g"}), ("not-with-direction", 3, "price")),
        (({**CHARGE, "tare": "1 g"}, OUTTURN), ("not-with-direction", 2, "tare")),
        (({**CHARGE, "direction": "into"}, CHARGE, OUTTURN), ("unknown-word", 2, "direction")),
        (({**CHARGE, "direction": ""}, CHARGE, OUTTURN), ("unknown-word", 2, "direction")),
        ((CHARGE,), ("missing", 2, "direction")),
        ((CHARGE, {**OUTTURN, "started_on": "12.4.2026"}), ("bad-date", 3, "started_on")),
        (({**CHARGE, "status": ""}, {**OUTTURN, "status": "done"}), ("unknown-word", 3, "status")),
        (({**CHARGE, "status": ""}, {**OUTTURN, "status": ""}), ("missing", 2, "status")),
        ((CHARGE, {**OUTTURN, "status": "failed"}), ("rows-disagree", 3, "status")),
        ((CHARGE, {**OUTTURN, "note": "a"}, {**CHARGE, "note": "b"}), ("rows-disagree", 4, "note")),
        (({**CHARGE, "run": "A/1"}, {**OUTTURN, "run": "A/1"}), ("bad-code", 2, "run")),
        (({**CHARGE, "run": ""}, CHARGE, OUTTURN), ("missing", 2, "run")),
        (({**CHARGE, "note": "x" * 1001}, OUTTURN), ("too-long", 2, "note")),
    ],
)
def test_each_fault_is_told_once_at_its_cell(rows: tuple[dict[str, str], ...], expected: tuple[str, int, str]) -> None:
    assert places(*rows) == [expected]


def test_faults_of_all_rows_come_at_once_with_what_was_received_and_a_hint() -> None:
    found = faults({**CHARGE, "amount": "50,0 g"}, {**CHARGE, "assay": "96"}, {**OUTTURN, "direction": "away"})
    assert sorted((fault.line, fault.column, fault.received) for fault in found) == [
        (2, "amount", "50,0 g"),
        (3, "assay", "96"),
        (4, "direction", "away"),
    ]
    hints = {fault.column: fault.detail for fault in found}
    assert "50.0 g" in hints["amount"]
    assert "0.96" in hints["assay"]


def test_rows_of_the_sheet_that_were_not_filled_in_are_passed_over_and_counted() -> None:
    left = {"route": "r", "step": "s", "direction": "out", "role": "co-product", "material": "salt"}
    text = read_weighings(table(CHARGE, left, OUTTURN, left))
    assert text.counts == {"rows": 2, "rows_not_filled_in": 2}
    assert text.lines[0].body == body(CHARGE, OUTTURN)
    with pytest.raises(InvalidInput) as refused:
        read_weighings(table(left))
    assert [fault.code for fault in refused.value.faults] == ["empty"]


def test_one_run_of_very_many_rows_is_refused_without_a_walk_over_all_of_them_for_each() -> None:
    other = [{**OUTTURN, "lot": f"M-{number}"} for number in range(20_000)]
    assert places(CHARGE, *other) == [("too-many", 2, "direction")]
    assert places(CHARGE, *[OUTTURN] * 20_000) == [("too-many", 3, "gross")]
    disagreeing = [
        {**OUTTURN, "lot": f"M-{number}", "status": "failed", "note": f"{number}"} for number in range(20_000)
    ]
    assert 10_000 < len(faults(CHARGE, *disagreeing)) < 10_010
