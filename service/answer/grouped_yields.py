"""Statistics of runs in any grouping: by step, people, time, lots, batch size or tags, bases never mixed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from service.analytics.statistics.describe import Descriptions, describe_groups
from service.analytics.statistics.ratio import Ratios, ratios_of_totals
from service.answer.book import Book
from service.answer.run_columns import Columns
from service.answer.run_filter import GROUPED, RunFilter, current_forms
from service.answer.run_groups import Lines, distinct, lines_by
from service.answer.statistics_line import statistics_line
from service.domain.run import ABANDONED, FAILED, FINISHED, OPEN
from service.errors import Fault, MalformedInput
from service.store.run_lots import runs_excluded

METHOD = "grouped-yields/1"
MOST_GROUPS: Final = 2000
MOST_LEFT_OUT: Final = 200
"""Runs left out that an answer names one by one; more are counted."""

Numbers = npt.NDArray[np.int64]


def grouped_yields_of(
    book: Book,
    *,
    by: tuple[str, ...],
    asked: RunFilter,
    charge: str | None,
    as_of: dt.date,
    confidence: float = 0.90,
) -> dict[str, Any]:
    """Return the statistics of every group of the runs that pass the filter, by what ``by`` names.

    Runs of different bases are never in one group: each says which is its ``basis``. Runs of earlier forms of a step
    are left out and counted. A run with several tags stands in a group for each of them. ``confidence`` is that of the
    interval of the ratio of totals. Raises UnknownRecord for a filter's route, step, project or material that there is
    not, MalformedInput where there would be more than 2,000 groups.
    """
    columns = book.columns
    passes = asked.passing(book, as_of)
    current = current_forms(book)[columns.group]
    places = np.flatnonzero(passes & current)
    if asked.tag is not None:
        places = places[_with_tag(columns, places, asked.tag)]
    wanted = tuple(name for name in GROUPED if getattr(asked, name) is not None and name not in by)
    lines = lines_by(book, (*by, *wanted), places, charge)
    for name in GROUPED:
        word = getattr(asked, name)
        if word is not None:
            lines = _kept(lines, [each == word for each in lines.by[name].words], name)
    order, bounds, words = _groups(columns, lines, by)
    statistics = _Statistics(columns, lines.places[order], bounds, confidence)
    left_out = _left_out(book, statistics.out)
    return {
        "as_of": as_of.isoformat(),
        "by": list(by),
        "groups": [
            {"by": _told(by, word), "basis": basis, **statistics.line(number, left_out)}
            for number, (*word, basis) in enumerate(words)
        ],
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={
                **asked.told(),
                "by": list(by),
                "confidence": confidence,
                **({"charge": charge} if charge else {}),
            },
            runs=statistics.runs,
            left_out_runs=_different(statistics.out, len(columns.run)),
            earlier_forms=int((passes & ~current).sum()),
        ),
    }


def _told(by: tuple[str, ...], words: list[Any]) -> dict[str, Any]:
    """What a group is of; a step is named with its route."""
    told: dict[str, Any] = {}
    for name, word in zip(by, words, strict=True):
        told |= word if isinstance(word, Mapping) else {name: word}
    return told


def _with_tag(columns: Columns, places: npt.NDArray[np.intp], tag: str) -> npt.NDArray[np.bool_]:
    coded = columns.coded["tags"]
    holds = np.array([word is not None and tag in word.split("\n") for word in coded.words], dtype=np.bool_)
    found: npt.NDArray[np.bool_] = holds[coded.numbers[places]]
    return found


def _kept(lines: Lines, holds: list[bool], name: str) -> Lines:
    stays = np.array(holds, dtype=np.bool_)[lines.by[name].numbers]
    return Lines(lines.places[stays], {each: coded.at(stays) for each, coded in lines.by.items()})


def _groups(columns: Columns, lines: Lines, by: tuple[str, ...]) -> tuple[npt.NDArray[np.intp], Numbers, list[Any]]:
    """Return the lines in the order of their groups, the bounds of the groups in it, and the words of each group."""
    bases = sorted({group.basis for group in columns.groups})
    of_basis = np.array([bases.index(group.basis) for group in columns.groups], dtype=np.int64)
    number = of_basis[columns.group[lines.places]] if len(of_basis) else np.zeros(0, dtype=np.int64)
    named: list[tuple[Any, ...]] = [(basis,) for basis in bases]
    for name in reversed(by):
        coded = lines.by[name]
        number = coded.numbers.astype(np.int64) * max(len(named), 1) + number
        # Only numbers that occur are kept, so that their product with the next stays small.
        values, number = distinct(number, len(coded.words) * max(len(named), 1))
        most = max(len(named), 1)
        named = [(coded.words[value // most], *named[value % most]) for value in values.tolist()]
        if len(named) > MOST_GROUPS:
            detail = f"this would be {len(named)} groups or more: name fewer groupings, or narrow them by filters"
            expected = f"at most {MOST_GROUPS} groups"
            raise MalformedInput([Fault("too-many-groups", detail, ",".join(by), expected, parameter="by")])
    rank = sorted(range(len(named)), key=lambda place: [_sortable(word) for word in named[place]])
    ranks = np.empty(len(named), dtype=np.int16)
    ranks[rank] = np.arange(len(named))
    of = ranks[number] if len(named) else np.zeros(0, dtype=np.int16)
    order = np.argsort(of, kind="stable") if np.any(of[1:] < of[:-1]) else np.arange(len(of))
    counts = np.bincount(of, minlength=len(named))
    return order, np.concatenate([[0], np.cumsum(counts)]).astype(np.int64), [named[place] for place in rank]


def _sortable(word: Any) -> tuple[bool, str]:
    return (word is None, "\0".join(word.values()) if isinstance(word, Mapping) else str(word))


class _Statistics:
    """The figures of all groups; ``places`` are in the order of the groups."""

    def __init__(self, columns: Columns, places: npt.NDArray[np.intp], bounds: Numbers, confidence: float) -> None:
        of = np.repeat(np.arange(len(bounds) - 1), np.diff(bounds))
        taken = ~columns.excluded[places]
        yields, theoretical = columns.yields[places], columns.theoretical_g[places]
        counted = columns.is_word("status", FINISHED, places) & taken & np.isfinite(yields)
        failed = columns.is_word("status", FAILED, places) & taken
        out = ~taken | (columns.is_word("status", FINISHED, places) & ~np.isfinite(yields))
        totalled = counted | (failed & np.isfinite(theoretical))

        def count(which: npt.NDArray[np.bool_]) -> Numbers:
            return np.bincount(of[which], minlength=len(bounds) - 1)

        self.counts = {
            "counted": count(counted),
            "failed": count(failed),
            "abandoned": count(columns.is_word("status", ABANDONED, places) & taken),
            "open": count(columns.is_word("status", OPEN, places) & taken),
            "left_out_count": count(out),
        }
        self.runs = _different(places[counted], len(columns.run))
        self.out, self.columns, self.bounds, self.places, self.is_out = places[out], columns, bounds, places, out
        contained = np.where(counted, columns.contained_g[places], 0.0)
        self.described: Descriptions = describe_groups(yields[counted], _bounds(self.counts["counted"]))
        self.ratios: Ratios = ratios_of_totals(
            contained[totalled], theoretical[totalled], _bounds(count(totalled)), confidence
        )
        self.weightless = self.counts["failed"] - count(failed & np.isfinite(theoretical))
        used = np.bincount(of[counted], theoretical[counted], len(bounds) - 1)
        gained = np.bincount(of[counted], contained[counted], len(bounds) - 1)
        weighed = counted & np.isfinite(columns.yield_u[places])
        known = count(weighed)
        u = np.bincount(of[weighed], columns.yield_u[places][weighed], len(bounds) - 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            self.usable = np.where(used > 0.0, gained / used, np.nan)
            self.weighing_u = np.where(known > 0, u / known, np.nan)

    def line(self, group: int, why: Mapping[str, str]) -> dict[str, Any]:
        """Return the figures of one group as an answer shows them; what is unknown is null, with its reason.

        ``why`` says of runs that are left out for what reason; of those that it does not name only the number is told.
        """
        runs: dict[str, Any] = {name: int(each[group]) for name, each in self.counts.items()}
        own = slice(self.bounds[group], self.bounds[group + 1])
        out = sorted(self.columns.run[self.places[own][self.is_out[own]]].tolist()) if runs["left_out_count"] else []
        runs["left_out"] = [{"run": run, "reason": why[run]} for run in out if run in why]
        reasons = {}
        if self.weightless[group]:
            reasons["ratio_of_totals"] = f"{self.weightless[group]} failed runs have no theoretical amount"
        return statistics_line(
            runs, self.described.of(group), self.ratios.of(group),
            ratio_usable=_known(self.usable[group]), weighing_u=_known(self.weighing_u[group]), reasons=reasons,
        )  # fmt: skip


def _bounds(counts: Numbers) -> Numbers:
    return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)


def _different(places: npt.NDArray[np.intp], of: int) -> int:
    """How many different places these are: a run with several tags stands at each of its lines."""
    occurs = np.zeros(of, dtype=np.bool_)
    occurs[places] = True
    return int(np.count_nonzero(occurs))


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def _left_out(book: Book, places: npt.NDArray[np.intp]) -> dict[str, str]:
    """The first runs that the statistics leave out, by code, each with its reason."""
    runs = sorted(set(book.columns.run[places].tolist()))[:MOST_LEFT_OUT]
    reasons = runs_excluded(book.reading, runs)
    return {run: reasons.get(run) or "its theoretical amount is not known" for run in runs}
