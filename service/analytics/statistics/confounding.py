"""Groupings that cannot be told apart: where one operator did all runs of a month, neither can be blamed alone."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.int64]

TOO_CLOSE: Final = 0.7
"""From this association on, an effect of one grouping shows as an effect of the other (judgement)."""

UNKNOWN: Final = -1


@dataclass(frozen=True, slots=True)
class Confounded:
    """Two groupings of the same runs. ``association`` is Cramér's V, from 0 to 1, corrected for chance.

    ``apart`` is how many of the differences between groups of the grouping with fewer groups are left once the other
    grouping is allowed for, as a fraction: 0 where every group of the one lies wholly within groups of the other.
    """

    first: str
    second: str
    association: float
    apart: float
    runs: int


def confounded(groupings: Mapping[str, Numbers], least: float = TOO_CLOSE) -> list[Confounded]:
    """Return the pairs of groupings that are associated by ``least`` or more, the closest first.

    ``groupings``: by name, the group of every run as whole numbers from 0, shape (n,), −1 where a run has none; a pair
    is judged over the runs that have both. V is corrected for what chance alone would give (Bergsma, Journal of the
    Korean Statistical Society 2013, 42, 323): groups of one run each are associated with nothing. The differences left
    are counted by the rank of the joint design, groups less the connected parts of the table of the two.

    >>> operator = np.repeat([0, 1], 12)
    >>> month, lot = np.repeat([0, 1, 2, 3], 6), np.tile([0, 1], 12)
    >>> [(pair.first, pair.second, round(pair.association, 2), pair.apart)
    ...  for pair in confounded({"operator": operator, "month": month, "lot": lot})]
    [('operator', 'month', 0.95, 0.0)]
    """
    found = []
    for (first, one), (second, other) in combinations(groupings.items(), 2):
        both = (one != UNKNOWN) & (other != UNKNOWN)
        rows, of_row = _renumbered(one[both])
        columns, of_column = _renumbered(other[both])
        if rows < 2 or columns < 2:
            continue
        association = _cramers_v(of_row, of_column, rows, columns)
        if association >= least:
            parts = _connected_parts(of_row, of_column, rows, columns)
            fewer = min(rows, columns)
            found.append(Confounded(first, second, association, (fewer - parts) / (fewer - 1), int(both.sum())))
    return sorted(found, key=lambda pair: (-pair.association, pair.first, pair.second))


def _renumbered(numbers: Numbers) -> tuple[int, Numbers]:
    levels, places = np.unique(numbers, return_inverse=True)
    return len(levels), places.astype(np.int64)


def _cramers_v(of_row: Numbers, of_column: Numbers, rows: int, columns: int) -> float:
    runs = len(of_row)
    cells, counts = np.unique(of_row * columns + of_column, return_counts=True)
    row_runs = np.bincount(of_row, minlength=rows).astype(np.float64)
    column_runs = np.bincount(of_column, minlength=columns).astype(np.float64)
    # φ² = Σ n²/(row·column) − 1, over the cells that have runs: the table itself may be large and empty.
    phi2 = float((counts**2 / (row_runs[cells // columns] * column_runs[cells % columns])).sum()) - 1
    phi2 = max(0.0, phi2 - (rows - 1) * (columns - 1) / (runs - 1))
    least = min(rows - (rows - 1) ** 2 / (runs - 1), columns - (columns - 1) ** 2 / (runs - 1)) - 1
    return min(1.0, math.sqrt(phi2 / least)) if least > 1e-9 else 0.0


def _connected_parts(of_row: Numbers, of_column: Numbers, rows: int, columns: int) -> int:
    """Return into how many parts the table falls that share neither a row nor a column."""
    head = list(range(rows + columns))

    def top(node: int) -> int:
        while head[node] != node:
            head[node] = head[head[node]]
            node = head[node]
        return node

    cells: Any = np.unique(of_row * columns + of_column)
    for cell in cells.tolist():
        head[top(cell // columns)] = top(rows + cell % columns)
    return sum(head[node] == node for node in range(rows + columns))
