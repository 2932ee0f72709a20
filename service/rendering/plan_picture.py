"""The picture of a plan: how likely each amount of product is, and where the target lies."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.rendering.svg import Drawing, Scale, shown, ticks

_LEFT, _RIGHT, _HEIGHT = 44.0, 388.0, 170.0


def plan_picture(plan: Mapping[str, Any]) -> str:
    """Return the picture of a plan, as an SVG document.

    ``plan`` has ``route``, ``target_g``, ``p_reach``, and ``distribution``: the ``edges_g`` of neighbouring ranges of
    product in g, one more than ``probability`` has parts.

    >>> plan = {"route": "soap", "target_g": 25.0, "p_reach": 0.9,
    ...         "distribution": {"edges_g": [0.0, 25.0, 50.0], "probability": [0.1, 0.9]}}
    >>> "90 of 100" in plan_picture(plan)
    True
    """
    edges, parts = plan["distribution"]["edges_g"], plan["distribution"]["probability"]
    target, reach = plan["target_g"], plan["p_reach"]
    told = f"{round(100 * reach)} of 100 campaigns like this reach {shown(target)} g."
    drawing = Drawing(f"What a campaign for {shown(target)} g of {plan['route']} gives", told)
    drawing.heading(f"{told} Pale: those that fall short.")
    top, bottom = drawing.height, drawing.height + _HEIGHT
    across = Scale(ticks(0.0, max(edges[-1], target)), _LEFT, _RIGHT)
    upwards = Scale(ticks(0.0, max([*parts, 0.01]), 4), bottom, top)
    drawing.upwards(upwards, _LEFT, _RIGHT)
    drawing.across(across, bottom, bottom, "product as isolated, dry, g; height: share of the trials")
    for low, high, part in zip(edges, edges[1:], parts, strict=False):
        x, y = across.at(low), upwards.at(part)
        kind = "bar" if low >= target * (1.0 - 1e-9) else "box"
        drawing.box(
            x, y, across.at(high) - x - 0.6, bottom - y, kind, f"{shown(low)} to {shown(high)} g: {shown(100 * part)} %"
        )
    x = across.at(target)
    drawing.line(x, top, x, bottom, "limit")
    left = x > (_LEFT + _RIGHT) / 2.0
    drawing.text(
        x - 5.0 if left else x + 5.0, top + 10.0, f"target {shown(target)} g", anchor="end" if left else "start"
    )
    drawing.height = bottom + 38.0
    return drawing.finished()
