"""The counted runs of one step in time, as far as they pass the filters of an answer."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from service.analytics.statistics.slips import slips_of
from service.answer.book import Book
from service.answer.run_columns import Floats, Numbers, Texts
from service.answer.run_filter import RunFilter
from service.answer.step_runs import StepRuns, step_runs
from service.domain.route import MASS_RATIO, Step
from service.domain.run import FAILED


@dataclass(frozen=True, slots=True)
class StepHistory:
    """The counted runs of a step that pass, one line a run, by the day they were finished and then by code.

    Days are ordinals, NO_DAY where none was written. ``left_out`` are runs that statistics leave out and that pass,
    ``failed`` counts those that gave nothing.
    """

    step: Step
    runs: tuple[str, ...]
    day: Numbers
    operator: Texts
    yields: Floats
    yield_u: Floats
    batch_g: Floats
    failed: int
    left_out: tuple[Mapping[str, str], ...]

    @property
    def bounded(self) -> bool:
        """Whether the step's yields are fractions of what is possible, so that 0 and 1 bound them."""
        return self.step.basis != MASS_RATIO

    @property
    def likely_slips(self) -> tuple[str, ...]:
        """The runs whose yields look like a slip of writing beside those before them; they count all the same."""
        asks = slips_of(self.yields).asks()
        return tuple(run for run, asked in zip(self.runs, asks, strict=True) if asked)


def history_of(book: Book, route_code: str, step_code: str, as_of: dt.date, asked: RunFilter) -> StepHistory:
    """Return the counted runs of a step up to ``as_of`` that pass. Raises UnknownRecord for a route or step unknown."""
    route = book.route(route_code)
    step = book.step(route, step_code)
    columns = book.columns
    every = columns.where(route.code, step.code)
    every = every[asked.passing(book, as_of, every)]
    passing = dict(zip(columns.run[every].tolist(), every.tolist(), strict=True))
    found: StepRuns = step_runs(book, route, step, as_of)
    kept = [code for code in found.codes if code in passing]
    alike = columns.pooled(every, step.pooled_as())
    order = sorted((int(columns.day[passing[code]]), code, passing[code]) for code in kept)
    places = np.array([place for _, _, place in order], dtype=np.intp)
    return StepHistory(
        step=step,
        runs=tuple(code for _, code, _ in order),
        day=columns.day[places],
        operator=columns.coded["operator"].at(places).texts(),
        yields=columns.yields[places],
        yield_u=columns.yield_u[places],
        batch_g=columns.batch_g[places],
        failed=int((alike & columns.is_word("status", FAILED, every) & ~columns.excluded[every]).sum()),
        left_out=tuple(left for left in found.left_out if left["run"] in passing),
    )
