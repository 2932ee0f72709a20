"""The runs of one step as its answers need them: which count, which do not and why, and what the next one will give."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from service.analytics.forecast.next_run import StepForecast, forecast_step
from service.analytics.forecast.spread import MOST_YIELD, SpreadPrior, default_prior, scale_of, shared_prior, spread_of
from service.answer.book import Book
from service.answer.past_forecasts import past_of
from service.answer.run_columns import Columns, Floats, Places
from service.domain.route import CONTENT, MASS_RATIO, Route, Step
from service.domain.run import ABANDONED, FAILED, FINISHED, OPEN
from service.store.columns import NO_DAY
from service.store.records import many

PROBABILITIES = (50, 80, 90, 95)
"""In percent, the probabilities that a forecast's lower bounds are given for."""
OTHER_FORM = "of an earlier form of the step: its basis, key input, product or reaction was another"


@dataclass(frozen=True)
class StepRuns:
    """The runs of one step up to a day.

    ``yields``, ``yield_u``, ``batch_g``, ``net_g``, ``dry_g`` and ``contained_g`` are of the counted runs, in time
    order; ``all_contained_g`` and ``all_theoretical_g`` are of the counted and the failed, the failed at 0 contained;
    ``failed_codes`` and ``failed_batch_g`` are of these same failed runs.
    ``key_fraction`` is what a gross gram of key input contained as charged, in a content step of the analyte; None
    where it is not known.
    """

    step: Step
    codes: tuple[str, ...]
    yields: Floats
    yield_u: Floats
    batch_g: Floats
    net_g: Floats
    dry_g: Floats
    contained_g: Floats
    all_contained_g: Floats
    all_theoretical_g: Floats
    failed: int
    failed_codes: tuple[str, ...]
    failed_batch_g: Floats
    abandoned: int
    open: int
    left_out: tuple[Mapping[str, str], ...]
    operators: int
    lots: int
    runs_per_lot: float
    key_fraction: float | None
    reasons: Mapping[str, str]
    route: str
    last_day: int | None

    def __len__(self) -> int:
        return len(self.codes)

    @property
    def mass_ratio(self) -> bool:
        """Whether the step's yields are ratios of gross masses, which may exceed 1."""
        return self.step.basis == MASS_RATIO

    @cached_property
    def capped_contained_g(self) -> Floats:
        """``all_contained_g`` with what lies above the theoretical amount taken as 0.98 of it: a wet or mistaken
        run is kept as recorded, but no money and no amount is expected of what it had too much."""
        if self.mass_ratio:
            return self.all_contained_g
        above = self.all_contained_g > self.all_theoretical_g
        return np.where(above, MOST_YIELD * self.all_theoretical_g, self.all_contained_g)

    @cached_property
    def capped_yields(self) -> Floats:
        """``yields`` with what lies above 1 taken as 0.98."""
        return self.yields if self.mass_ratio else np.where(self.yields > 1.0, MOST_YIELD, self.yields)

    @cached_property
    def capped_runs(self) -> tuple[str, ...]:
        """The counted runs whose yield is above 1."""
        if self.mass_ratio:
            return ()
        return tuple(self.codes[place] for place in np.flatnonzero(self.yields > 1.0).tolist())

    @cached_property
    def best(self) -> tuple[str, float] | None:
        """The counted run of the highest yield, and that yield: none above 1, which says that something is wrong."""
        found = [
            (value, code)
            for code, value in zip(self.codes, self.yields.tolist(), strict=True)
            if self.mass_ratio or value <= 1.0
        ]
        if not found:
            return None
        value, code = max(found)
        return code, value

    @property
    def product_fraction(self) -> float:
        """Contained grams in a gram of product as weighed, over all counted runs; 1 where there is none."""
        total = float(self.net_g.sum())
        return float(self.contained_g.sum()) / total if total > 0.0 else 1.0

    @property
    def dry_fraction(self) -> float:
        """Dry grams in a gram of product as weighed, over all counted runs; 1 where there is none."""
        total = float(self.net_g.sum())
        return float(self.dry_g.sum()) / total if total > 0.0 else 1.0

    @cached_property
    def largest_batch_g(self) -> float | None:
        """The largest batch that gave product, as gross grams of key input."""
        known = self.batch_g[np.isfinite(self.batch_g)]
        return float(known.max()) if len(known) else None

    @cached_property
    def smallest_batch_g(self) -> float | None:
        """The smallest batch that gave product, as gross grams of key input."""
        known = self.batch_g[np.isfinite(self.batch_g)]
        return float(known.min()) if len(known) else None

    @cached_property
    def typical_batch_g(self) -> float | None:
        """The median batch that gave product; else the largest that the step allows, else the smallest."""
        known = self.batch_g[np.isfinite(self.batch_g)]
        if len(known):
            return float(np.median(known))
        return self.step.limits.largest_g or self.step.limits.smallest_g


