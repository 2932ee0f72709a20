"""Twenty scenarios beside today, beside the one plan of today: from their inputs, and as whole answers."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from typing import Any

from service.analytics.forecast.draws import QUOTED_TRIALS, WHAT_IF_TRIALS, SharedDraws
from service.analytics.planning.inputs import PlanInputs, PlanQuestion
from service.analytics.planning.scenarios import with_failure_rate, with_limits, with_price, with_yield
from service.analytics.planning.side_by_side import carried, consumed_difference, starting_differences
from service.analytics.planning.whole import plan_from
from service.answer.book import Book
from service.answer.plan import plan_of
from service.answer.snapshot import Memory
from service.answer.what_if import what_if_of
from service.schemas.what_if import load_what_if
from service.store.session import open_database
from tests.benchmarks.books import AT, ROUTE, filled
from tests.benchmarks.databases import kind_of
from tests.benchmarks.measure import Row, in_turn
from tests.benchmarks.plan_answer import RUNS, STEPS, TARGET_G, branched

AT_MOST = 10.0
SCENARIOS = 20
CONFIDENCE = 0.6


def changed(inputs: PlanInputs) -> list[PlanInputs]:
    """Twenty scenarios: of eight steps a yield and a failure rate each, two limits, two prices."""
    codes = [step.code for step in inputs.steps]
    found = [with_yield(inputs, code, times=1.05) for code in codes]
    found += [with_failure_rate(inputs, code, 0.02) for code in codes]
    found += [with_limits(inputs, codes[0], None, 80.0), with_limits(inputs, codes[4], None, 150.0)]
    return [*found, *(with_price(inputs, f"input-{place}", 2.0) for place in (0, 3))]


def side_by_side(inputs: PlanInputs, trials: int) -> Callable[[int], None]:
    """Today's plan and every scenario's, with the differences that have a Monte Carlo error."""

    def plan(_: int) -> None:
        question, shared = PlanQuestion(TARGET_G, CONFIDENCE, trials), SharedDraws()
        today = carried(inputs, plan_from(inputs, question, shared), shared)
        for other in changed(inputs):
            own = SharedDraws(shared)
            mine = carried(other, plan_from(other, question, own), own)
            starting_differences(today, mine)
            consumed_difference(today, mine)

    return plan


def one(inputs: PlanInputs, trials: int) -> Callable[[int], None]:
    """Today's plan alone."""

    def plan(_: int) -> None:
        plan_from(inputs, PlanQuestion(TARGET_G, CONFIDENCE, trials))

    return plan


def body(codes: list[str], trials: int) -> dict[str, Any]:
    """A what-if over HTTP of the same kind."""
    changes = [{"kind": "yield", "step": code, "factor": "1.05"} for code in codes]
    changes += [{"kind": "failure-rate", "step": code, "failure_rate": "0.02"} for code in codes]
    changes += [{"kind": "limits", "step": code, "largest": f"{size} g"} for code in codes for size in (80, 150)]
    scenarios = [{"name": str(at), "changes": [change]} for at, change in enumerate(changes[:SCENARIOS])]
    return {"target": f"{TARGET_G:g} g", "confidence": CONFIDENCE, "trials": trials, "scenarios": scenarios}


def rows(url: str, *, calls: int = 20, trials: int = WHAT_IF_TRIALS) -> list[Row]:
    """Measure the scenarios from their inputs, and the whole answer from a modest book."""
    found = []
    if kind_of(url) == "SQLite":  # inputs ask no database
        inputs = branched()
        cost, same, quoted = in_turn(
            calls,
            [side_by_side(inputs, trials), one(inputs, trials), one(inputs, trials * QUOTED_TRIALS // WHAT_IF_TRIALS)],
        )
        said = f"{SCENARIOS} scenarios from their inputs alone, beside one plan of"
        found.append(Row(f"{said} as many trials", cost, same))
        found.append(Row(f"{said} the trials that are quoted, four times as many", cost, quoted, AT_MOST))
    with closing(open_database(url)) as database:
        workshop, memory = filled(database, steps=STEPS, runs_per_step=RUNS), Memory()

        def book_of(answer: Callable[[Book], Any]) -> Callable[[int], None]:
            def asked(_: int) -> None:
                with database.reading(workshop.id) as reading:
                    answer(Book(reading, memory))

            return asked

        def what_if(book: Book) -> dict[str, Any]:
            codes = [step.code for step in book.route(ROUTE).steps]
            return what_if_of(book, ROUTE, load_what_if(body(codes, trials)), AT.date())

        def plan(book: Book) -> dict[str, Any]:
            return plan_of(
                book, ROUTE, target_g=TARGET_G, confidence=CONFIDENCE, as_of=AT.date(), trials=trials
            )  # fmt: skip

        both = in_turn(calls, [book_of(what_if), book_of(plan)])
        found.append(Row(f"the whole answer, beside that of one plan, {kind_of(url)}", *both, AT_MOST))
    return found
