"""What was weighed into and out of every run of a step, in plain grams, as the outcomes hold it."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

import numpy as np

from service.answer.book import Book
from service.domain.outcome import ChargeOutcome, OutturnOutcome
from service.domain.route import Route, Step
from service.domain.run import FAILED, FINISHED
from service.store.columns import NO_DAY
from service.store.outcomes import stored_outcomes


@dataclass(frozen=True, slots=True)
class RunMasses:
    """One run of a step. ``counts`` says whether statistics take it: finished or failed, not left out, and of a form of
    the step whose runs are counted together. ``unweighed``: an outturn's mass is not known."""

    run: str
    status: str
    counts: bool
    day: dt.date | None
    theoretical_g: float | None
    batch_g: float | None
    key_contained_g: float | None
    charges: tuple[ChargeOutcome, ...]
    outturns: tuple[OutturnOutcome, ...]
    unweighed: bool


def run_masses(
    book: Book, route: Route, step: Step, as_of: dt.date, since: dt.date | None = None
) -> tuple[RunMasses, ...]:
    """Return every run of a step up to ``as_of`` in time order; the days count as in ``step_runs``."""
    columns = book.columns
    places = columns.where(route.code, step.code)
    day = columns.day[places]
    in_time = (day <= as_of.toordinal()) | (day == NO_DAY)
    if since is not None:
        in_time &= day >= since.toordinal()
    places = places[in_time]
    places = places[np.argsort(columns.day[places], kind="stable")]
    alike = set(columns.where(route.code, step.code, step.pooled_as()).tolist())
    kept = stored_outcomes(book.reading, [str(run) for run in columns.run[places]]) if len(places) else {}
    found = []
    for place in places.tolist():
        code, status = str(columns.run[place]), str(columns.status[place])
        detail, ordinal = kept[code].detail, int(columns.day[place])
        found.append(
            RunMasses(
                run=code,
                status=status,
                counts=status in (FINISHED, FAILED) and not columns.excluded[place] and place in alike,
                day=None if ordinal == NO_DAY else dt.date.fromordinal(ordinal),
                theoretical_g=_known(columns.theoretical_g[place]),
                batch_g=_known(columns.batch_g[place]),
                key_contained_g=_known(columns.key_contained_g[place]),
                charges=tuple(ChargeOutcome(**charge) for charge in detail["charges"]),
                outturns=tuple(OutturnOutcome(**outturn) for outturn in detail["outturns"]),
                unweighed=any(
                    finding["code"] == "density-needed" and str(finding.get("pointer", "")).startswith("/outturns")
                    for finding in detail["findings"]
                ),
            )
        )
    return tuple(found)


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
