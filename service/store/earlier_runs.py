"""The usable runs of a step before one of them: what its yield is compared with."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from sqlalchemy import Select, bindparam, select, text, tuple_

from service.store.prepared import fetched
from service.store.session import Reading
from service.store.tables import outcomes
from service.store.tables.runs import USABLE


def earlier_yields(reading: Reading, row: Mapping[str, Any], most: int) -> list[tuple[float, float | None]]:
    """Return yield and batch size in g of at most ``most`` usable runs before the one of ``row``, oldest first.

    ``row`` is an outcome as it is kept. Usable runs are finished, not excluded, of a yield above 0, of the same step in
    the same pooling. Before means finished on an earlier day, or on the same with an earlier code; a run without a day
    is compared with those that have none either and an earlier code. One question, answered by one index.
    """
    day = row["finished_on"]
    values = {name: row[name] for name in ("route", "step", "pooled_as", "run")} | {"workshop": reading.workshop_id}
    if day is not None:
        values["day"] = day
    rows = fetched(reading.connection, _before(dated=day is not None), {**values, "most": most})
    return [(found, batch_g) for found, batch_g in reversed(rows)]


@cache
def _before(*, dated: bool) -> Select[Any]:
    """The newest usable runs before the one named; built once."""
    o = outcomes.c
    statement = select(o.yield_fraction, o.batch_g).where(
        o.workshop == bindparam("workshop"),
        o.route == bindparam("route"),
        o.step == bindparam("step"),
        o.pooled_as == bindparam("pooled_as"),
        # As the index says it: no parameter, or a planner would not know that it holds them all.
        text(USABLE),
    )
    if dated:
        before = tuple_(o.finished_on, o.run) < tuple_(bindparam("day"), bindparam("run"))
        statement = statement.where(before).order_by(o.finished_on.desc(), o.run.desc())
    else:
        statement = statement.where(o.finished_on.is_(None), o.run < bindparam("run"))
        statement = statement.order_by(o.finished_on.desc(), o.run.desc())
    return statement.limit(bindparam("most"))
