"""Drawings: valid, without a script, and what they show stands where it should."""

from __future__ import annotations

import itertools
import math
import re
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.rendering import svg
from service.rendering.svg import Drawing, Scale, escaped, shown, ticks

FINITE = st.floats(-1e6, 1e6)


@given(st.text())
def test_any_text_stays_a_text(text: str) -> None:
    drawing = Drawing(text, text)
    drawing.heading(text)
    drawing.text(1.0, 2.0, text, full=text + "x")
    drawing.dot(1.0, 2.0, "point", text)
    root = ET.fromstring(drawing.finished())
    assert {child.tag.rpartition("}")[2] for child in root.iter()} <= {
        "svg", "title", "desc", "style", "rect", "text", "circle",
    }  # fmt: skip


def test_a_script_stays_a_text() -> None:
    assert "<script" not in escaped("</text><script>alert(1)</script>")


@given(FINITE, st.floats(0.0, 1e6), st.integers(2, 10))
def test_ticks_enclose_and_are_even(low: float, span: float, about: int) -> None:
    high = low + span
    found = ticks(low, high, about)
    steps = [later - earlier for earlier, later in itertools.pairwise(found)]
    assert min(steps) > 0.0
    assert max(steps) == pytest.approx(min(steps), rel=1e-3)
    assert found[0] <= low + 1e-6 * steps[0]
    assert found[-1] >= high - 1e-6 * steps[0]
    assert len(found) <= 2 * about + 3
    leading = steps[0] / 10.0 ** math.floor(math.log10(steps[0]) + 1e-4)
    assert min(abs(leading - each) for each in (1.0, 2.0, 5.0)) < 1e-2


@given(st.floats(1e-5, 9.9e5))
def test_a_shown_number_is_within_half_a_unit_of_its_third_digit(value: float) -> None:
    assert float(shown(value)) == pytest.approx(value, rel=0.0051)
    assert len(re.sub(r"[^0-9]", "", shown(value)).lstrip("0").rstrip("0")) <= 3


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_a_scale_keeps_order_and_never_leaves_its_ends(one: float, other: float) -> None:
    scale = Scale(ticks(0.2, 0.8), 10.0, 90.0)
    assert 10.0 <= scale.at(one) <= 90.0
    assert (one <= other) or scale.at(one) >= scale.at(other)


def _luminance(colour: str) -> float:
    parts = [int(colour[place : place + 2], 16) / 255.0 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_in_light_and_in_dark() -> None:
    """WCAG 2.1: text 4.5:1 (1.4.3), what carries meaning in a picture 3:1 (1.4.11), both against the ground."""
    themes = re.findall(r":root\{(.*?)\}", svg._STYLE)
    assert len(themes) == 2
    for theme in themes:
        colours = dict(re.findall(r"--(\w+):(#[0-9a-f]{6})", theme))
        assert all(_contrast(colours[name], colours["paper"]) >= 4.5 for name in ("ink", "faint"))
        assert all(_contrast(colours[name], colours["paper"]) >= 3.0 for name in ("first", "second", "third"))
        assert _contrast(colours["first"], colours["fill"]) >= 2.0


def test_letters_are_legible_at_400_px() -> None:
    root = ET.fromstring(Drawing("a", "b", height=10.0).finished())
    assert root.get("viewBox", "").startswith("0 0 400 ")
    assert min(float(size) for size in re.findall(r"font-size:([\d.]+)px", svg._STYLE)) >= 10.0
