"""Lots united: what goes in comes out. Worked by hand; no outside table is needed for a weighted mean."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.blend import BlendPart, blend
from service.domain.lot import Measured, Strength

fractions = st.none() | st.floats(0.01, 0.99).map(Measured)
solids = st.builds(
    BlendPart,
    st.floats(0.001, 1e4),
    st.none(),
    st.builds(Strength, assay=fractions, loss_on_drying=fractions, contents=st.fixed_dictionaries({})),
)


def contained_g(part: BlendPart) -> float:
    assert part.mass_g is not None
    return part.mass_g * part.strength.mass_fraction


@given(st.lists(solids, min_size=1, max_size=6))
def test_what_the_parts_contain_the_whole_contains(parts: list[BlendPart]) -> None:
    whole = BlendPart(math.fsum(part.mass_g or 0.0 for part in parts), None, blend(parts))
    assert contained_g(whole) == pytest.approx(math.fsum(contained_g(part) for part in parts), rel=1e-9)


@given(solids)
def test_one_part_stays_as_it_is(part: BlendPart) -> None:
    found = blend([part])
    for name in ("assay", "loss_on_drying"):
        was, now = getattr(part.strength, name), getattr(found, name)
        assert (was is None) == (now is None)
        assert was is None or now.value == pytest.approx(was.value)


def test_solutions_mix_by_volume() -> None:
    strong = BlendPart(110.0, 100.0, Strength(molarity=Measured(6.0), density=Measured(1.1)))
    weak = BlendPart(303.0, 300.0, Strength(molarity=Measured(2.0), density=Measured(1.01)))
    found = blend([strong, weak])
    assert found.molarity is not None
    assert found.density is not None
    assert found.molarity.value == pytest.approx((0.6 + 0.6) / 0.4)  # mol over L
    assert found.density.value == pytest.approx(413.0 / 400.0)


def test_what_one_part_lacks_is_not_made_up() -> None:
    known = BlendPart(1.0, 1.0, Strength(molarity=Measured(6.0), contents={"dye": Measured(0.1)}))
    found = blend([known, BlendPart(1.0, 1.0, Strength())])
    assert (found.molarity, found.contents) == (None, {})
    assert blend([BlendPart(None, 1.0, Strength(assay=Measured(0.9)))]).assay is None


def test_independent_uncertainties_add_as_squares() -> None:
    found = blend([BlendPart(1.0, None, Strength(assay=Measured(0.9, 0.02)))] * 2)
    assert found.assay is not None
    assert found.assay.u == pytest.approx(0.02 / math.sqrt(2))
