"""The demo: taken by the schemas, consistent with itself, and what its own table of typical batches says.

The table is the demo's own description, an invention: steps, typical batches, mean yields and their spread.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from pathlib import Path
from statistics import mean, stdev

import pytest

from service.domain.bill import need_of, theoretical_per_gram
from service.domain.graph import route_faults
from service.domain.lot import Measured, Strength
from service.domain.outcome import Outcome
from service.domain.run import Run
from tests.world.reading import Book, Line, lines_of, read_book
from tests.world.shelf import balances, used_too_early

ROOT = Path(__file__).resolve().parents[2]
FILES = sorted((ROOT / "seed_data").glob("[0-9]*"))
EXAMPLES = sorted((ROOT / "openapi" / "examples").glob("*.json"))
WET, SLIP = "VG-028", "ML-015"

# step: (runs, without product, mean yield, its standard deviation over the runs that are neither wet nor a slip)
TYPICAL = {
    "vitriol": (12, 1, 0.80, 0.06),
    "carbonate": (14, 1, 0.90, 0.035),
    "acetate": (12, 2, 0.71, 0.07),
    "extract": (9, 0, 0.55, 0.08),
    "alum": (7, 1, 0.70, 0.07),
}


@pytest.fixture(scope="module")
def lines() -> list[Line]:
    return [line for file in FILES for line in lines_of(file)]


@pytest.fixture(scope="module")
def book(lines: list[Line]) -> Book:
    return read_book(lines)


@pytest.fixture(scope="module")
def outcomes(book: Book) -> dict[str, tuple[Run, Outcome]]:
    return {code: (run, book.outcome(code)) for code, run in book.runs.items()}


def yields(outcomes: dict[str, tuple[Run, Outcome]], step: str) -> list[float]:
    """Yields of a step without the wet batch and the slip."""
    return [
        found.yield_fraction
        for code, (run, found) in outcomes.items()
        if run.step == step and found.yield_fraction is not None and code not in (WET, SLIP)
    ]


def test_both_doors_are_used() -> None:
    assert {file.suffix for file in FILES} == {".json", ".csv"}


def test_no_run_and_no_route_is_refused(book: Book, outcomes: dict[str, tuple[Run, Outcome]]) -> None:
    assert len(outcomes) == 62
    assert [fault for _, found in outcomes.values() for fault in found.faults] == []
    assert {code: route_faults(route, book.materials) for code, route in book.routes.items()} == {
        "verdigris": (),
        "madder-lake": (),
    }


def test_each_file_rests_on_those_before_it() -> None:
    known: set[str] = set()
    for file in FILES:
        new = list(lines_of(file))
        known |= {line["code"] for line in new}
        records = [line["record"] for line in new]
        made = {row["lot"] for record in records for row in record.get("outturns", ()) if "lot" in row}
        made |= {row["lot"] for record in records for row in record.get("lines", ())}
        known |= made | {line["record"]["lot"] for line in new if line["kind"] == "pool"}
        named = {
            record[key] for record in records for key in ("material", "supplier", "project", "route") if key in record
        }
        for record in records:
            rows = ("charges", "outturns", "from", "lines")
            for row in [record, *(row for key in rows for row in record.get(key, ()))]:
                named |= {row[key] for key in ("lot", "material", "offer", "reverses") if key in row}
        assert named <= known, f"{file.name} names what no file before it holds: {sorted(named - known)}"


@pytest.mark.parametrize("step", TYPICAL)
def test_yields_are_typical(step: str, outcomes: dict[str, tuple[Run, Outcome]]) -> None:
    runs, without, centre, spread = TYPICAL[step]
    assert sum(run.step == step for run, _ in outcomes.values()) == runs
    found = yields(outcomes, step)
    oddities = sum(outcomes[code][0].step == step for code in (WET, SLIP))
    assert len(found) == runs - without - oddities
    assert mean(found) == pytest.approx(centre, abs=0.005)
    assert stdev(found) == pytest.approx(spread, abs=0.002)


def test_the_lake_is_a_ratio(outcomes: dict[str, tuple[Run, Outcome]]) -> None:
    ratios = [math.log(ratio) for ratio in yields(outcomes, "lake")]
    assert len(ratios) == 8
    assert math.exp(mean(ratios)) == pytest.approx(2.4, abs=0.01)
    assert stdev(ratios) == pytest.approx(0.10, abs=0.005)


# Grams of product that a typical batch could give, by hand from textbook molar masses.
@pytest.mark.parametrize(
    ("step", "key_g", "theoretical_g"),
    [
        ("vitriol", 20.0, 20 / 63.546 * 249.68),
        ("carbonate", 60.0, 60 / 249.68 / 2 * 221.11),
        ("acetate", 20.0, 20 * 0.96 / 221.11 * 2 * 199.65),
        ("extract", 200.0, 2.4),
        ("alum", 5.0, 5 / 26.982 * 474.38),
    ],
)
def test_batches_are_typical(
    step: str, key_g: float, theoretical_g: float, outcomes: dict[str, tuple[Run, Outcome]]
) -> None:
    near = [
        found for run, found in outcomes.values() if run.step == step and abs((found.batch_g or 0) / key_g - 1) < 0.02
    ]
    assert len(near) >= 3
    for found in near:
        assert found.batch_g is not None
        assert found.theoretical_g == pytest.approx(theoretical_g * found.batch_g / key_g, rel=0.05)


def test_failures_and_unfinished_runs(outcomes: dict[str, tuple[Run, Outcome]]) -> None:
    assert Counter(run.status for run, _ in outcomes.values()) == {
        "finished": 57,
        "failed": 3,
        "abandoned": 1,
        "open": 1,
    }


def test_what_is_there_to_be_found_is_found(outcomes: dict[str, tuple[Run, Outcome]]) -> None:
    codes = {code: {finding.code for finding in found.findings} for code, (_, found) in outcomes.items()}
    above = {code for code, findings in codes.items() if "yield-above-one" in findings}
    assert above == {WET, SLIP}
    wet, slip = outcomes[WET][1], outcomes[SLIP][1]
    assert wet.net_g == 29.2
    assert wet.crude_yield == pytest.approx(1.10, abs=0.005)
    assert slip.net_g == 4870.0
    assert slip.yield_fraction is not None
    assert slip.yield_fraction / 1000 == pytest.approx(0.55, abs=0.16)
    by_acid = [code for code, (_, found) in outcomes.items() if found.limiting_reagent == "dilute-sulfuric-acid"]
    assert by_acid
    for code in by_acid:
        assert "acid-03" in {charge.lot for charge in outcomes[code][0].charges}


def test_the_records_have_the_variety_of_a_bench(book: Book) -> None:
    outturns = [outturn for run in book.runs.values() for outturn in run.outturns]
    assert {outturn.role for outturn in outturns} == {"product", "recovered", "waste"}
    assert any(len(outturn.gross) == 2 for outturn in outturns)
    assert any(len(outturn.gross) == 3 for outturn in outturns)
    crops = [run for run in book.runs.values() if sum(row.role == "product" for row in run.outturns) == 2]
    assert {run.step for run in crops} == {"acetate"}
    assert len({run.operator for run in book.runs.values()}) == 4
    assert {charge.amount.dimension for run in book.runs.values() for charge in run.charges} == {"mass", "volume"}
    pooled = {pool.lot for pool in book.records["pools"].values()}
    assert pooled == {charge.lot for run in book.runs.values() for charge in run.charges if charge.lot in pooled}
    started = [run.started_on for run in book.runs.values() if run.started_on is not None]
    assert (max(started) - min(started)).days == pytest.approx(730, abs=31)


def test_no_lot_gives_more_than_it_holds(lines: list[Line]) -> None:
    left = balances(lines)
    short = {code: amount for code, (_, amount) in left.items() if amount < 0}
    assert short == {}
    assert sum(amount > 0 for _, amount in left.values()) > 10


def test_no_lot_is_used_before_it_is_there(lines: list[Line]) -> None:
    assert used_too_early(lines) == []


def test_the_mean_plan_for_25_g_of_verdigris_begins_with_about_15_6_g_of_copper(
    book: Book, outcomes: dict[str, tuple[Run, Outcome]]
) -> None:
    route = book.routes["verdigris"]
    strengths = {"malachite": Strength(assay=Measured(0.96)), "dilute-sulfuric-acid": Strength(assay=Measured(0.149))}
    grams = 25.0
    for step in reversed(route.steps):
        limit, reason = theoretical_per_gram(step, book.materials, strengths)
        assert limit is not None, reason
        assay = strengths.get(step.product, Strength()).mass_fraction
        grams /= mean(yields(outcomes, step.code)) * limit / assay
    assert grams == pytest.approx(15.6, abs=0.1)


def test_bills_give_the_typical_batches(book: Book) -> None:
    def grams(route: str, step: str, material: str, key_g: float, **assays: float) -> float:
        found = book.routes[route].step(step)
        assert found is not None
        line = next(line for line in found.bill if line.material == material)
        strengths = {code.replace("_", "-"): Strength(assay=Measured(assay)) for code, assay in assays.items()}
        per_g = need_of(found, line, book.materials, strengths).per_g
        assert per_g is not None
        return per_g * key_g

    assert grams("verdigris", "vitriol", "dilute-sulfuric-acid", 20, dilute_sulfuric_acid=0.149) == pytest.approx(
        216, abs=1
    )
    assert grams("verdigris", "carbonate", "soda-ash", 60) == pytest.approx(28.0, abs=0.1)
    assert grams("verdigris", "acetate", "acetic-acid-25", 20, acetic_acid_25=0.25) == pytest.approx(104, abs=0.5)
    assert grams("madder-lake", "alum", "potassium-hydroxide", 5, potassium_hydroxide=0.88) == pytest.approx(
        14.2, abs=0.1
    )
    assert grams("madder-lake", "alum", "dilute-sulfuric-acid", 5, dilute_sulfuric_acid=0.149) == pytest.approx(
        260, abs=1
    )
    assert grams("madder-lake", "lake", "potash-alum", 5) == pytest.approx(45)
    assert grams("madder-lake", "lake", "potassium-carbonate", 5) == pytest.approx(18)


@pytest.mark.parametrize("file", EXAMPLES, ids=lambda file: file.stem)
def test_examples_of_the_api_are_records_of_the_demo(file: Path, lines: list[Line]) -> None:
    example = json.loads(file.read_text("utf-8"))
    wanted = example if file.stem == "import" else [{"kind": file.stem, **example}]
    assert wanted
    for line in wanted:
        assert line in lines


def test_every_kind_has_an_example(lines: list[Line]) -> None:
    assert {file.stem for file in EXAMPLES} == {"import", *(line["kind"] for line in lines)}
