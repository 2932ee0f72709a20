"""How long a plan takes: hours of hands, and hours from the first step's start to the last one's end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StepTimes:
    """A planned step: its batches, the hours that each takes of hands and of the clock (None where the step states
    none), and the places of the steps that feed it."""

    code: str
    batches: int
    labour_h: float | None
    elapsed_h: float | None
    upstream: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class PlanTimes:
    """Hours of a whole plan; None where a step states none, which ``reasons`` says under the same name.

    ``longest_path``: the steps that decide how long it takes, first to last.
    """

    hands_on_h: float | None
    elapsed_h: float | None
    longest_path: tuple[str, ...]
    reasons: dict[str, str]


def plan_times(steps: Sequence[StepTimes]) -> PlanTimes:
    """Return how long the planned batches take.

    ``steps``: in topological order. The batches of a step follow one another, as in one vessel; a step begins when all
    that feeds it is done; branches go on side by side. So the elapsed time is the longest path over the steps, each as
    long as its batches together. A step without a batch takes no time, and states none in vain.

    >>> steps = [StepTimes("roast", 2, 0.5, 8.0), StepTimes("leach", 1, 1.0, 24.0),
    ...          StepTimes("mix", 3, 0.5, 1.0, upstream=(0, 1))]
    >>> found = plan_times(steps)
    >>> found.hands_on_h, found.elapsed_h, found.longest_path
    (3.5, 27.0, ('leach', 'mix'))
    """
    reasons: dict[str, str] = {}
    working = [step for step in steps if step.batches]
    for name, what, silent in (
        ("hands_on_h", "labour", [step.code for step in working if step.labour_h is None]),
        ("elapsed_h", "elapsed time", [step.code for step in working if step.elapsed_h is None]),
    ):
        if silent:
            reasons[name] = f"no {what} is stated of {'step' if len(silent) == 1 else 'steps'} {', '.join(silent)}"
    hands_on = sum((step.labour_h or 0.0) * step.batches for step in working)
    done: list[float] = []
    paths: list[tuple[str, ...]] = []
    for step in steps:
        begun = max(step.upstream, key=lambda place: done[place], default=None)
        before, path = (0.0, ()) if begun is None else (done[begun], paths[begun])
        done.append(before + (step.elapsed_h or 0.0) * step.batches)
        paths.append((*path, step.code) if step.batches else path)
    longest = max(range(len(steps)), key=lambda place: done[place], default=None)
    return PlanTimes(
        hands_on_h=None if "hands_on_h" in reasons else float(hands_on),
        elapsed_h=None if "elapsed_h" in reasons or longest is None else done[longest],
        longest_path=() if "elapsed_h" in reasons or longest is None else paths[longest],
        reasons=reasons,
    )
