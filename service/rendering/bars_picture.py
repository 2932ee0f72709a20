"""Pictures of bars that run across: what a gram costs by step and material, and where money is lost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

from service.rendering.svg import LETTER, Drawing, Scale, shortened, shown, ticks

MOST_BARS: Final = 12
_LEFT, _RIGHT, _ROW = 116.0, 364.0, 20.0


class Bar(NamedTuple):
    """A bar, and a part of it that is drawn on it in another pattern; None where it is not known."""

    name: str
    value: float | None
    part: float | None = None


def cost_picture(cost: Mapping[str, Any]) -> str:
    """Return the picture of a cost answer, as an SVG document.

    ``by_step`` has ``added_per_g``, ``by_material`` and ``direct`` have ``cost_per_g``, all per gram of product in
    ``currency``; a traced answer has for its steps what a gram of each step's own product cost instead.
    """
    currency = cost["currency"]
    adds = all("added_per_g" in line for line in cost["by_step"])
    steps = [Bar(line["step"], line["added_per_g" if adds else "cost_per_g"]) for line in cost["by_step"]]
    lines = [Bar(line["material"], line["cost_per_g"]) for line in cost["by_material"]]
    lines += [Bar(line["name"], line["cost_per_g"]) for line in cost.get("direct", ())]
    total = "not known" if cost["cost_per_g"] is None else f"{shown(cost['cost_per_g'])} {currency}/g"
    told = f"A gram of {cost['route']} costs {total}. " + " ".join(_list_of(each) for each in (steps, lines))
    drawing = Drawing(f"What a gram of {cost['route']} costs: {total}", told)
    drawing.heading(_interval(cost, currency))
    _panel(drawing, "by step", steps, f"{currency} per gram of " + ("product" if adds else "what the step made"))
    _panel(drawing, "by material", lines, f"{currency} per gram of product")
    return drawing.finished()


def losses_picture(losses: Mapping[str, Any]) -> str:
    """Return the picture of a losses answer, as an SVG document: a bar a step for the ``cost_per_g`` of what is lost
    ``against_limit``, on it the part ``against_best`` that the best run so far did not lose."""
    currency = losses["currency"]
    bars = [
        Bar(line["step"], *((line[of] or {}).get("cost_per_g") for of in ("against_limit", "against_best")))
        for line in losses["steps"]
    ]
    drawing = Drawing(f"Where a gram of {losses['route']} loses money", _list_of(bars))
    drawing.heading("Whole bar: against the stoichiometric limit. Dark part: against the best run so far.")
    _panel(drawing, "by step", bars, f"{currency} lost per gram of product")
    return drawing.finished()


def _panel(drawing: Drawing, name: str, bars: Sequence[Bar], label: str) -> None:
    known = sorted((bar for bar in bars if bar.value is not None), key=lambda bar: -(bar.value or 0.0))
    if name == "by step":
        known = [bar for bar in bars if bar.value is not None]
    drawn, others = known[:MOST_BARS], known[MOST_BARS:]
    if others:
        drawn.append(Bar(f"{len(others)} others", sum(bar.value or 0.0 for bar in others)))
    unknown = [Bar(bar.name, None) for bar in bars if bar.value is None][:MOST_BARS]
    drawing.text(8.0, drawing.height + 10.0, name, kind="head")
    top = drawing.height + 18.0
    rows = [*drawn, *unknown]
    bottom = top + _ROW * max(len(rows), 1)
    scale = Scale(ticks(0.0, max((bar.value or 0.0 for bar in drawn), default=1.0), 4), _LEFT, _RIGHT)
    drawing.across(scale, top, bottom, label)
    for place, bar in enumerate(rows):
        y = top + _ROW * place
        drawing.text(_LEFT - 6.0, y + 14.0, shortened(bar.name, 16), anchor="end", full=bar.name)
        if bar.value is None:
            drawing.text(_LEFT + 5.0, y + 14.0, "not known", kind="faint")
            continue
        end = scale.at(bar.value)
        told = f"{bar.name}: {shown(bar.value)}"
        drawing.box(_LEFT, y + 4.0, end - _LEFT, _ROW - 8.0, "bar" if bar.part is None else "box", told)
        if bar.part is not None:
            told = f"{bar.name}: {shown(bar.part)} of it"
            drawing.box(_LEFT, y + 4.0, scale.at(max(bar.part, 0.0)) - _LEFT, _ROW - 8.0, "bar", told)
        text = shown(bar.value)
        fits = end + 4.0 + LETTER * len(text) < 396.0
        drawing.text(end + 4.0 if fits else 396.0, y + 14.0, text, anchor="start" if fits else "end")
    drawing.height = bottom + 40.0


def _interval(cost: Mapping[str, Any], currency: str) -> str:
    parts = []
    if cost.get("low") is not None and cost.get("high") is not None:
        parts.append(f"90 % interval {shown(cost['low'])} to {shown(cost['high'])}.")
    if cost["cost_per_g"] is None and cost.get("cost_per_g_at_least") is not None:
        parts.append(f"At least {shown(cost['cost_per_g_at_least'])} {currency}/g; something is without a price.")
    if cost.get("buy_instead"):
        parts.append(f"To buy: {shown(cost['buy_instead']['cost_per_g'])} {currency}/g.")
    return " ".join(parts)


def _list_of(bars: Sequence[Bar]) -> str:
    return "; ".join(f"{bar.name}: {'not known' if bar.value is None else shown(bar.value)}" for bar in bars) + "."
