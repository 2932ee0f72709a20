"""The picture of what each step gave: every run a point, the quartiles a box, the ratio of totals a diamond."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from service.rendering.svg import Drawing, Scale, shortened, shown, ticks

MOST_POINTS: Final = 400
MOST_YIELD: Final = 1.5
"""Where the axis of fractions ends at the latest: what was written far above 1 is named at its edge."""
_LEFT, _RIGHT, _ROW = 100.0, 388.0, 42.0


def yields_picture(route: str, steps: Sequence[Mapping[str, Any]]) -> str:
    """Return the picture of the steps of a route, as an SVG document.

    Each step is a line of statistics with ``points``, the yields of its counted runs in time order; of more than 400
    the newest are drawn. Steps of a mass ratio, which may exceed 1, have an axis of their own.

    >>> yields_picture("soap", []).startswith("<svg")
    True
    """
    counted = sum(len(step["points"]) for step in steps)
    drawing = Drawing(f"What each step of {route} gave", _told(route, steps))
    drawing.heading(
        f"{counted} counted runs. Box: middle half and median. Line: least and greatest. Diamond: ratio of totals, "
        "failed runs included."
    )
    panels = (
        ([step for step in steps if step["basis"] != "mass-ratio"], "yield, as a fraction of the theoretical amount"),
        ([step for step in steps if step["basis"] == "mass-ratio"], "product out for key input in, g/g"),
    )
    for several, label in panels:
        if several:
            _panel(drawing, several, label)
    return drawing.finished()


def _panel(drawing: Drawing, steps: Sequence[Mapping[str, Any]], label: str) -> None:
    greatest = max((step["max"] for step in steps if step["max"] is not None), default=1.0)
    fractions = steps[0]["basis"] != "mass-ratio"
    scale = Scale(ticks(0.0, min(max(greatest, 1.0), MOST_YIELD) if fractions else greatest), _LEFT, _RIGHT)
    top = drawing.height
    bottom = top + _ROW * len(steps)
    drawing.across(scale, top, bottom, label)
    for place, step in enumerate(steps):
        _row(drawing, step, scale, top + _ROW * place)
    drawing.height = bottom + 38.0


def _row(drawing: Drawing, step: Mapping[str, Any], scale: Scale, top: float) -> None:
    runs, middle = step["runs"], top + 14.0
    drawing.text(_LEFT - 8.0, top + 17.0, shortened(step["step"], 14), anchor="end", full=step["step"])
    failed = f", {runs['failed']} failed" if runs["failed"] else ""
    drawing.text(_LEFT - 8.0, top + 30.0, f"{runs['counted']}{failed}", anchor="end", kind="faint")
    if step["median"] is None:
        drawing.text(_LEFT + 6.0, top + 24.0, "no counted run", kind="faint")
        return
    q1, q3 = step["q1"], step["q3"]
    drawing.line(scale.at(step["min"]), middle, scale.at(step["max"]), middle, "axis")
    if q1 is not None and q3 is not None:
        told = f"{step['step']}: middle half {shown(q1)} to {shown(q3)}, median {shown(step['median'])}"
        drawing.box(scale.at(q1), middle - 7.0, scale.at(q3) - scale.at(q1), 14.0, "box", told)
    drawing.line(scale.at(step["median"]), middle - 7.0, scale.at(step["median"]), middle + 7.0, "median")
    for number, point in enumerate(step["points"][-MOST_POINTS:]):
        told = f"{point['run']}: {shown(point['yield'])}"
        if point["yield"] > scale.marks[-1]:
            drawing.diamond(_RIGHT, top + 30.0, "odd", f"{told}, beyond the axis")
            drawing.text(_RIGHT - 8.0, top + 34.0, f"{told} →", anchor="end", kind="faint")
        else:
            # Three heights in turn, so that equal yields are seen to be several.
            drawing.dot(scale.at(point["yield"]), top + 27.0 + 3.2 * (number % 3), "point", told)
    if step["ratio_of_totals"] is not None:
        told = f"{step['step']}: ratio of totals {shown(step['ratio_of_totals'])}"
        drawing.diamond(scale.at(step["ratio_of_totals"]), middle, "mark", told)


def _told(route: str, steps: Sequence[Mapping[str, Any]]) -> str:
    lines = [
        f"{step['step']}: no counted run"
        if step["median"] is None
        else f"{step['step']}: median {shown(step['median'])}, from {shown(step['min'])} to {shown(step['max'])}, "
        f"{step['runs']['counted']} runs counted, {step['runs']['failed']} failed"
        for step in steps
    ]
    return f"Yields of the steps of {route}. " + "; ".join(lines) + "."
