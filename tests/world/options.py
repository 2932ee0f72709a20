"""What a generated book is asked to be."""

from __future__ import annotations

from dataclasses import dataclass

FACTORS = {"x1000": 1000.0, "/1000": 0.001, "x10": 10.0, "/10": 0.1, "ounces": 1 / 28.349523125, "millilitres": 1 / 1.3}
"""Slips that multiply what is written: milligrams taken for grams, a decimal point, another unit."""
SLIPS = (*FACTORS, "tare left in", "assay twice")


@dataclass(frozen=True)
class Options:
    """The size of a book and what is planted in it.

    Effects are standard deviations on the scale that yields are drawn on (logit, or ln for a mass ratio): of the
    operator, the main lot of key input, and the supplier of that lot; ``batch_slope`` is the change a unit of ln(batch
    size), ``season`` the amplitude over the year. ``slips`` is the share of finished runs with one of ``slip_kinds``
    planted, ``short`` the share with too little of a reagent, so that it limits, ``pooled`` the share before which the
    oldest lots of key input are pooled.
    """

    routes: int = 4
    steps_per_route: int = 4
    runs_per_step: int = 12
    operators: int = 4
    suppliers: int = 3
    operator_effect: float = 0.0
    lot_effect: float = 0.0
    supplier_effect: float = 0.0
    batch_slope: float = 0.0
    season: float = 0.0
    slips: float = 0.0
    slip_kinds: tuple[str, ...] = SLIPS
    short: float = 0.03
    pooled: float = 0.1
    abandoned: float = 0.02
    excluded: float = 0.02
    open_runs: bool = True
    shuffled: bool = False
    failures: bool = True