def step_runs(book: Book, route: Route, step: Step, as_of: dt.date, since: dt.date | None = None) -> StepRuns:
    """Return the runs of a step that were finished, or begun, up to ``as_of``; a run without a date is taken in.

    With ``since`` those of that day and later alone, and none without a date.
    """
    if not book.is_own(route):
        return _step_runs(book, route, step, as_of, since)  # of a changed route nothing is kept
    # Which runs count follows from the state: many answers of one state take the same ones.
    key = ("runs", route.code, step.code, as_of, since)
    return book.fact(key, lambda: _step_runs(book, route, step, as_of, since))


def _step_runs(book: Book, route: Route, step: Step, as_of: dt.date, since: dt.date | None) -> StepRuns:
    columns = book.columns
    every = columns.where(route.code, step.code)
    every = every[(columns.day[every] <= as_of.toordinal()) | (columns.day[every] == NO_DAY)]
    if since is not None:
        every = every[columns.day[every] >= since.toordinal()]
    alike = columns.pooled(every, step.pooled_as())
    places = every[alike]
    places = places[np.lexsort((columns.run[places], columns.day[places]))] if _several(columns, places) else places
    excluded = columns.excluded[places]
    finished = columns.is_word("status", FINISHED, places)
    known = np.isfinite(columns.yields[places])
    counted = places[finished & ~excluded & known]
    failed = places[columns.is_word("status", FAILED, places) & ~excluded]
    # A failed run whose theoretical amount is unknown has no place in a ratio of totals, and is said beside it.
    failed_known = failed[np.isfinite(columns.theoretical_g[failed])]
    reasons: dict[str, str] = {}
    if len(failed_known) < len(failed):
        reasons["ratio_of_totals"] = f"{len(failed) - len(failed_known)} failed runs have no theoretical amount"
    key_lot = columns.coded["key_lot"].at(counted)
    lots = key_lot.used() - {None}
    with_lot = len(key_lot.numbers) - key_lot.count(None)
    return StepRuns(
        step=step,
        codes=tuple(columns.run[counted]),
        yields=columns.yields[counted],
        yield_u=columns.yield_u[counted],
        batch_g=columns.batch_g[counted],
        net_g=columns.net_g[counted],
        dry_g=columns.dry_g[counted],
        contained_g=columns.contained_g[counted],
        all_contained_g=np.concatenate([columns.contained_g[counted], np.zeros(len(failed_known))]),
        all_theoretical_g=columns.theoretical_g[np.concatenate([counted, failed_known])],
        failed=len(failed),
        failed_codes=tuple(columns.run[failed_known]),
        failed_batch_g=columns.batch_g[failed_known],
        abandoned=int((columns.is_word("status", ABANDONED, places) & ~excluded).sum()),
        open=int((columns.is_word("status", OPEN, places) & ~excluded).sum()),
        left_out=book.fact(
            ("left out", route.code, step.code, as_of, since),
            lambda: _left_out(book, every[~alike], places[excluded | (finished & ~known)]),
        ),
        operators=len(columns.coded["operator"].at(counted).used() - {None}),
        lots=len(lots),
        runs_per_lot=with_lot / len(lots) if lots else 1.0,
        key_fraction=_key_fraction(columns, np.concatenate([counted, failed]), step),
        reasons=reasons,
        route=route.code,
        last_day=int(columns.day[counted].max(initial=NO_DAY)) or None,
    )


def _several(columns: Columns, places: Places) -> bool:
    """Whether the runs are of several revisions of a step, which the columns hold one after another."""
    return len(places) > 0 and bool(columns.group[places[0]] != columns.group[places[-1]])


def _left_out(book: Book, other_form: Places, out: Places) -> tuple[Mapping[str, str], ...]:
    """Runs that statistics leave out, each with its reason, in the order of their codes."""
    columns = book.columns
    found = {str(run): OTHER_FORM for run in columns.run[other_form]}
    # One word of each body is wanted: the records are not made of them.
    for stored in many(book.reading, "runs", [str(run) for run in columns.run[out]]):
        exclude = stored.body.get("exclude")
        found[stored.code] = exclude["reason"] if exclude else "its theoretical amount is not known"
    return tuple({"run": code, "reason": found[code]} for code in sorted(found))


def _key_fraction(columns: Columns, places: Places, step: Step) -> float | None:
    held = columns.theoretical_g if step.basis == CONTENT else columns.key_contained_g
    gross, contained = columns.batch_g[places], held[places]
    known = np.isfinite(gross) & np.isfinite(contained)
    total = float(gross[known].sum())
    return float(contained[known].sum()) / total if total > 0.0 else None


