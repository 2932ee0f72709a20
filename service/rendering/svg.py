"""Pictures as SVG: a drawing with a title and a description, no script, legible at 400 px in light and in dark.

A drawing is 400 units wide and is laid out for that width, so that at 400 px a letter is as high as its size
says. Colours stand in one place, as custom properties with a light and a dark value; a series is told apart by its
shape or its place too, never by its colour alone.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

WIDTH: Final = 400
SMALL: Final = 10.5
LETTER: Final = 6.1
"""Units that a letter of size 10.5 takes on the average in the fonts that a browser has for ``sans-serif``."""

# Vermillion, blue, bluish green and orange of the set that Okabe and Ito (2008, "Color Universal Design") give as told
# apart by all common kinds of colour vision; made lighter for the dark so that each keeps 3:1 against its ground
# (WCAG 2.1, 1.4.11).
_STYLE: Final = (
    ":root{--paper:#ffffff;--ink:#1b1b1b;--faint:#5f5f5f;--rule:#d9d9d9;--first:#0072b2;--second:#b84f00;"
    "--third:#00785a;--fill:#cfe3f1}"
    "@media (prefers-color-scheme:dark){:root{--paper:#161616;--ink:#f0f0f0;--faint:#b0b0b0;--rule:#3c3c3c;"
    "--first:#56b4e9;--second:#f08a3c;--third:#3cc79f;--fill:#24475c}}"
    "text{font-family:sans-serif;font-size:10.5px;fill:var(--ink)}"
    ".faint{fill:var(--faint)}.head{font-size:12px;font-weight:bold}"
    ".rule{stroke:var(--rule);stroke-width:1}.axis{stroke:var(--faint);stroke-width:1}"
    ".line{fill:none;stroke:var(--first);stroke-width:1.5}.limit{stroke:var(--second);stroke-width:1.5;"
    "stroke-dasharray:5 3}.centre{stroke:var(--third);stroke-width:1.5}"
    ".box{fill:var(--fill);stroke:var(--first);stroke-width:1.2}.median{stroke:var(--first);stroke-width:2.5}"
    ".point{fill:var(--first);fill-opacity:.55}.odd{fill:var(--second);stroke:var(--paper);stroke-width:.8}"
    ".mark{fill:var(--third);stroke:var(--paper);stroke-width:.8}"
    ".bar{fill:var(--first)}.second{fill:var(--second)}.third{fill:var(--third)}.pale{fill:var(--fill)}"
)
_FORBIDDEN: Final = re.compile(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def escaped(text: object) -> str:
    """Return a text as it may stand in an element or an attribute; what XML cannot hold becomes the replacement mark.

    >>> escaped('<b> & "x"')
    '&lt;b&gt; &amp; &quot;x&quot;'
    """
    found = _FORBIDDEN.sub("\ufffd", str(text))
    for mark, name in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ('"', "&quot;"), ("'", "&#39;")):
        found = found.replace(mark, name)
    return found


def shortened(text: str, most: int) -> str:
    """Return a text of at most ``most`` letters, its end cut off with an ellipsis.

    >>> shortened("precipitate", 6)
    'preci…'
    """
    return text if len(text) <= most else text[: most - 1] + "…"


def shown(value: float) -> str:
    """Return a number in at most three significant digits, without an exponent between a millionth and a million.

    >>> shown(0.12345), shown(1234.5), shown(0.0), shown(2.0)
    ('0.123', '1230', '0', '2')
    """
    if value == 0.0:
        return "0"
    digits = 2 - math.floor(math.log10(abs(value)))
    if not -4 < digits < 9:
        return f"{value:.2e}"
    rounded = round(value, digits)
    text = f"{rounded:.{max(digits, 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Return round numbers from at most ``low`` to at least ``high``, about so many, in steps of 1, 2 or 5 times a
    power of ten.

    >>> ticks(0.0, 0.93)
    [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]
    """
    # A span that the digits of its ends can hardly tell from nothing is given one.
    if not high - low > max(1e-6 * max(abs(low), abs(high)), 1e-12):
        high = low + max(abs(low), 1e-9) if low else 1.0
    rough = (high - low) / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * factor for factor in (1.0, 2.0, 5.0, 10.0) if power * factor >= rough * 0.999)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    digits = max(0, 1 - math.floor(math.log10(step)))
    return [round(number * step, digits) for number in range(first, last + 1)]


@dataclass(frozen=True, slots=True)
class Scale:
    """Where a number stands between two places, with the ticks that it is marked at."""

    marks: Sequence[float]
    start: float
    end: float

    def at(self, value: float) -> float:
        """Return the place of a number; of one beyond the ends, the end."""
        low, high = self.marks[0], self.marks[-1]
        part = (min(max(value, low), high) - low) / (high - low)
        return self.start + part * (self.end - self.start)


