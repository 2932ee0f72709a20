"""Which runs an answer over many steps speaks of: those that pass its filters, of steps as they stand."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from service.answer.book import Book
from service.answer.run_columns import Flags, Places
from service.errors import UnknownRecord
from service.store.columns import NO_DAY

GROUPED: Final = ("lot", "supplier", "month", "quarter", "batch_band")
"""What a grouping finds out of a run, and a filter asks for by its word."""


@dataclass(frozen=True, slots=True)
class RunFilter:
    """What is asked of a run; None asks nothing. ``first`` and ``last`` are days, both included.

    ``lot`` is that of the key input, or of the material that a grouping names; so is ``supplier``. ``month``,
    ``quarter`` and ``batch_band`` are words of those groupings, such as 2026-03, 2026-Q1 and 20-50 g.
    """

    route: str | None = None
    step: str | None = None
    project: str | None = None
    operator: str | None = None
    tag: str | None = None
    lot: str | None = None
    supplier: str | None = None
    month: str | None = None
    quarter: str | None = None
    batch_band: str | None = None
    first: dt.date | None = None
    last: dt.date | None = None

    def told(self) -> dict[str, Any]:
        """Return the filter as an answer repeats it."""
        names = ("route", "step", "project", "operator", "tag", *GROUPED)
        asked = {name: getattr(self, name) for name in names}
        days = {"from": self.first, "to": self.last}
        return {k: v for k, v in asked.items() if v} | {k: day.isoformat() for k, day in days.items() if day}

    def passing(self, book: Book, as_of: dt.date, places: Places | None = None) -> Flags:
        """Say of each run, or of each at ``places``, whether its step, project, operator and day pass, up to ``as_of``.

        A run without a date passes where no day is asked for. Raises UnknownRecord for a route, step, project, lot or
        supplier that there is not.
        """
        book.require("lots", [self.lot])
        book.require("suppliers", [self.supplier])
        columns = book.columns
        group, day = (columns.group, columns.day) if places is None else (columns.group[places], columns.day[places])
        passes = self._of_steps(book)[group]
        passes &= day <= min(as_of, self.last or as_of).toordinal()
        if self.first is not None:
            passes &= day >= self.first.toordinal()
        if self.last is not None:
            passes &= day != NO_DAY
        if self.project is not None:
            book.stored("projects", self.project)
            passes &= columns.is_word("project", self.project, places)
        if self.operator is not None:
            passes &= columns.is_word("operator", self.operator, places)
        return passes

    def _of_steps(self, book: Book) -> Flags:
        """Say of each group of the columns whether its route and step pass."""
        if self.route is not None:
            route = book.route(self.route)
            if self.step is not None:
                book.step(route, self.step)
        elif self.step is not None and not any(group.step == self.step for group in book.columns.groups):
            raise UnknownRecord(f"no route has a step {self.step!r} with runs")
        return np.array(
            [self.route in (None, group.route) and self.step in (None, group.step) for group in book.columns.groups],
            dtype=np.bool_,
        )


def current_forms(book: Book) -> npt.NDArray[np.bool_]:
    """Say of each group of the columns whether its step still stands in that form: only such runs are counted."""
    routes = book.records("routes")
    found = []
    for group in book.columns.groups:
        route = routes.get(group.route)
        step = None if route is None else route.step(group.step)
        found.append(step is not None and step.pooled_as() == group.pooled_as)
    return np.array(found, dtype=np.bool_)
