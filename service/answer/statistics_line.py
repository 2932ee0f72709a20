"""The statistics of some runs of a step as every answer lays them out; what is unknown is null, with its reason."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from service.analytics.statistics.describe import Description
from service.analytics.statistics.ratio import Ratio

_KEYS: Final = {
    "minimum": "min", "maximum": "max", "ratio": "ratio_of_totals", "low": "ratio_low", "high": "ratio_high",
}  # fmt: skip
"""How an answer calls what the statistics call otherwise."""
_NO_RUNS: Final = "no runs"


def statistics_line(
    runs: Mapping[str, Any],
    described: Description,
    ratio: Ratio,
    *,
    ratio_usable: float | None,
    weighing_u: float | None,
    reasons: Mapping[str, str],
) -> dict[str, Any]:
    """Return the figures of some runs by the keys of an answer, all fractions.

    ``runs`` counts them, ``counted`` and ``failed`` among its keys; ``ratio_usable`` is the ratio of totals without
    failures, ``weighing_u`` the mean standard uncertainty of the yields from the weighings. ``reasons`` are those that
    only the caller knows, by the keys of the answer; they go before what the statistics say.
    """
    counted, tried = runs["counted"], runs["counted"] + runs["failed"]
    why = {_KEYS.get(name, name): said for name, said in described.reasons.items()}
    why |= {_KEYS[name]: said for name, said in ratio.reasons.items() if name in _KEYS}
    if ratio_usable is None:
        why["ratio_usable"] = "not known for any run" if counted else _NO_RUNS
    if weighing_u is None:
        why["weighing_u"] = "not known for any run" if counted else _NO_RUNS
    if not tried:
        why["failure_rate"] = _NO_RUNS
    return {
        "runs": dict(runs),
        "mean": described.mean,
        "sd": described.sd,
        "median": described.median,
        "q1": described.q1,
        "q3": described.q3,
        "min": described.minimum,
        "max": described.maximum,
        "ratio_of_totals": ratio.ratio,
        "ratio_low": ratio.low,
        "ratio_high": ratio.high,
        "ratio_usable": ratio_usable,
        "failure_rate": runs["failed"] / tried if tried else None,
        "weighing_u": weighing_u,
        "reasons": {**why, **reasons},
    }
