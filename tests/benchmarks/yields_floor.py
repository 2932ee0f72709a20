"""The floor of an answer about yields: the same columns by the bare driver, the same statistics by numpy."""

from __future__ import annotations

from typing import Any

import numpy as np

QUERY = """
SELECT run, route, step, pooled_as, basis, status, operator, project, key_lot, started_on, finished_on, excluded,
  batch_g, key_contained_g, theoretical_g, net_g, dry_g, contained_g, yield_fraction, yield_u
FROM outcomes WHERE workshop = {} ORDER BY run
"""


def connected(url: str) -> Any:
    """A connection of the bare driver."""
    if url.startswith("sqlite"):
        import sqlite3

        return sqlite3.connect(url.removeprefix("sqlite:///"))
    import psycopg

    return psycopg.connect(url.replace("postgresql+psycopg://", "postgresql://", 1))


def statistics(connection: Any, workshop_id: int) -> dict[str, tuple[float, ...]]:
    """Return the statistics of each step: moments, quartiles, ratios of totals, what its forecast rests on."""
    columns = list(zip(*connection.execute(QUERY.format(workshop_id)).fetchall(), strict=True))
    connection.rollback()
    step, status, excluded = np.array(columns[2]), np.array(columns[5]), np.array(columns[11], dtype=np.bool_)
    _, _, theoretical, _, _, contained, yields, weighing_u = (np.array(each, np.float64) for each in columns[12:])
    found = {}
    for code in np.unique(step):
        own = (step == code) & ~excluded
        counted, failed = own & (status == "finished"), own & (status == "failed")
        values = yields[counted]
        tops = np.concatenate([contained[counted], np.zeros(failed.sum())])
        bottoms = np.concatenate([theoretical[counted], theoretical[failed]])
        ratio, n = tops.sum() / bottoms.sum(), len(tops)
        clipped = np.clip(values, 0.0005, 0.98)
        points = np.log(clipped / (1 - clipped))
        found[str(code)] = (
            values.mean(),
            values.std(ddof=1),
            *np.percentile(values, [0, 25, 50, 75, 100]),
            ratio,
            np.sqrt(((tops - ratio * bottoms) ** 2).sum() / (n * (n - 1))) / bottoms.mean(),
            contained[counted].sum() / theoretical[counted].sum(),
            failed.sum() / n,
            np.nanmean(weighing_u[counted]),
            points.mean(),
            points.var(),
        )
    return found