@dataclass(frozen=True, slots=True)
class Experience:
    """What all steps of the workshop lend to the forecast of one: their spread, their runs and their failures.

    ``lenders``: by scale, how many steps have runs enough to show a spread. ``factors``: by route, step and form, how
    much wider than its runs say a step's spread is taken, where its past bounds did not hold.
    """

    priors: Mapping[str, SpreadPrior]
    runs: int
    failures: int
    lenders: Mapping[str, int] = field(default_factory=dict)
    factors: Mapping[tuple[str, str, str], float] = field(default_factory=dict)

    def spread_factor(self, runs: StepRuns) -> float:
        """By how much the spread of a step is widened, 1 where its past bounds hold."""
        return self.factors.get((runs.route, runs.step.code, runs.step.pooled_as()), 1.0)

    def lent_by(self, scale: str) -> int:
        """How many steps lend their spread to one another on a scale; 0 where the default stands for them."""
        prior = self.priors.get(scale)
        return 0 if prior is None or prior == default_prior(scale) else self.lenders.get(scale, 0)  # type: ignore[arg-type]


def experience_of(book: Book, as_of: dt.date) -> Experience:
    """Return what the workshop's runs up to ``as_of`` say about the spread and the failures of a step of it."""
    # All runs are forecast from those before them, which takes longer than all else of a small answer.
    return book.fact(("experience", as_of), lambda: _experience(book.columns, as_of))


def _experience(columns: Columns, as_of: dt.date) -> Experience:
    in_time = (columns.day <= as_of.toordinal()) & ~columns.excluded
    usable = in_time & columns.is_word("status", FINISHED) & np.isfinite(columns.yields)
    failures = int((in_time & columns.is_word("status", FAILED)).sum())
    numbers, yields = columns.group[usable], columns.yields[usable]
    spreads: dict[str, list[tuple[float, int]]] = {}
    edges = np.searchsorted(numbers, np.arange(len(columns.groups) + 1))
    for number, group in enumerate(columns.groups):
        mine = yields[edges[number] : edges[number + 1]]
        if len(mine):
            scale = scale_of(mine, mass_ratio=group.basis == MASS_RATIO)
            spreads.setdefault(scale, []).append(spread_of(mine, scale))
    priors = {scale: shared_prior(groups, scale) for scale, groups in spreads.items()}  # type: ignore[arg-type]
    lenders = {scale: sum(degrees > 0 for _, degrees in groups) for scale, groups in spreads.items()}
    factors = past_of(columns, as_of).factors(columns.groups)
    return Experience(priors, int(usable.sum()) + failures, failures, lenders, factors)


def forecast_of(
    runs: StepRuns, experience: Experience, *, new_lot: bool = False, batch_g: float | None = None
) -> StepForecast:
    """Return the forecast of the step's next run, of ``batch_g`` gross grams of key input where that is said.

    ``new_lot`` says that the key input will be of a lot that no run was made from. Raises NotComputable for a mass
    ratio with neither a run nor an opinion.
    """
    scale = scale_of(runs.yields, mass_ratio=runs.mass_ratio)
    opinion = runs.step.expected_yield
    largest = runs.largest_batch_g
    beyond = math.log(batch_g / largest) if batch_g and largest and batch_g > largest else 0.0
    return forecast_step(
        runs.yields,
        runs.failed,
        mass_ratio=runs.mass_ratio,
        other_runs=experience.runs - len(runs.yields) - runs.failed,
        other_failures=experience.failures - runs.failed,
        prior=experience.priors.get(scale, default_prior(scale)),
        opinion=None if opinion is None else (opinion.low, opinion.likely, opinion.high),
        runs_per_lot=runs.runs_per_lot,
        new_lot=new_lot,
        ln_batch_beyond=beyond,
        spread_factor=experience.spread_factor(runs) if len(runs.yields) else 1.0,
    )


def evidence(runs: StepRuns) -> str:
    """Return in words what a forecast of the step rests on."""
    if not len(runs.yields):
        opinion = runs.step.expected_yield is not None
        return "no run yet: the expected yield of the step, an opinion" if opinion else "none"
    parts = [_counted(len(runs.yields) + runs.failed, "run")]
    if runs.operators:
        parts.append(_counted(runs.operators, "operator"))
    if runs.lots:
        parts.append(_counted(runs.lots, "lot"))
    return ", ".join(parts)


def _counted(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def next_run_line(runs: StepRuns, forecast: StepForecast, reasons: dict[str, str]) -> dict[str, Any]:
    """Return a forecast as an answer shows it; a bound that cannot be given is 0, and ``reasons`` says so."""
    bounds = {str(p): forecast.at_least(p / 100.0) for p in PROBABILITIES}
    none = [p for p, bound in bounds.items() if bound == 0.0]
    if none:
        reasons["next_run"] = f"one run cannot give {' or '.join(none)} % confidence: plan a spare batch"
    return {
        "at_least": bounds,
        "evidence": evidence(runs),
        "kind": forecast.kind,
        "notes": list(forecast.notes),
        "spread_factor": forecast.spread_factor,
    }
