"""What was weighed into and out of every run of a step, in plain grams, as the outcomes hold it."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from service.answer.book import Book
from service.domain.outcome import ChargeOutcome, OutturnOutcome
from service.domain.route import Route, Step
from service.domain.run import FAILED, FINISHED, PRODUCT
from service.store.columns import NO_DAY
from service.store.outcomes import StoredOutcome, stored_outcomes

NOT_WEIGHED: Final = "density-needed"
"""The finding of an amount whose mass is not known for want of a density."""


@dataclass(frozen=True)
class RunMasses:
    """One run of a step; its charges and outturns are read when they are asked for.

    ``counts`` says whether statistics take it: finished or failed, not left out, and of a form of the step whose runs
    are counted together.
    """

    run: str
    status: str
    counts: bool
    day: dt.date | None
    theoretical_g: float | None
    batch_g: float | None
    key_contained_g: float | None
    stored: StoredOutcome

    @cached_property
    def charges(self) -> tuple[ChargeOutcome, ...]:
        """What went in, in the order written."""
        return tuple(ChargeOutcome(**charge) for charge in self.stored.detail["charges"])

    @cached_property
    def outturns(self) -> tuple[OutturnOutcome, ...]:
        """What came out and could be weighed, in the order written."""
        return tuple(OutturnOutcome(**outturn) for outturn in self.stored.detail["outturns"])

    def of_role(self, role: str) -> list[OutturnOutcome]:
        """Return the outturns of one role."""
        if role not in self.stored.row["detail"]:  # most runs have none of it: told without reading them
            return []
        return [outturn for outturn in self.outturns if outturn.role == role]

    @property
    def unweighed(self) -> bool:
        """Whether the mass of an outturn is not known."""
        return NOT_WEIGHED in self.stored.row["detail"] and any(
            finding["code"] == NOT_WEIGHED and str(finding.get("pointer", "")).startswith("/outturns")
            for finding in self.stored.detail["findings"]
        )

    @property
    def yield_fraction(self) -> float | None:
        """Its yield; None where it has none."""
        found: float | None = self.stored.row["yield_fraction"]
        return found

    def lacks(self, product: str) -> bool:
        """Whether it made ``product`` of a mass that is not known."""
        if self.status != FINISHED or not self.unweighed:
            return False
        if self.theoretical_g:
            return self.yield_fraction is None
        return all(outturn.material != product for outturn in self.of_role(PRODUCT))


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
    alike = columns.pooled(places, step.pooled_as())
    status = columns.coded["status"].at(places).texts()
    kept = stored_outcomes(book.reading, [str(run) for run in columns.run[places]]) if len(places) else {}
    found = []
    for place, is_alike, of_run in zip(places.tolist(), alike.tolist(), status.tolist(), strict=True):
        code = str(columns.run[place])
        ordinal = int(columns.day[place])
        found.append(
            RunMasses(
                run=code,
                status=of_run,
                counts=of_run in (FINISHED, FAILED) and not columns.excluded[place] and is_alike,
                day=None if ordinal == NO_DAY else dt.date.fromordinal(ordinal),
                theoretical_g=_known(columns.theoretical_g[place]),
                batch_g=_known(columns.batch_g[place]),
                key_contained_g=_known(columns.key_contained_g[place]),
                stored=kept[code],
            )
        )
    return tuple(found)


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
