"""The picture of a step in time: one point a run, the centre line, the limits, what lies beyond them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from service.rendering.svg import Drawing, Scale, shown, ticks

MOST_POINTS: Final = 500
_LEFT, _RIGHT, _HEIGHT = 44.0, 346.0, 190.0


def trend_picture(trend: Mapping[str, Any]) -> str:
    """Return the control chart of a step, as an SVG document.

    ``trend`` has ``step``, ``basis``, ``centre``, ``lower`` and ``upper`` (None where there are no limits),
    ``provisional`` and ``points`` in time order: ``run``, ``finished_on``, ``yield``, ``beyond``, ``rules``. Of more
    than 500 points the newest are drawn.

    >>> empty = {"step": "boil", "basis": "content", "centre": None, "lower": None, "upper": None, "provisional": True,
    ...          "points": []}
    >>> "no counted run" in trend_picture(empty)
    True
    """
    points = trend["points"][-MOST_POINTS:]
    drawing = Drawing(f"{trend['step']}, run by run", _told(trend))
    drawing.heading(_subtitle(trend, len(points)))
    if not points:
        drawing.height += 14.0
        return drawing.finished()
    values = [point["yield"] for point in points]
    ends = [each for each in (trend["lower"], trend["upper"]) if each is not None]
    low, high = min([*values, *ends]), max([*values, *ends])
    margin = 0.06 * (high - low) or 0.05
    top, bottom = drawing.height + 4.0, drawing.height + _HEIGHT
    scale = Scale(ticks(max(low - margin, 0.0), high + margin), bottom, top)
    drawing.upwards(scale, _LEFT, _RIGHT)
    for key, kind in (("upper", "limit"), ("centre", "centre"), ("lower", "limit")):
        if trend[key] is not None:
            y = scale.at(trend[key])
            drawing.line(_LEFT, y, _RIGHT, y, kind)
            drawing.text(_RIGHT + 4.0, y + 3.5, shown(trend[key]))
    step = (_RIGHT - _LEFT) / len(points)
    places = [(_LEFT + step * (number + 0.5), scale.at(value)) for number, value in enumerate(values)]
    drawing.path(places, "line")
    for (x, y), point in zip(places, points, strict=True):
        told = f"{point['run']}, {point['finished_on'] or 'no day'}: {shown(point['yield'])}"
        if point["beyond"] or point["rules"]:
            drawing.diamond(x, y, "odd", told + (", beyond the limits" if point["beyond"] else ", by a run rule"))
        else:
            drawing.dot(x, y, "bar", told)
    label = "product out for key input in, g/g" if trend["basis"] == "mass-ratio" else "yield, as a fraction"
    for place, anchor in ((0, "start"), (-1, "end")):
        day = points[place]["finished_on"] or "no day"
        drawing.text(_LEFT if place == 0 else _RIGHT, bottom + 14.0, day, anchor=anchor, kind="faint")
    drawing.text((_LEFT + _RIGHT) / 2.0, bottom + 28.0, f"runs in time order; {label}", anchor="middle")
    drawing.height = bottom + 38.0
    return drawing.finished()


def _subtitle(trend: Mapping[str, Any], drawn: int) -> str:
    if not drawn:
        return "no counted run"
    of = "" if drawn == len(trend["points"]) else f"The newest {drawn} of {len(trend['points'])} runs. "
    if trend["lower"] is None and trend["upper"] is None:
        return of + "No limits: too few runs."
    provisional = " (provisional: fewer than 8 runs)" if trend["provisional"] else ""
    return f"{of}Solid: centre. Dashed: limits{provisional}. Diamonds: beyond a limit, or by a run rule."


def _told(trend: Mapping[str, Any]) -> str:
    odd = [point["run"] for point in trend["points"] if point["beyond"] or point["rules"]]
    if not trend["points"]:
        return f"No counted run of {trend['step']}."
    limits = (
        f"centre {shown(trend['centre'])}, limits {shown(trend['lower'])} to {shown(trend['upper'])}"
        if trend["lower"] is not None and trend["upper"] is not None
        else "no limits"
    )
    found = f"standing out: {', '.join(odd[:20])}" if odd else "none stands out"
    return f"{len(trend['points'])} runs of {trend['step']} in time order: {limits}; {found}."