@dataclass(slots=True)
class Drawing:
    """A drawing that is put together from above downwards; ``title`` and ``description`` are what is read aloud."""

    title: str
    description: str
    height: float = 0.0
    _parts: list[str] = field(default_factory=list)

    def text(self, x: float, y: float, text: str, *, anchor: str = "start", kind: str = "", full: str = "") -> None:
        """Write a line of text; ``full`` is what it stands for where it is shortened."""
        name = f' class="{kind}"' if kind else ""
        told = f"<title>{escaped(full)}</title>" if full and full != text else ""
        self._parts.append(f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}"{name}>{told}{escaped(text)}</text>')

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        """Draw a straight line."""
        self._parts.append(f'<line class="{kind}" x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}"/>')

    def path(self, points: Sequence[tuple[float, float]], kind: str) -> None:
        """Draw a line through points."""
        told = " ".join(f"{_n(x)},{_n(y)}" for x, y in points)
        self._parts.append(f'<polyline class="{kind}" points="{told}"/>')

    def box(self, x: float, y: float, width: float, height: float, kind: str, told: str = "") -> None:
        """Draw a rectangle; ``told`` is shown when it is pointed at."""
        title = f"<title>{escaped(told)}</title>" if told else ""
        place = f'x="{_n(x)}" y="{_n(y)}" width="{_n(max(width, 0.0))}" height="{_n(height)}"'
        self._parts.append(f'<rect class="{kind}" {place}>{title}</rect>')

    def dot(self, x: float, y: float, kind: str, told: str, radius: float = 2.6) -> None:
        """Draw a round point."""
        title = f"<title>{escaped(told)}</title>"
        self._parts.append(f'<circle class="{kind}" cx="{_n(x)}" cy="{_n(y)}" r="{_n(radius)}">{title}</circle>')

    def diamond(self, x: float, y: float, kind: str, told: str, radius: float = 5.0) -> None:
        """Draw a point that stands out by its shape."""
        corners = ((x, y - radius), (x + radius, y), (x, y + radius), (x - radius, y))
        points = " ".join(f"{_n(a)},{_n(b)}" for a, b in corners)
        self._parts.append(f'<polygon class="{kind}" points="{points}"><title>{escaped(told)}</title></polygon>')

    def heading(self, more: str = "") -> None:
        """Write the title at the top, and under it what qualifies it, a line for so many letters as fit."""
        for kind, text, most in (("head", self.title, 58), ("faint", more, 66)):
            for line in _wrapped(text, most):
                self.height += 15.0
                self.text(8.0, self.height, line, kind=kind)
        self.height += 13.0

    def across(self, scale: Scale, top: float, bottom: float, label: str) -> None:
        """Draw an axis that runs across at ``bottom``, its rules up to ``top``, its name below."""
        for mark in scale.marks:
            x = scale.at(mark)
            self.line(x, top, x, bottom, "rule")
            self.text(x, bottom + 13.0, shown(mark), anchor="middle", kind="faint")
        self.line(scale.start, bottom, scale.end, bottom, "axis")
        self.text((scale.start + scale.end) / 2.0, bottom + 27.0, label, anchor="middle")

    def upwards(self, scale: Scale, left: float, right: float) -> None:
        """Draw an axis that runs upwards at ``left``, its rules to ``right``."""
        for mark in scale.marks:
            y = scale.at(mark)
            self.line(left, y, right, y, "rule")
            self.text(left - 5.0, y + 3.5, shown(mark), anchor="end", kind="faint")
        self.line(left, scale.start, left, scale.end, "axis")

    def finished(self) -> str:
        """Return the drawing as an SVG document."""
        height = math.ceil(self.height)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH * 2}" '
            f'height="{height * 2}" role="img" aria-labelledby="title description">'
            f'<title id="title">{escaped(self.title)}</title>'
            f'<desc id="description">{escaped(self.description)}</desc>'
            f"<style>{_STYLE}</style>"
            f'<rect width="{WIDTH}" height="{height}" style="fill:var(--paper)"/>' + "".join(self._parts) + "</svg>\n"
        )


def _n(value: float) -> str:
    """A place in a drawing, to a tenth of a unit."""
    text = f"{value:.1f}"
    return text[:-2] if text.endswith(".0") else text


def _wrapped(text: str, most: int) -> list[str]:
    lines: list[str] = []
    for word in text.split():
        if lines and len(lines[-1]) + 1 + len(word) <= most:
            lines[-1] += " " + word
        else:
            lines.append(shortened(word, most))
    return lines
