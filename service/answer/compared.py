"""Two periods of a route beside each other: what its cost was in each, and what the change between them comes of."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from service.analytics.money.log_mean import Split
from service.analytics.money.periods import compare_periods, factor_values
from service.answer.cost import Costing
from service.errors import NotComputable

KINDS: Final[Mapping[str, str]] = {
    "yield": "yield",
    "limit": "strength",
    "dry": "dryness",
    "price": "price",
    "use": "use",
    "feed": "use",
    "line": "direct",
}
"""What a factor is called in the answer. The strength of a step is what its key input can give, by its assay or
content and by that of the product; direct is a cost without a price of a unit, such as consumables."""
NOT_SHARED: Final = "not-shared"


@dataclass(frozen=True, slots=True)
class Period:
    """Days from ``since`` to ``until``, both included; from the first run on where ``since`` is None."""

    since: dt.date | None
    until: dt.date

    def as_dict(self) -> dict[str, str | None]:
        """Return the two days as an answer shows them."""
        return {"from": None if self.since is None else self.since.isoformat(), "to": self.until.isoformat()}


def compared(
    earlier: Period, before: Costing, later: Period, after: Costing
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Return the two periods and their change, and the parts of the change by step; the parts sum to it.

    Where a cost is not known on one side there are no parts, and the reason is said.
    """
    sides = {"before": _side(earlier, before), "after": _side(later, after)}
    try:
        split = compare_periods(before.steps, after.steps, dry_fractions=(_dry(before), _dry(after)))
    except NotComputable as error:
        names = ("change_per_g", "by_kind")
        return {**sides, "change_per_g": None, "by_kind": None, "reasons": dict.fromkeys(names, _why(sides, error))}, []
    values = factor_values(before.steps), factor_values(after.steps)
    parts = [*_shared(split, before, after, values), *_not_shared(split)]
    order = {step.code: place for place, step in enumerate(after.steps)}
    parts.sort(key=lambda part: (order[part["step"]], -abs(part["cost_per_g"])))
    by_kind: dict[str, float] = {}
    for part in parts:
        by_kind[part["kind"]] = by_kind.get(part["kind"], 0.0) + part["cost_per_g"]
    return {**sides, "change_per_g": split.change, "by_kind": by_kind, "reasons": {}}, parts


def _side(period: Period, costing: Costing) -> dict[str, Any]:
    cost, reasons = costing.found.cost_per_g, costing.found.reasons
    return {
        **period.as_dict(),
        "cost_per_g": None if cost is None else cost / _dry(costing),
        "runs": sum(len(step.runs.codes) + step.runs.failed for step in costing.model.steps),
        "reasons": {key: why for key, why in reasons.items() if key == "cost_per_g"},
    }


def _why(sides: Mapping[str, Any], error: NotComputable) -> str:
    side = next((name for name, side in sides.items() if side["cost_per_g"] is None), None)
    return str(error) if side is None else f"{side}: {sides[side]['reasons'].get('cost_per_g', str(error))}"


def _dry(costing: Costing) -> float:
    return costing.model.last.runs.dry_fraction


def _shared(
    split: Split, before: Costing, after: Costing, values: tuple[Mapping[str, float], Mapping[str, float]]
) -> Iterator[dict[str, Any]]:
    for name, part in split.by_factor.items():
        kind, _, place = name.partition(" ")
        step, _, of = place.partition("/")
        if kind == "dry":
            was, is_now = _dry(before), _dry(after)
        else:
            was, is_now = (each[name] for each in values)
        if kind == "feed":
            of = next(model.step.product for model in after.model.steps if model.step.code == of)
        yield {
            "step": step,
            "kind": KINDS[kind],
            "of": of or None,
            "before": was,
            "after": is_now,
            "cost_per_g": part,
            "reasons": {},
        }


def _not_shared(split: Split) -> Iterator[dict[str, Any]]:
    """What only one period has, with its whole cost."""
    for term, part in split.not_split.items():
        of, _, way = term.partition(": ")
        step = way.partition(" > ")[0]
        yield {
            "step": step,
            "kind": NOT_SHARED,
            "of": of,
            "before": None,
            "after": None,
            "cost_per_g": part,
            "reasons": dict.fromkeys(("before", "after"), split.reasons[term]),
        }
