"""How often slips of writing are found, and how often somebody is asked for nothing.

``python -m tests.benchmarks.slips [WORKSHOPS]`` prints for each case, over so many imagined steps (1,000 by default),
the percentage of runs that are asked about once a slip is in them, the percentage where the right slip is named, and
false alarms among ten times as many runs without one. Runs before hold no slip but in the last cases, where one in
twenty does.

A step's level is normal on the logit scale, mean 0.4 and standard deviation 0.8; its runs scatter about it normally.
Millilitres, hydrates and an assay taken twice change a yield by less than runs differ: a yield alone does not show
them, and they are named only where something else makes a run stand out. Below the table stand the figures that the
method was chosen by: a thousandfold found in 100 % from 3 runs on, tenfold in 59 %, a tenth in 56 %, false alarms in at
most 0.01 %.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from service.analytics.statistics.slips import ANY_RUN, GRAMS_PER_OUNCE, TARE_FACTORS, slip_of

WORKSHOPS = 1000
PLANTED: Mapping[str, tuple[str, float]] = {
    "×1000": ("times-1000", 1000.0),
    "÷1000": ("over-1000", 1 / 1000.0),
    "×10": ("times-10", 10.0),
    "÷10": ("over-10", 1 / 10.0),
    "ounces": ("ounces", 1 / GRAMS_PER_OUNCE),
    "tare ×5": ("tare-left-in", 5.0),
    "mL, ÷1.3": ("millilitres", 1 / 1.3),
    "hydrate ×1.56": ("hydrate", 1.56),
    "assay ×0.9": ("assay-twice", 0.9),
}
CHOSEN_BY = {"×1000": 100.0, "×10": 59.0, "÷10": 56.0, "none": 0.01}
CASES = [(spread, runs, 0.0) for spread in (0.3, 0.6, 1.0) for runs in (1, 3, 5, 10, 30)] + [
    (0.6, 10, 0.05),
    (0.6, 30, 0.05),
]
FACTORS = {
    **ANY_RUN,
    "tare-left-in": TARE_FACTORS,
    "millilitres": (1 / 1.3, 1.3),
    "hydrate": (1.56, 1 / 1.56),
    "assay-twice": (0.9, 1 / 0.9),
}


def found(spread: float, runs: int, dirty: float, workshops: int) -> dict[str, tuple[float, float]]:
    """Return, for each slip and for none, the fraction of runs asked about and of those where it is rightly named."""
    source = np.random.default_rng([runs, round(1000 * spread), round(1000 * dirty)])
    asked: dict[str, list[tuple[bool, bool]]] = {name: [] for name in (*PLANTED, "none")}
    for _ in range(workshops):
        level = source.normal(0.4, 0.8)
        yields = expit(level + spread * source.normal(size=runs + 1))
        slipped = source.random(runs) < dirty
        yields[:runs][slipped] *= source.choice([1000.0, 0.1, 10.0], slipped.sum())
        for name, (kind, factor) in PLANTED.items():
            asked[name].append(_asked(yields, factor, kind))
        # False alarms are rare: ten runs without a slip for each with one.
        for ordinary in expit(level + spread * source.normal(size=10)):
            asked["none"].append(_asked(np.append(yields[:-1], ordinary), 1.0, ""))
    return {name: tuple(np.mean(each, axis=0).tolist()) for name, each in asked.items()}  # type: ignore[misc]


def _asked(yields: NDArray[np.float64], factor: float, kind: str) -> tuple[bool, bool]:
    odds = slip_of(yields[:-1], float(yields[-1]) * factor, FACTORS)
    asks = bool(odds.asks()[0])
    return asks, asks and odds.likeliest(0) == kind


def lines(workshops: int) -> Iterator[str]:
    """The table in Markdown, a line at a time."""
    yield "| spread | runs before | slips among them | " + " | ".join((*PLANTED, "none")) + " |"
    yield "|--:|--:|--:|" + "--:|" * (len(PLANTED) + 1)
    for spread, runs, dirty in CASES:
        asked = found(spread, runs, dirty, workshops)
        told = [f"{100 * each:.0f} ({100 * named:.0f})" for each, named in list(asked.values())[:-1]]
        yield f"| {spread} | {runs} | {100 * dirty:.0f} % | {' | '.join(told)} | {100 * asked['none'][0]:.2f} |"
    chosen = [f"{CHOSEN_BY[name]:g}" if name in CHOSEN_BY else "" for name in (*PLANTED, "none")]
    yield f"| chosen by | from 3 | 0 % | {' | '.join(chosen)} |"


if __name__ == "__main__":
    print("asked about in percent (rightly named)\n")
    for line in lines(int(sys.argv[1]) if len(sys.argv) > 1 else WORKSHOPS):
        print(line, flush=True)
