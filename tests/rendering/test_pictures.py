"""Pictures of answers: read aloud in words, every value drawn where it belongs, unknown said and not drawn as zero."""

from __future__ import annotations

import itertools
import random
import re
import xml.etree.ElementTree as ET
from typing import Any

import pytest

from service.rendering.bars_picture import cost_picture, losses_picture
from service.rendering.plan_picture import plan_picture
from service.rendering.trend_picture import trend_picture
from service.rendering.yields_picture import yields_picture

NAME = "{http://www.w3.org/2000/svg}"


def _read(picture: str) -> ET.Element:
    assert "<script" not in picture
    assert "nan" not in picture.lower().replace("nano", "")
    root = ET.fromstring(picture)
    assert root.get("role") == "img"
    assert root.find(f"{NAME}title") is not None
    assert (root.findtext(f"{NAME}desc") or "").endswith(".")
    width, height = (float(part) for part in root.get("viewBox", "").split()[2:])
    for rect in root.iter(f"{NAME}rect"):
        x, y = float(rect.get("x", 0)), float(rect.get("y", 0))
        assert x >= 0.0
        assert x + float(rect.get("width", 0)) <= width
        assert y + float(rect.get("height", 0)) <= height
    return root


def _texts(root: ET.Element) -> str:
    return "\n".join("".join(text.itertext()) for text in root.iter(f"{NAME}text"))


def _step(code: str, values: list[float], basis: str = "stoichiometric", failed: int = 0) -> dict[str, Any]:
    ordered = sorted(values)
    some = bool(values)
    return {
        "step": code,
        "basis": basis,
        "runs": {"counted": len(values), "failed": failed},
        "median": ordered[len(values) // 2] if some else None,
        "q1": ordered[len(values) // 4] if some else None,
        "q3": ordered[3 * len(values) // 4] if some else None,
        "min": ordered[0] if some else None,
        "max": ordered[-1] if some else None,
        "ratio_of_totals": sum(values) / len(values) if some else None,
        "points": [{"run": f"R-{number}", "yield": value} for number, value in enumerate(values)],
    }


def test_yields_draw_every_run_at_its_yield() -> None:
    values = [0.2, 0.4, 0.6, 0.8, 1.0]
    root = _read(yields_picture("soap", [_step("boil", values, failed=2), _step("cool", [])]))
    dots = list(root.iter(f"{NAME}circle"))
    assert len(dots) == 5
    places = [float(dot.get("cx", 0)) for dot in dots]
    steps = [later - earlier for earlier, later in itertools.pairwise(places)]
    assert steps == pytest.approx([steps[0]] * 4, abs=0.11)
    assert "5, 2 failed" in _texts(root)
    assert "no counted run" in _texts(root)


def test_a_mass_ratio_has_an_axis_of_its_own() -> None:
    root = _read(yields_picture("lake", [_step("boil", [0.5]), _step("lake", [2.4, 2.6], "mass-ratio")]))
    assert "g/g" in _texts(root)
    assert "fraction" in _texts(root)


def test_a_yield_far_above_one_is_named_at_the_edge() -> None:
    root = _read(yields_picture("lake", [_step("boil", [0.5, 0.6, 548.0])]))
    assert "R-2: 548" in _texts(root)
    assert len(list(root.iter(f"{NAME}circle"))) == 2
    assert float(next(iter(root.iter(f"{NAME}circle"))).get("cx", 0)) > 150.0


def test_of_many_runs_the_newest_are_drawn() -> None:
    made = random.Random(3)
    root = _read(yields_picture("soap", [_step("boil", [made.random() for _ in range(1000)])]))
    assert len(list(root.iter(f"{NAME}circle"))) == 400
    assert "1000 counted runs" in _texts(root)


def _trend(values: list[float], limits: tuple[float, float] | None) -> dict[str, Any]:
    points = [
        {
            "run": f"R-{number}",
            "finished_on": f"2026-01-{number + 1:02}",
            "yield": value,
            "beyond": limits is not None and not limits[0] <= value <= limits[1],
            "rules": [],
        }
        for number, value in enumerate(values)
    ]
    low, high = limits or (None, None)
    centre = sum(values) / len(values) if limits else None
    return {
        "step": "boil", "basis": "content", "centre": centre, "lower": low, "upper": high, "provisional": True,
        "points": points,
    }  # fmt: skip


def test_a_trend_tells_what_stands_out_by_its_shape_and_in_words() -> None:
    root = _read(trend_picture(_trend([0.8, 0.82, 0.3, 0.79], (0.7, 0.9))))
    assert len(list(root.iter(f"{NAME}polygon"))) == 1
    assert len(list(root.iter(f"{NAME}circle"))) == 3
    assert "standing out: R-2" in (root.findtext(f"{NAME}desc") or "")
    assert "provisional" in _texts(root)


def test_a_trend_without_limits_says_so() -> None:
    assert "No limits: too few runs" in _texts(_read(trend_picture(_trend([0.8], None)))).replace("\n", " ")


def test_a_cost_that_is_not_known_is_no_bar() -> None:
    answer = {
        "route": "soap", "currency": "EUR", "cost_per_g": None, "cost_per_g_at_least": 0.1, "low": None, "high": None,
        "by_step": [{"step": "boil", "cost_per_g": None, "added_per_g": None}],
        "by_material": [{"material": f"m{number}", "cost_per_g": 0.01 * number} for number in range(20)],
        "direct": [{"name": "energy", "cost_per_g": None}],
    }  # fmt: skip
    root = _read(cost_picture(answer))
    texts = _texts(root)
    assert "not known" in texts
    assert "8 others" in texts
    bars = [rect for rect in root.iter(f"{NAME}rect") if rect.get("class") == "bar"]
    assert len(bars) == 13


def test_bars_are_as_long_as_what_they_stand_for() -> None:
    lines = [
        {"step": "boil", "against_limit": {"cost_per_g": 0.4}, "against_best": {"cost_per_g": 0.1}},
        {"step": "cool", "against_limit": {"cost_per_g": 0.2}, "against_best": {"cost_per_g": None}},
    ]
    root = _read(losses_picture({"route": "soap", "currency": "EUR", "steps": lines}))
    width = {
        (rect.get("class"), (rect.findtext(f"{NAME}title") or "").split(":")[0]): float(rect.get("width", 0))
        for rect in root.iter(f"{NAME}rect")
        if rect.get("class") in ("bar", "box")
    }
    assert width["box", "boil"] == pytest.approx(4.0 * width["bar", "boil"], abs=0.3)
    assert width["box", "boil"] == pytest.approx(2.0 * width["bar", "cool"], abs=0.3)


def test_a_plan_parts_what_reaches_from_what_falls_short() -> None:
    plan = {
        "route": "soap", "target_g": 20.0, "p_reach": 0.75,
        "distribution": {"edges_g": [0.0, 10.0, 20.0, 30.0], "probability": [0.05, 0.2, 0.75]},
    }  # fmt: skip
    picture = plan_picture(plan)
    root = _read(picture)
    kinds = [rect.get("class") for rect in root.iter(f"{NAME}rect") if rect.get("class")]
    assert kinds == ["box", "box", "bar"]
    assert "75 of 100" in (root.findtext(f"{NAME}desc") or "")
    assert re.search("target 20 g", picture)
